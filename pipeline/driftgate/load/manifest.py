"""The manifest of a code freeze, read as the work of a stranger: damage is found before it is parsed."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final, get_args

from driftgate.core.findings import Finding
from driftgate.load.compose import compose
from driftgate.load.document import DocPath, Document, Kind, Source
from driftgate.load.text import (
    TextError,
    decoded_text,
    is_plain_path,
    read_bytes,
    real_path,
    shorten,
    split_lines,
)
from driftgate.load.validate import kind_of, validated_data, validation_findings
from driftgate.schema.freeze import Freeze

LARGEST_BYTES: Final = 16 * 1024 * 1024
# A line of a file, and by how much it is indented in the manifest.
LONGEST_LINE: Final = 2000 + 40
_SEAL: Final = re.compile(r"^digest: sha256:([0-9a-f]{64})\n*\Z", re.MULTILINE)
_LOOKS_FROZEN: Final = re.compile(r"^kind: freeze$", re.MULTILINE)
_ADVICE: Final = "take it from the repository's history again, or freeze anew"


@dataclass(frozen=True, eq=False)
class Manifest:
    """A manifest as read.

    Attributes
    ----------
    path : str
        As it was named.
    freeze : Freeze or None
        What it says; None with findings when it cannot be used.
    digest : str
        Of what it says, 64 hexadecimal digits; empty when there is none.
    findings : tuple of Finding
        What is wrong with it.
    """

    path: str
    freeze: Freeze | None
    digest: str
    findings: tuple[Finding, ...]


def digest_of(body: str) -> str:
    """Return the digest of a manifest's text up to its last line, as 64 hexadecimal digits."""
    return hashlib.sha256(body.encode()).hexdigest()


def sealed(body: str) -> str:
    """Return a manifest's text with its digest as the last line."""
    return f"{body}digest: sha256:{digest_of(body)}\n"


def load_manifest(path: Path) -> Manifest:
    """Read the manifest of a code freeze.

    It may lie outside the repository: whoever types the command chose the file. Line ends do not count,
    since version control may change them.

    Parameters
    ----------
    path : Path
        The file.
    """
    shown = path.as_posix()
    try:
        real = real_path(path)
        raw = read_bytes(real, real.parent, LARGEST_BYTES)
    except TextError as error:
        advice = "make one with 'driftgate freeze'" if error.missing else ""
        return _unusable(shown, Finding(shown, 0, 0, "DG701", error.reason, suggestion=advice))
    try:
        text = "\n".join(split_lines(decoded_text(raw, LONGEST_LINE)))
    except TextError as error:
        found = Finding(
            shown, error.line, error.column, "DG701", error.reason, "error", _ADVICE, error.excerpt
        )
        return _unusable(shown, found)
    return read_manifest(shown, text)


def read_manifest(shown: str, text: str) -> Manifest:
    """Read the text of a manifest; `shown` is what findings name as its file."""
    seal = _SEAL.search(text)
    if seal is None:
        return _unusable(shown, _no_seal(shown, text))
    digest = digest_of(text[: seal.start()])
    if digest != seal[1]:
        message = f"the manifest is damaged: its content has the digest {digest[:12]}, it says {seal[1][:12]}"
        line = text.count("\n", 0, seal.start()) + 1
        return _unusable(shown, Finding(shown, line, 1, "DG701", message, "error", _ADVICE))
    return _read(shown, text, digest)


def _no_seal(shown: str, text: str) -> Finding:
    if _LOOKS_FROZEN.search(text) is None:
        return Finding(
            shown,
            1,
            1,
            "DG701",
            "this is no manifest of a code freeze: it does not say 'kind: freeze'",
            "error",
            "name the file that 'driftgate freeze' wrote",
        )
    message = "the manifest is damaged: its last line is not its digest"
    return Finding(shown, text.count("\n") + 1, 1, "DG701", message, "error", _ADVICE)


def _unusable(shown: str, *findings: Finding) -> Manifest:
    return Manifest(shown, None, "", findings)


def _read(shown: str, text: str, digest: str) -> Manifest:
    composed = compose(text, shown, split_lines(text))
    findings = list(composed.findings)
    if not composed.whole or findings:
        return _unusable(shown, *findings)
    kind, faults = kind_of(composed)
    if kind != "freeze" or faults:
        other = Finding(shown, 1, 1, "DG122", "the file is no manifest of a code freeze")
        return _unusable(shown, *(faults or [other]))
    validated = validated_data(composed.data, "freeze")
    findings = validation_findings(composed, "freeze", validated)
    if findings or not isinstance(validated.model, Freeze):
        return _unusable(shown, *findings)
    findings = list(_contradictions(composed.source, validated.model))
    if findings:
        return _unusable(shown, *findings)
    return Manifest(shown, validated.model, digest, ())


def _contradictions(source: Source, freeze: Freeze) -> Iterator[Finding]:
    """Yield what a manifest that `freeze` wrote cannot say."""

    def finding(place: DocPath, message: str) -> Finding:
        return source.finding("DG701", place, message, "it was not written by 'driftgate freeze'")

    for i, path in enumerate(freeze.settings.paths):
        if path != "." and not is_plain_path(path):
            yield finding(("settings", "paths", i), f"'{shorten(path)}' is no path in the repository")
    kinds: dict[str, str] = {}
    for i, file in enumerate(freeze.files):
        if not is_plain_path(file.path):
            yield finding(("files", i, "path"), f"'{shorten(file.path)}' is no path in the repository")
        elif file.path in kinds:
            yield finding(("files", i, "path"), f"'{shorten(file.path)}' is there twice")
        kinds[file.path] = file.kind
    if [text.path for text in freeze.texts] != [file.path for file in freeze.files]:
        yield finding(("texts",), "the texts are not those of the files")
    for i, case in enumerate(freeze.cases):
        for name, kind in (("routine", "routine"), ("believed_map", "field map"), ("true_map", "field map")):
            if kinds.get(getattr(case, name)) != kind:
                yield finding(("cases", i, name), f"'{shorten(getattr(case, name))}' is no frozen {kind}")
    for i, made in enumerate(freeze.robot_files):
        if kinds.get(made.routine) != "routine":
            yield finding(("robot_files", i), f"'{shorten(made.routine)}' is no frozen routine")


def frozen_document(path: str, text: str) -> Document | None:
    """Return a document as it was frozen, or None if this driftgate cannot read it any more.

    What it refers to is left unread, and its own checks undone: it passed them when it was frozen.
    """
    composed = compose(text, path, split_lines(text))
    if not composed.whole or composed.findings or not isinstance(composed.data, dict):
        return None
    kind = composed.data.get("kind")
    known: Kind | None = next((k for k in get_args(Kind) if k == kind), None)
    if known is None:
        return None
    model = validated_data(composed.data, known).model
    source = composed.source
    return None if model is None else Document(path, source.lines, source.positions, known, model)
