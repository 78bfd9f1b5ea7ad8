"""From files to a `Log`: every fault a finding at its line and column."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path, PurePosixPath
from typing import Final

import numpy as np
from numpy.typing import NDArray

from driftgate.core.findings import Finding
from driftgate.core.pose import FloatArray
from driftgate.load.project import find_root
from driftgate.load.text import shorten
from driftgate.logs.cells import NUMBER
from driftgate.logs.columns import read_header
from driftgate.logs.doubts import check_doubts, unwrapped
from driftgate.logs.part import Part, read_part
from driftgate.logs.preamble import BEACONS_KEY, first_line_holds
from driftgate.logs.table import MOST_COLUMNS, MOST_ROWS, Table, open_table
from driftgate.logs.values import NAMED, Beacons, Log, Origin, RangeColumn, Said

AnyPath = str | os.PathLike[str]
MOST_FILES: Final = 16
# Rows of two files are of one instant if their times differ by no more: it takes up rounding. [s]
_SAME_S: Final = 1e-9
_MOST_STEPS: Final = 1000
_MOST_POSES: Final = 1000
_SAID_ONCE: Final = ("run", "day", "origin", "robot", "routine", "field", "reference_spread")


def read_log(paths: Sequence[AnyPath], findings: list[Finding], root: AnyPath | None = None) -> Log | None:
    """Return one run, from one file or from several that share its clock.

    Parameters
    ----------
    paths : sequence of path
        The files of the run: at most 16.
    findings : list of Finding
        Whatever there is to say of them is added.
    root : path, optional
        The repository root, beyond which nothing is read; by default `find_root` of the first file.

    Returns
    -------
    Log or None
        None if there is an error among the findings added.

    Notes
    -----
    Rows are joined on their time: rows of one time become one row, which has a value wherever one of
    the files has it. The step being driven is carried on to rows of files that do not name it.
    """
    if not paths:
        return None
    top = Path(find_root(paths[0]) if root is None else root)
    if len(paths) > MOST_FILES:
        name = os.path.basename(os.fspath(paths[MOST_FILES]))
        findings.append(Finding(name, 0, 0, "DG614", f"one run has at most {MOST_FILES} files"))
        return None
    tables = [_opened(path, top, findings) for path in paths]
    parts = [None if table is None else read_part(table) for table in tables]
    sound = [part for part in parts if part is not None]
    if len(sound) == len(paths):
        _check_alike(sound)
        for part in sound:
            check_doubts(part)
    faults = any(table is None or table.page.errors for table in tables)
    findings += [f for table in tables if table is not None for f in sorted(table.page.findings)]
    if faults:
        return None
    return _joined(sound, findings)


def read_beacons(path: AnyPath, findings: list[Finding], root: AnyPath | None = None) -> Beacons | None:
    """Return where beacons stand, from a file with the columns beacon, x [m], y [m].

    Parameters
    ----------
    path : path
        The file.
    findings : list of Finding
        Whatever there is to say of it is added.
    root : path, optional
        As for `read_log`.

    Returns
    -------
    Beacons or None
        None if there is an error among the findings added.
    """
    table = _opened(path, Path(find_root(path) if root is None else root), findings)
    if table is None:
        return None
    beacons = _beacons(table)
    findings += sorted(table.page.findings)
    return beacons if not table.page.errors else None


def read_any(path: AnyPath, findings: list[Finding], root: AnyPath) -> Log | Beacons | None:
    """Return what a file holds: a log, or beacons if its first line says so; for checks of a file alone."""
    table = _opened(path, Path(root), [])
    if table is not None and table.preamble and table.preamble[0].key == BEACONS_KEY:
        return read_beacons(path, findings, root)
    return read_log([path], findings, root)


def _opened(path: AnyPath, root: Path, findings: list[Finding]) -> Table | None:
    table, faults = open_table(Path(path), root)
    findings += faults
    return table


def _beacons(table: Table) -> Beacons | None:
    page = table.page
    if not first_line_holds(table, BEACONS_KEY):
        return None
    for entry in table.preamble[1:]:
        if entry.key != "note":
            page.say("DG602", entry.line, entry.key_at, f"unknown key '{shorten(entry.key)}'", "use 'note'")
    columns = read_header(table, beacons=True)
    if page.errors:
        return None
    place: dict[str, tuple[float, float]] = {}
    for line, cells in table.rows():
        name = cells[columns["beacon"].position]
        if not name or name in place:
            words = f"the beacon '{shorten(name)}' is there twice" if name else "the beacon has no name"
            page.say("DG130" if name else "DG607", line, table.place(line, columns["beacon"].position), words)
            continue
        at = []
        for title in ("x", "y"):
            column = columns[title]
            cell = cells[column.position]
            value = column.si(float(cell)) if NUMBER.fullmatch(cell) else np.nan
            if not abs(value) < 1e6:
                words = f"'{shorten(cell)}' is no place" if cell else "the place is missing"
                page.say("DG607", line, table.place(line, column.position), words)
            at.append(float(value))
        place[name] = (at[0], at[1])
    return Beacons(tuple(place), np.array(list(place.values()), dtype=float).reshape(-1, 2))


def _check_alike(parts: Sequence[Part]) -> None:
    """Files of one run say the same of it, and no column is in two of them."""
    first = parts[0]
    for key in _SAID_ONCE:
        said: Part | None = None
        for part in parts:
            value = getattr(part.preamble, key)
            if value is None:
                continue
            if said is not None and value != getattr(said.preamble, key):
                entry = part.preamble.entries[key.replace("_", " ")]
                words = f"{said.table.page.path} says otherwise: '{shorten(_value(said, key))}'"
                part.table.page.say("DG613", entry.line, entry.value_at, words, "these are files of two runs")
            said = said or part
    owner: dict[str, Part] = {}
    for part in parts:
        for title, column in part.columns.items():
            if title != "time" and title in owner:
                words = f"'{shorten(title)}' is in {owner[title].table.page.path} already"
                part.table.page.say("DG613", part.table.header_line, column.at, words)
            owner.setdefault(title, part)
    if len(owner) > MOST_COLUMNS:
        first.table.page.say("DG614", 0, 0, f"the run has more than {MOST_COLUMNS} columns")
    for part in parts[1:]:
        a, b = first.numbers["time"], part.numbers["time"]
        if b[0] > a[-1] or b[-1] < a[0]:
            words = f"the file covers {b[0]:.6g} to {b[-1]:.6g} s, "
            words += f"{first.table.page.path} {a[0]:.6g} to {a[-1]:.6g} s"
            part.say("DG613", 0, "time", words, "files of one run share one clock")


def _value(part: Part, key: str) -> str:
    return part.preamble.entries[key.replace("_", " ")].value


def _joined(parts: Sequence[Part], findings: list[Finding]) -> Log | None:
    time, index = _common_time([part.numbers["time"] for part in parts])
    first = parts[0].table.page.path
    if len(time) > MOST_ROWS:
        findings.append(Finding(first, 0, 0, "DG614", f"the run has more than {MOST_ROWS} rows"))
        return None
    n = len(time)

    def numbers(title: str) -> FloatArray:
        out = np.full(n, np.nan)
        for part, at in zip(parts, index, strict=True):
            if title in part.numbers:
                out[at] = part.numbers[title]
        return out

    def words(title: str) -> tuple[str, ...] | None:
        for part, at in zip(parts, index, strict=True):
            if title in part.words:
                return _spread_out(part.words[title], at, n, carried=title == "step")
        return None

    def said(key: str) -> str | None:
        values = [getattr(part.preamble, key) for part in parts]
        return next((str(value) for value in values if value is not None), None)

    def place(key: str) -> Said | None:
        for part in parts:
            entry = part.preamble.entries.get(key)
            if entry is not None:
                page = part.table.page
                return Said(page.path, entry.line, entry.value_at, page.lines[entry.line - 1])
        return None

    def pose(kind: str) -> FloatArray:
        return np.stack([numbers(f"{kind} {axis}") for axis in ("x", "y", "heading")], axis=1)

    titles: dict[str, Said] = {}
    for part in parts:
        page, line = part.table.page, part.table.header_line
        for column in part.columns.values():
            titles.setdefault(column.title, Said(page.path, line, column.at, page.lines[line - 1]))
    ranges = {}
    for title in dict.fromkeys(t for part in parts for t in part.columns if t.startswith("range ")):
        name, raw = title.removeprefix("range "), numbers(title)
        fired = ~np.isnan(raw)
        ranges[name] = RangeColumn(np.where(raw < 0.0, np.nan, raw), fired, words(f"fix {name}"))
    forward, sideways = numbers("forward"), numbers("sideways")
    origin: Origin = "simulated" if said("origin") == "simulated" else "measured"
    return Log(
        path=first,
        run=said("run") or PurePosixPath(first).stem,
        day=next((p.preamble.day for p in parts if p.preamble.day is not None), None),
        origin=origin,
        robot=said("robot"),
        routine=said("routine"),
        field=said("field"),
        time_s=time,
        step=words("step"),
        forward_m=np.nan_to_num(forward),
        sideways_m=np.nan_to_num(sideways),
        has_odometry=~(np.isnan(forward) & np.isnan(sideways)),
        heading_rad=unwrapped(numbers("heading")),
        speed_mps=numbers("speed"),
        believed=pose("believed"),
        ranges=ranges,
        reference=pose("reference"),
        reference_by=words("reference by") or ("",) * n,
        reference_spread=next(
            (p.preamble.reference_spread for p in parts if p.preamble.reference_spread is not None), None
        ),
        named_at={key: at for key in NAMED if (at := place(key)) is not None},
        steps_at=_steps_at(parts),
        titles=titles,
        poses_at=_poses_at(parts, index),
        units={c.title: c.unit for part in reversed(parts) for c in part.columns.values() if c.unit},
    )


def _poses_at(parts: Sequence[Part], index: Sequence[NDArray[np.intp]]) -> dict[int, Said]:
    """Return where each reference pose stands, if they are few enough to have been typed."""
    for part, at in zip(parts, index, strict=True):
        if "reference x" in part.numbers:
            page, position = part.table.page, part.columns["reference x"].position
            rows = np.flatnonzero(~np.isnan(part.numbers["reference x"]))
            lines = [(int(at[row]), int(part.line[row])) for row in rows if len(rows) <= _MOST_POSES]
            return {
                row: Said(page.path, line, part.table.place(line, position), page.lines[line - 1])
                for row, line in lines
            }
    return {}


def _steps_at(parts: Sequence[Part]) -> dict[str, Said]:
    """Return where each step is named first."""
    part = next((part for part in parts if "step" in part.words), None)
    if part is None:
        return {}
    page, position = part.table.page, part.columns["step"].position
    first: dict[str, int] = {}
    for row, word in enumerate(part.words["step"]):
        if word not in first:
            first[word] = int(part.line[row])
            if len(first) >= _MOST_STEPS:
                break
    return {
        word: Said(page.path, line, part.table.place(line, position), page.lines[line - 1])
        for word, line in first.items()
        if word
    }


def _common_time(times: Sequence[FloatArray]) -> tuple[FloatArray, list[NDArray[np.intp]]]:
    """Return all instants, and for each file which of them its rows are."""
    if len(times) == 1:
        return times[0], [np.arange(len(times[0]))]
    every = np.sort(np.concatenate(times))
    # Of instants closer than rounding the earliest stands for all; rows of one file are never merged.
    kept = every[np.concatenate([[True], np.diff(every) > _SAME_S])]
    index = [np.searchsorted(kept, t + 0.5 * _SAME_S, side="right") - 1 for t in times]
    if any(np.any(np.diff(i) <= 0) for i in index):
        kept = np.unique(every)
        index = [np.searchsorted(kept, t) for t in times]
    return kept, index


def _spread_out(words: Sequence[str], at: NDArray[np.intp], n: int, carried: bool) -> tuple[str, ...]:
    out = [""] * n
    for row, word in zip(at.tolist(), words, strict=True):
        out[row] = word
    if carried:
        given = np.zeros(n, dtype=bool)
        given[at] = True
        for row in range(1, n):
            if not given[row]:
                out[row] = out[row - 1]
    return tuple(out)
