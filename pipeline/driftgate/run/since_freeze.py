"""What has changed since a code freeze, file by file and value by value."""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from driftgate.core.findings import Finding
from driftgate.judge.differences import differences
from driftgate.load.document import Document
from driftgate.load.manifest import frozen_document
from driftgate.load.text import TextError, read_bytes, shorten
from driftgate.report.manifest_text import ToolFacts
from driftgate.run.cache_key import document_fingerprint
from driftgate.run.freeze import plain_text
from driftgate.run.status import counted
from driftgate.schema.freeze import Freeze
from driftgate.schema.waivers import GONE, TOOL

_MOST_CHANGES: Final = 20
_LINE_SHOWN: Final = 100
# So many digits of a digest name it well enough.
_SHORTEST_DIGEST: Final = 12


@dataclass(frozen=True)
class FileChange:
    """A file that is not what it was.

    Attributes
    ----------
    path : str
        As it is called now; what is gone, as it was called.
    state : str
        Hash of what it means now, as 64 hexadecimal digits, or "gone".
    findings : tuple of Finding
        What has changed in it.
    """

    path: str
    state: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class SinceFreeze:
    """What has changed.

    Attributes
    ----------
    changes : tuple of FileChange
        What needs a waiver.
    notes : tuple of Finding
        What means the same as before.
    """

    changes: tuple[FileChange, ...]
    notes: tuple[Finding, ...]


def compare_files(freeze: Freeze, documents: Sequence[Document], root: Path) -> SinceFreeze:
    """Return what has changed in the files that routines read.

    Parameters
    ----------
    freeze : Freeze
        What was frozen.
    documents : sequence of Document
        What the routines read now, themselves included.
    root : Path
        The repository.
    """
    now = {document.path: document for document in documents}
    texts = {text.path: text.text for text in freeze.texts}
    changes: list[FileChange] = []
    notes: list[Finding] = []
    gone: dict[str, Document | None] = {}
    for file in freeze.files:
        document = now.get(file.path)
        if document is None:
            gone[file.path] = frozen_document(file.path, texts[file.path])
        elif file.bytes != f"sha256:{_digest(root, file.path)}":
            found = _changed(document, texts[file.path])
            if found.state:
                changes.append(found)
            else:
                notes += found.findings
    added = [document for path, document in now.items() if path not in texts]
    changes += _came_and_went(added, gone, root)
    return SinceFreeze(tuple(sorted(changes, key=lambda c: c.path)), tuple(notes))


def changed_bytes(freeze: Freeze, root: Path) -> tuple[Finding, ...]:
    """Return a finding for each frozen file whose text differs, where the files cannot be loaded."""
    findings = []
    for file, then in zip(freeze.files, freeze.texts, strict=True):
        try:
            text = plain_text(read_bytes(root / file.path, root))
        except TextError as error:
            code, what = ("DG707", "is gone") if error.missing else ("DG704", f"has changed: {error.reason}")
            findings.append(Finding(file.path, error.line, error.column, code, f"the frozen file {what}"))
            continue
        if text != then.text:
            line, words = _first_line(then.text, text)
            findings.append(Finding(file.path, line, 1, "DG704", f"changed since the freeze: {words}"))
    return tuple(findings)


def _digest(root: Path, path: str) -> str:
    try:
        return hashlib.sha256(read_bytes(root / path, root)).hexdigest()
    except TextError:
        return ""  # gone since it was loaded: as good as changed


def _changed(document: Document, then: str) -> FileChange:
    """Return what has changed in a file; without a state when it means what it meant."""
    frozen = frozen_document(document.path, then)
    state = document_fingerprint(document.model)
    if frozen is None:
        line, words = _first_line(then, "\n".join(document.lines))
        message = f"changed since the freeze; this driftgate cannot read what was frozen: {words}"
        return FileChange(document.path, state, (Finding(document.path, line, 1, "DG704", message),))
    if document_fingerprint(frozen.model) == state:
        return FileChange(document.path, "", (_same_meaning(document, then),))
    found = differences(frozen, document)
    findings = [
        document.finding("DG704", change.path, f"changed since the freeze: {change.words()}")
        for change in found[:_MOST_CHANGES]
    ]
    more = len(found) - len(findings)
    if more > 0:
        message = f"changed since the freeze: {counted(more, 'further value')}"
        findings.append(document.finding("DG704", (), message))
    return FileChange(document.path, state, tuple(findings))


def _same_meaning(document: Document, then: str) -> Finding:
    now = "\n".join(document.lines)
    if now == then:
        message = "only line ends or a byte order mark have changed since the freeze"
        return Finding(document.path, 0, 0, "DG705", message, "note")
    line, _ = _first_line(then, now)
    message = "changed since the freeze, but means the same (comments, titles, spacing, spelling of numbers)"
    return Finding(document.path, line, 1, "DG705", message, "note", excerpt=document.line_text(line))


def _first_line(then: str, now: str) -> tuple[int, str]:
    """Return the first line that differs, by its number now, and what it was and is."""
    old, new = then.split("\n"), now.split("\n")
    i = next((i for i, pair in enumerate(zip(old, new, strict=False)) if pair[0] != pair[1]), None)
    i = min(len(old), len(new)) if i is None else i
    was = shorten(old[i], _LINE_SHOWN) if i < len(old) else ""
    is_now = shorten(new[i], _LINE_SHOWN) if i < len(new) else ""
    return min(i + 1, len(new)), f"'{was}' -> '{is_now}'"


def _came_and_went(
    added: Sequence[Document], gone: Mapping[str, Document | None], root: Path
) -> Iterator[FileChange]:
    """Yield files added and gone; one that went and one that came with the same meaning is renamed."""
    left = {
        path: "" if document is None else f"{document.kind} {document_fingerprint(document.model)}"
        for path, document in gone.items()
    }
    for document in added:
        state = document_fingerprint(document.model)
        was = _closest(document.path, [p for p, key in left.items() if key == f"{document.kind} {state}"])
        if was:
            del left[was]
            message = f"renamed since the freeze: it was {was}"
            finding = Finding(document.path, 1, 1, "DG708", message)
        else:
            message = f"added since the freeze: a {document.kind} that was not there"
            finding = Finding(document.path, 1, 1, "DG706", message)
        yield FileChange(document.path, state, (finding,))
    for path in left:
        there = (root / path).is_file()
        message = "no routine reads this frozen file any more" if there else "gone since the freeze"
        yield FileChange(path, GONE, (Finding(path, 0, 0, "DG707", message),))


def _closest(path: str, candidates: Sequence[str]) -> str:
    return max(candidates, key=lambda c: (difflib.SequenceMatcher(None, c, path).ratio(), c), default="")


def tool_change(freeze: Freeze, tool: ToolFacts, manifest: str) -> tuple[FileChange | None, list[Finding]]:
    """Return whether the tool itself has changed, and a note where what it runs on has."""
    then = freeze.tool
    notes = []
    pairs = [("python", then.python, tool.python), ("machine", then.machine, tool.machine)]
    pairs += [(name, then.libraries.get(name, "none"), now) for name, now in tool.libraries.items()]
    others = [f"{name} {old} -> {new}" for name, old, new in pairs if old != new]
    if others:
        message = f"driftgate runs on other software than at the freeze: {', '.join(others)}"
        notes.append(Finding(manifest, 0, 0, "DG703", message, "note"))
    if then.source == f"sha256:{tool.source}":
        return None, notes
    said = f"{then.version} then, {tool.version} now"
    if then.version == tool.version:
        short = then.source.removeprefix("sha256:")[:_SHORTEST_DIGEST]
        said = f"version {tool.version}, but other source files ({short} then)"
    finding = Finding(manifest, 0, 0, "DG703", f"driftgate itself has changed since the freeze: {said}")
    return FileChange(TOOL, tool.source, (finding,)), notes
