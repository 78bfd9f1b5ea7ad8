"""Texts of small logs. All of it is invented."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from driftgate.core.findings import Finding
from driftgate.logs import Log, read_log

PREAMBLE = "# driftgate log: 1\n# origin: measured\n"


def log_text(header: str, rows: Iterable[str], preamble: str = PREAMBLE) -> str:
    """Return a log of these rows."""
    return preamble + "\n".join([header, *rows]) + "\n"


def write(folder: Path, text: str | bytes, name: str = "run.csv") -> Path:
    """Write a file as it is, line ends included."""
    file = folder / name
    file.write_bytes(text.encode() if isinstance(text, str) else text)
    return file


def read(folder: Path, *texts: str | bytes) -> tuple[Log | None, list[Finding]]:
    """Read a run from files with these texts."""
    findings: list[Finding] = []
    files = [write(folder, text, f"run{i or ''}.csv") for i, text in enumerate(texts)]
    return read_log(files, findings, folder), findings


def places(findings: Iterable[Finding]) -> list[tuple[int, int, str]]:
    """Return where findings are, and of what kind."""
    return [(f.line, f.column, f.code) for f in findings]
