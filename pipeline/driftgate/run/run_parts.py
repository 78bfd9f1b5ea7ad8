"""Files of one run that lie beside each other: joined by their names, or told how '+' joins them."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from driftgate.core.findings import Finding
from driftgate.load.text import TextError, link_out, real_path, shown_path
from driftgate.logs.columns import titles_of
from driftgate.logs.preamble import LOG_KEY
from driftgate.logs.table import table_of
from driftgate.run.log_files import JOINED, csv_files, folder_of
from driftgate.run.status import InputError, counted

Run = tuple[Path, ...]

# So much of a file holds its preamble and header row, or it is not looked at.
_HEAD_BYTES: Final = 64 * 1024
# Between a run's own name and what a file of it is called by: 'run-poses', 'run_2', 'run tape'.
_SEPARATORS: Final = "-_. "
_ODOMETRY: Final = frozenset({"forward", "sideways"})
_PLACES: Final = "reference x"
# Files of a folder that are looked at for a suggestion, and that one suggestion names.
_MOST_BESIDE: Final = 1000
_MOST_JOINED: Final = 8


class JoinedByName(tuple[Path, ...]):
    """The files of one run, of which nobody said that they are: their names and columns do."""

    __slots__ = ()


@dataclass(frozen=True)
class _Head:
    """The header row of a log: its titles but the time, the line it stands in, and its text."""

    titles: frozenset[str]
    line: int
    text: str

    @property
    def drives(self) -> bool:
        return bool(self.titles & _ODOMETRY)


class _Known:
    """Logs by what they have and how they are called.

    Attributes
    ----------
    heads : mapping
        Of each file.
    drives, others : mapping
        By folder: files with odometry, and without.
    base : mapping
        Of a file without odometry the one that it goes with by its name, if there is one.
    parts : mapping
        The other way round.
    """

    def __init__(self, heads: Mapping[Path, _Head]) -> None:
        self.heads = heads
        self.drives: dict[Path, list[Path]] = {}
        self.others: dict[Path, list[Path]] = {}
        for path, head in heads.items():
            (self.drives if head.drives else self.others).setdefault(path.parent, []).append(path)
        self.base: dict[Path, Path] = {}
        self.parts: dict[Path, list[Path]] = {}
        for folder, others in self.others.items():
            called: dict[str, list[Path]] = {}
            alike: dict[str, list[Path]] = {}
            for drive in self.drives.get(folder, []):
                called.setdefault(drive.stem, []).append(drive)
                alike.setdefault(_without_last(drive.stem), []).append(drive)
            for path in others:
                # A name that begins with the other's, of several the longest; or one with another last word.
                begins = [called[begin] for begin in _beginnings(path.stem) if begin in called]
                found = begins[0] if begins else alike.get(_without_last(path.stem) or "\0", [])
                if len(found) == 1:
                    self.base[path] = found[0]
                    self.parts.setdefault(found[0], []).append(path)

    def in_common(self, paths: Sequence[Path]) -> str:
        """Return a column that two of the files have, or nothing."""
        count = Counter(title for path in paths for title in self.heads[path].titles)
        return next((title for title in sorted(count) if count[title] > 1), "")


def _beginnings(stem: str) -> list[str]:
    """Return what a name begins with, up to each of its separators; the longest first."""
    return [stem[:at] for at in range(len(stem) - 1, 0, -1) if stem[at] in _SEPARATORS]


def _without_last(stem: str) -> str:
    """Return a name without its last word; empty if it has one only, or ends in a number, as runs do."""
    at = max(stem.rfind(sign) for sign in _SEPARATORS)
    return stem[:at] if at > 0 and not stem[at + 1 :].isdigit() else ""


def joined_by_name(runs: Iterable[Run]) -> list[Run]:
    """Return runs with files joined that are of one run by their names and columns.

    A log without odometry belongs to the one in the same folder that has it and is called alike: NAME.csv and
    NAME-poses.csv, or NAME-odometry.csv and NAME-poses.csv. Where two files have a column in common, as two
    lists of poses of one run have, nobody but the team knows which is meant, and nothing is joined.

    Parameters
    ----------
    runs : iterable
        Runs, each as its files; those of several files stay what they are.
    """
    listed = list(runs)
    known = _Known(_heads(run[0] for run in listed if len(run) == 1))
    whole = {base: own for base, own in known.parts.items() if not known.in_common([base, *own])}
    joined = {path for own in whole.values() for path in own}
    found: list[Run] = []
    for run in listed:
        if len(run) == 1 and run[0] in whole:
            found.append(JoinedByName((run[0], *sorted(whole[run[0]]))))
        elif len(run) > 1 or run[0] not in joined:
            found.append(run)
    return found


def say_parts(runs: Sequence[Run], findings: list[Finding]) -> None:
    """Add DG624: files that were joined by their names, and those that look as if they should be joined.

    Parameters
    ----------
    runs : sequence
        Runs as `joined_by_name` gives them.
    findings : list of Finding
        To which a note is added, and warnings, each of which has the '+' in it.
    """
    joined = [run for run in runs if isinstance(run, JoinedByName)]
    if joined:
        first, *others = joined[0]
        words = f"read as one run with {', '.join(path.name for path in others)}"
        words += f" (and {counted(len(joined) - 1, 'run')} more from files called so)" if joined[1:] else ""
        advice = f"their names and columns say so; files that are called otherwise are joined by '{JOINED}'"
        findings.append(Finding(_shown(first), 0, 0, "DG624", words, "note", advice))
    given = _heads(run[0] for run in runs if len(run) == 1)
    # Files that were joined are nobody else's.
    taken = {path for run in runs for path in run}
    known = _Known({**given, **_heads(path for path in _beside(given) if path not in taken)})
    said: dict[tuple[str, str], list[Finding]] = {}
    for path, head in given.items():
        found = _alone(path, head, known) if not head.drives else _unplaced(path, head, known)
        if found is not None:
            said.setdefault((path.parent.as_posix(), found.level), []).append(found)
    for same in said.values():
        more = f" (and so {counted(len(same) - 1, 'file')} more)" if same[1:] else ""
        findings.append(replace(same[0], message=same[0].message + more))


def with_parts(message: str, findings: Iterable[Finding]) -> str:
    """Return why some runs are of no use, with the files that are missing beside them, if DG624 names any."""
    said = next((f for f in findings if f.code == "DG624" and f.level == "warning"), None)
    return message if said is None else f"{message}; {said.path}: {said.message}; {said.suggestion}"


def _alone(path: Path, head: _Head, known: _Known) -> Finding | None:
    """Return a warning about a file without odometry, if one of its run is there."""
    base = known.base.get(path)
    rest = [] if base is None else known.parts[base]
    if base is None:
        drives, rest = known.drives.get(path.parent, []), known.others.get(path.parent, [])
        if len(drives) != 1:
            return None
        base = drives[0]
    if twice := known.in_common([base, path]):
        words = f"it has no odometry, and {base.name} beside it has a column '{twice}' already"
        return _finding(path, head, words, "one of the two is enough: delete the other column, or this file")
    words = f"it has no odometry: it is a part of a run, and {base.name} beside it has what was driven"
    if twice := known.in_common([base, *rest]):
        also = next((o.name for o in sorted(rest) if o != path and twice in known.heads[o].titles), "")
        words += f"; {also} has a column '{twice}', too" if also else ""
        rest = [path]
    return _finding(path, head, words, _give([base, *sorted(rest)[:_MOST_JOINED]]))


def _unplaced(path: Path, head: _Head, known: _Known) -> Finding | None:
    """Return a warning about a run without reference poses, if a file beside it looks like them."""
    if _PLACES in head.titles:
        return None
    like = [other for other in known.parts.get(path, []) if _PLACES in known.heads[other].titles]
    like = [other for other in sorted(like) if not known.in_common([path, other])]
    if not like:
        return None
    words = f"it has no reference poses, and {like[0].name} beside it looks like them"
    return _finding(path, head, words, _give([path, like[0]]))


def _finding(path: Path, head: _Head, words: str, advice: str) -> Finding:
    return Finding(_shown(path), head.line, 1, "DG624", words, "warning", advice, head.text)


def _give(paths: Sequence[Path]) -> str:
    return f"'{JOINED}' joins the files of one run: {shlex.quote(JOINED.join(map(Path.as_posix, paths)))}"


def _beside(paths: Iterable[Path]) -> list[Path]:
    """Return the files in the folders of some."""
    found: list[Path] = []
    for folder in dict.fromkeys(path.parent for path in paths):
        try:
            found += csv_files(folder)[:_MOST_BESIDE]
        except InputError:
            continue
    return found


def _heads(paths: Iterable[Path]) -> dict[Path, _Head]:
    """Return the header rows of those files that are logs."""
    found = {path: _head(path) for path in paths}
    return {path: head for path, head in found.items() if head is not None}


def _head(path: Path) -> _Head | None:
    try:
        if not path.is_file() or link_out(path) is not None:
            return None
        with path.open("rb") as file:
            text = file.read(_HEAD_BYTES).decode("utf-8-sig", "replace")
    except (OSError, ValueError, TextError):
        return None
    table = table_of(text, path.name)
    if not table.header or not table.preamble or table.preamble[0].key != LOG_KEY:
        return None
    titles = frozenset(titles_of(table)) - {"time", ""}
    return _Head(titles, table.header_line, table.page.lines[table.header_line - 1]) if titles else None


def _shown(path: Path) -> str:
    return shown_path(real_path(path), folder_of([path]))
