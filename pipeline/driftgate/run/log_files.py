"""Which files of logged runs a command means, and the folder that they may be read from."""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from driftgate.core.findings import Finding
from driftgate.load.project import find_root
from driftgate.load.text import TextError, is_inside, real_path
from driftgate.run.status import InputError, counted

# Between the files of one run on the command line.
JOINED: Final = "+"
LOG_SUFFIX: Final = ".csv"
MOST_RUNS: Final = 1000
_SAID: Final = re.compile(r"#\s*driftgate (log|beacons)\b")
_HEAD_BYTES: Final = 200


def run_files(text: str) -> tuple[Path, ...]:
    """Return the files of one run; one whose own name has a '+' is taken as it is.

    Raises
    ------
    InputError
        If there is nothing before, after or between the signs, or a part is a folder or a pattern.
    """
    if os.path.exists(text):
        return (Path(text),)
    parts = text.split(JOINED)
    if not all(parts):
        raise InputError(f"'{text}' is not FILE or FILE+FILE+FILE")
    for part in parts if len(parts) > 1 else ():
        if os.path.isdir(part) or (_is_pattern(part) and not os.path.exists(part)):
            what = "folder" if os.path.isdir(part) else "pattern"
            raise InputError(f"'{text}': '+' joins the files of one run, and {part} is a {what}")
    return tuple(Path(part) for part in parts)


def runs_of(text: str) -> list[tuple[Path, ...]]:
    """Return the runs that one word of a command line means, each as its files.

    A file, files of one run joined by '+', a folder of runs, or a pattern such as 'logs/*.csv' that no shell
    has put files for. The one way in which every command reads its logs.

    Raises
    ------
    InputError
        If a folder holds no log, nothing matches a pattern, or files joined are none.
    """
    if os.path.isdir(text):
        return [(path,) for path in _logs_in(Path(text))]
    if not os.path.exists(text) and _is_pattern(text) and not _joins_files(text):
        matched = sorted(Path(path) for path in glob.iglob(text, recursive=True))
        found: list[Path] = []
        for path in matched:
            if path.is_dir():
                found += csv_files(path)
            elif path.suffix.lower() == LOG_SUFFIX and path.is_file():
                found.append(path)
        if not found:
            raise InputError(f"no log (*{LOG_SUFFIX}) matches '{text}'")
        return [(path,) for path in dict.fromkeys(found) if not _lists_beacons(path)]
    return [run_files(text)]


def all_runs(texts: Iterable[str]) -> list[tuple[Path, ...]]:
    """Return the runs of a command line.

    Raises
    ------
    InputError
        As `runs_of`, or if there are more than `MOST_RUNS`.
    """
    found = [run for text in texts for run in runs_of(text)]
    if len(found) > MOST_RUNS:
        raise InputError(f"at most {MOST_RUNS} runs at a time, got {len(found)}")
    return found


def csv_files(folder: Path) -> list[Path]:
    """Return the files in a folder that a log or a list of beacons may be, not those in folders below it."""
    try:
        inside = sorted(p for p in folder.iterdir() if not p.name.startswith("."))
        return [path for path in inside if path.suffix.lower() == LOG_SUFFIX and path.is_file()]
    except OSError as error:
        raise InputError(f"{folder}: {error.strerror}") from error


def _logs_in(folder: Path) -> list[Path]:
    inside = [path for path in csv_files(folder) if not _lists_beacons(path)]
    if not inside:
        raise InputError(f"there is no log (*{LOG_SUFFIX}) in {folder}")
    return inside


def _joins_files(text: str) -> bool:
    parts = text.split(JOINED)
    return len(parts) > 1 and any(os.path.exists(part) for part in parts)


def _is_pattern(text: str) -> bool:
    return any(sign in text for sign in "*?[")


def _lists_beacons(path: Path) -> bool:
    return says_it_is(path) == "beacons"


def says_it_is(path: Path) -> str | None:
    """Return what the first line of a CSV file says that it is: "log", "beacons", or None."""
    try:
        with path.open("rb") as file:
            # In UTF-16, which a spreadsheet may save, it is still a log, and its reader says what is wrong.
            first = (
                file.readline(_HEAD_BYTES).replace(b"\0", b"").decode("utf-8-sig", "replace").lstrip("\ufffd")
            )
    except OSError:
        return None
    said = _SAID.match(first)
    return said.group(1) if said else None


def refuse_twice(runs: Iterable[Sequence[Path]]) -> None:
    """Refuse a file that is named twice: no run counts as two.

    Raises
    ------
    InputError
        If one is.
    """
    seen: set[Path] = set()
    for path in (path for paths in runs for path in paths):
        real = real_path(path)
        if real in seen:
            raise InputError(f"{path}: is named twice, and one run is no two")
        seen.add(real)


def folder_of(paths: Sequence[Path]) -> Path:
    """Return the folder to read a run in: its repository, else the one that holds all of its files.

    They may lie outside the repository: whoever typed the command chose them.
    """
    try:
        root, folders = find_root(paths[0]), [real_path(path).parent for path in paths]
    except TextError:
        return Path.cwd()
    if all(is_inside(folder, root) for folder in folders):
        return root
    return Path(os.path.commonpath(folders))


def once(findings: Iterable[Finding]) -> list[Finding]:
    """Return findings with what several logs have alike in their headers, or lack alike, named once."""
    kept: dict[object, list[Finding]] = {}
    for finding in findings:
        kind = (finding.code, finding.level)
        key: object = id(finding)
        if finding.code == "DG617" or kind == ("DG603", "warning"):
            key = (finding.code, finding.line, finding.column, finding.message)
        elif kind == ("DG606", "warning"):
            # A last row cut off: in every log of a robot that is switched off while it writes.
            key = kind
        kept.setdefault(key, []).append(finding)
    return [said_once(same) for same in kept.values()]


def said_once(same: Sequence[Finding]) -> Finding:
    """Return the first of findings that are the same in several logs, with how many more there are."""
    if len(same) == 1:
        return same[0]
    return replace(same[0], message=f"{same[0].message} (and so {counted(len(same) - 1, 'log')} more)")
