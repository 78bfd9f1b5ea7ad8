"""One file of a run: its cells as arrays, each with its place."""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.load.text import shorten
from driftgate.load.wording import one_of
from driftgate.logs.cells import ECHO_ADVICE, NO_ECHO, NUMBER, instead
from driftgate.logs.columns import Column, read_header
from driftgate.logs.cut_off import cut_row
from driftgate.logs.preamble import LOG_KEY, Preamble, first_line_holds, read_preamble
from driftgate.logs.table import Table
from driftgate.logs.values import REFERENCES

# In the array of a range column, beside nan for a sensor that did not fire.
_NOTHING_CAME = -1.0
# Nothing that a log can hold is larger; seconds since 1970 are the largest.
_LARGEST: Final = 1e11


@dataclass(frozen=True, eq=False)
class Part:
    """A file of a run.

    Attributes
    ----------
    table : Table
        The file.
    preamble : Preamble
        What it says of the run.
    columns : dict of str to Column
        Its columns by title.
    line : ndarray of int, shape (n,)
        In which line each row stands.
    numbers : dict of str to ndarray, shape (n,)
        Columns of numbers in SI, nan where blank; -1 in a range column where nothing came back.
    words : dict of str to tuple of str
        Columns of words.
    """

    table: Table
    preamble: Preamble
    columns: dict[str, Column]
    line: NDArray[np.intp]
    numbers: dict[str, FloatArray]
    words: dict[str, tuple[str, ...]]

    def say(self, code: str, row: int, title: str, message: str, advice: str = "") -> None:
        """Add a finding about a cell."""
        line = int(self.line[row])
        self.table.page.say(code, line, self.table.place(line, self.columns[title].position), message, advice)

    def warn(self, code: str, row: int, title: str, message: str, advice: str = "") -> None:
        """Add a warning about a cell."""
        line = int(self.line[row])
        at = self.table.place(line, self.columns[title].position)
        self.table.page.say(code, line, at, message, advice, "warning")


def read_part(table: Table) -> Part | None:
    """Return the file's arrays, or None if it is no log or has faults; they are on its page."""
    if not first_line_holds(table, LOG_KEY):
        return None
    preamble = read_preamble(table)
    columns = read_header(table)
    if table.page.errors:
        return None
    line, numbers, words = _filled(table, columns)
    part = Part(table, preamble, columns, line, numbers, words)
    _check_time(part)
    if not table.page.errors:
        _check_rows(part)
    return part if not table.page.errors else None


def _filled(
    table: Table, columns: dict[str, Column]
) -> tuple[NDArray[np.intp], dict[str, FloatArray], dict[str, tuple[str, ...]]]:
    lines = array("q")
    numbers = {c.title: array("d") for c in columns.values() if c.dimension}
    # One object for each word, however often it is there.
    seen: dict[str, str] = {}
    words: dict[str, list[str]] = {c.title: [] for c in columns.values() if not c.dimension}
    # Bound once: a long log has millions of cells.
    numeric = [(c, c.position, numbers[c.title].append) for c in columns.values() if c.dimension]
    others = [(c, c.position, words[c.title].append) for c in columns.values() if not c.dimension]
    cut_at = cut_row(table, columns)
    for line, cells in table.rows({c.position for c in columns.values()}, cut_at):
        lines.append(line)
        for column, position, add in numeric:
            cell = cells[position]
            add(_number(table, line, column, cell) if cell or column.title == "time" else math.nan)
        for column, position, put in others:
            cell = cells[position]
            put(seen.setdefault(cell, cell))
            if column.title == "reference by" and cell and cell not in REFERENCES:
                at = table.place(line, column.position)
                table.page.say("DG607", line, at, f"expected {one_of(REFERENCES)}, got '{shorten(cell)}'")
    return (
        np.array(lines, dtype=np.intp),
        {title: np.array(values, dtype=float) for title, values in numbers.items()},
        {title: tuple(values) for title, values in words.items()},
    )


def _number(table: Table, line: int, column: Column, cell: str) -> float:
    if NUMBER.fullmatch(cell):
        value = column.si(float(cell))
        if -_LARGEST < value < _LARGEST and (value >= 0.0 or column.kind != "range"):
            return value
    elif cell == NO_ECHO and column.kind == "range":
        return _NOTHING_CAME
    _say_no_number(table, line, column, cell)
    return math.nan


def _say_no_number(table: Table, line: int, column: Column, cell: str) -> None:
    is_range = column.kind == "range"
    if NUMBER.fullmatch(cell):
        value = column.si(float(cell))
        words = "a range is not below zero" if is_range and value < 0.0 else f"'{shorten(cell)}' is too large"
        advice = ECHO_ADVICE if is_range else ""
    else:
        words, advice = f"'{shorten(cell)}' is no number", instead(cell, column.title)
        if not cell:
            words = "the time is missing"
    table.page.say("DG607", line, table.place(line, column.position), words, advice)


def _check_time(part: Part) -> None:
    """Find time that stands or runs back."""
    time = part.numbers["time"]
    for i in np.flatnonzero(np.diff(time) <= 0.0):
        row = int(i) + 1
        if time[row] < time[i]:
            words = f"the time runs back by {time[i] - time[row]:.6g} s"
            part.say("DG608", row, "time", words, "one log has one run, with one clock")
        elif _same(part, int(i), row):
            part.say("DG608", row, "time", "this row is the one before once more", "delete it")
        else:
            part.say(
                "DG608", row, "time", "the time is that of the row before", "write one row for each time"
            )


def _check_rows(part: Part) -> None:
    """Find cells of one row that contradict each other."""
    for titles in (("believed x", "believed y", "believed heading"), ("reference x", "reference y")):
        if titles[0] in part.columns:
            _check_whole(part, titles)
    if "reference by" in part.columns:
        _check_reference(part)
    for column in part.columns.values():
        if column.kind == "fix":
            silent = np.isnan(part.numbers[f"range {column.name}"])
            says = np.array([bool(word) for word in part.words[column.title]], dtype=bool)
            for at in np.flatnonzero(silent & says):
                words = f"a fix, but no reading of '{shorten(column.name)}' in this row"
                part.say(
                    "DG612", int(at), column.title, words, "leave it blank where the sensor did not fire"
                )


def _same(part: Part, a: int, b: int) -> bool:
    lines = part.table.page.lines
    return bool(lines[part.line[a] - 1].strip() == lines[part.line[b] - 1].strip())


def _check_whole(part: Part, titles: tuple[str, ...]) -> None:
    blank = np.stack([np.isnan(part.numbers[title]) for title in titles])
    for row in np.flatnonzero(blank.any(axis=0) & ~blank.all(axis=0)):
        missing = titles[int(np.argmax(blank[:, row]))]
        part.say("DG612", int(row), missing, f"'{missing}' is blank, but the rest of the pose is there")


def _check_reference(part: Part) -> None:
    known = ~np.isnan(part.numbers["reference x"])
    if "reference heading" in part.columns:
        known = known | ~np.isnan(part.numbers["reference heading"])
    says = np.array([bool(word) for word in part.words["reference by"]], dtype=bool)
    for row in np.flatnonzero(known != says):
        words = "no reference in this row" if says[row] else "by what was the reference measured?"
        part.say("DG612", int(row), "reference by", words, "" if says[row] else f"write {one_of(REFERENCES)}")
