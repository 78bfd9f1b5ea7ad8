"""The code freeze: what passes is written down, whole, with the files themselves.

The manifest holds the text of every file that was judged. It then needs no history: at an event there may
be a copy of the folder and nothing else, and a rewritten history cannot change what was frozen. The text
and not only values, so that the lines of then can be shown, and nothing that this version makes of a file
has to be trusted by a later one.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Final

from driftgate.load.document import Document
from driftgate.load.manifest import read_manifest
from driftgate.load.project import LoadedRoutine
from driftgate.load.text import (
    UNWANTED,
    TextError,
    decoded_text,
    is_plain_path,
    read_bytes,
    real_path,
    shorten,
    split_lines,
)
from driftgate.report.manifest_text import FileFacts, manifest_text
from driftgate.report.model import RunReport
from driftgate.run.cache_key import document_fingerprint
from driftgate.run.check import CheckSettings, Progress, check_routines
from driftgate.run.inputs import DEFAULT_FOLDER, load_inputs, root_of
from driftgate.run.robot_files import robot_files, shared_robot_files
from driftgate.run.software import tool_facts
from driftgate.run.status import Exit, InputError, counted

# No YAML file: what is written beside the routines must not be taken for one.
DEFAULT_MANIFEST: Final = Path(DEFAULT_FOLDER) / "code.freeze"
_LONGEST_PATH: Final = 200


@dataclass(frozen=True)
class Frozen:
    """What came of a freeze.

    Attributes
    ----------
    report : RunReport
        The run that everything had to pass; its last line says whether the manifest may be written.
    text : str
        The manifest; empty where nothing may be frozen.
    digest : str
        Of the manifest, 64 hexadecimal digits.
    """

    report: RunReport
    text: str = ""
    digest: str = ""


def freeze_routines(settings: CheckSettings, progress: Progress | None = None) -> Frozen:
    """Judge routines, and make the manifest if everything passes; nothing is written.

    Parameters
    ----------
    settings : CheckSettings
        What to freeze and how to judge it.
    progress : callable, optional
        Told how far the work is.

    Raises
    ------
    InputError
        If the files change while they are judged, or have names that no manifest can hold.
    """
    before = load_inputs(settings.paths)
    root = root_of(settings.paths)
    kept = {d.path: _bytes_of(root, d.path) for d in documents_of(before.routines)}
    report = check_routines(settings, *(() if progress is None else (progress,)))
    if report.status != Exit.PASS or not report.cases:
        return Frozen(report)
    inputs = load_inputs(settings.paths)
    documents = documents_of(inputs.routines)
    if {d.path: _bytes_of(root, d.path) for d in documents} != kept:
        raise InputError("files have changed while they were judged: freeze again")
    files = tuple(_facts(document, kept[document.path]) for document in documents)
    text = manifest_text(
        report,
        _paths_in(root, settings.paths),
        tool_facts(),
        files,
        robot_files(inputs.routines, settings.today),
        shared_robot_files(),
    )
    found = read_manifest("the manifest", text)
    if found.freeze is None or {t.path: t.text for t in found.freeze.texts} != {
        f.path: f.text for f in files
    }:
        words = found.findings[0].message if found.findings else "a text does not read back"
        raise InputError(f"the files cannot be kept in a manifest: {words}")
    return Frozen(report, text, found.digest)


def frozen_words(frozen: Frozen) -> str:
    """Return what has been frozen, in a line."""
    report = frozen.report
    routines = len({case.path for case in report.cases})
    return f"{counted(routines, 'routine')} frozen, {report.why}"


def documents_of(routines: Iterable[LoadedRoutine]) -> list[Document]:
    """Return every file that some routines read, themselves included, by path."""
    found: dict[str, Document] = {}
    for loaded in routines:
        for document in (loaded.document, loaded.robot, loaded.field, *loaded.variants):
            found[document.path] = document
    return [found[path] for path in sorted(found)]


def plain_text(raw: bytes) -> str:
    """Return the text of a file with plain line feeds, without a byte order mark; may raise TextError."""
    return "\n".join(split_lines(decoded_text(raw)))


def _bytes_of(root: Path, path: str) -> bytes:
    try:
        return read_bytes(root / path, root)
    except TextError as error:
        raise InputError(f"{path}: {error.reason}") from error


def _facts(document: Document, raw: bytes) -> FileFacts:
    path = document.path
    if not is_plain_path(path) or len(path) > _LONGEST_PATH or UNWANTED.search(path) or "\n" in path:
        raise InputError(f"'{shorten(path)}' cannot be kept in a manifest: give the file a plain name")
    text = plain_text(raw)
    if split_lines(text) != document.lines:
        raise InputError(f"{path} has changed while it was read: freeze again")
    digest = hashlib.sha256(raw).hexdigest()
    return FileFacts(path, document.kind, document_fingerprint(document.model), digest, text)


def _paths_in(root: Path, paths: Iterable[Path]) -> tuple[str, ...]:
    """Return the paths of a command relative to the repository."""
    given = [real_path(path) for path in paths] or [real_path(DEFAULT_FOLDER)]
    return tuple(sorted({PurePosixPath(path.relative_to(root)).as_posix() for path in given}))
