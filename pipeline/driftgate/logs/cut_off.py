"""A last row that was cut off while it was written, as when the robot is switched off.

What is left of it may look like a sound row: 12.3 is a number, too, where 12.3456 was to be written. A whole
row ends in a line end; a file typed by hand may lack that, and then its last cell says whether it is whole.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from driftgate.load.text import shorten
from driftgate.logs.cells import NO_ECHO, NUMBER
from driftgate.logs.columns import Column
from driftgate.logs.table import RowError, Table, split_row
from driftgate.logs.values import REFERENCES

_BLANK: Final = ", \t"
# Cells of the last column that tell how many decimals all have, and rows that are looked through for them.
_LEAST_TOLD: Final = 3
_MOST_ROWS: Final = 1000
_DECIMALS: Final = re.compile(r"[^.]*\.([0-9]*)", re.ASCII)


def cut_row(table: Table, columns: Mapping[str, Column]) -> int | None:
    """Return the line of the last row if it was cut off, and say so in a warning; None if it is whole.

    Parameters
    ----------
    table : Table
        A log.
    columns : mapping of str to Column
        Its columns.
    """
    page, width = table.page, len(table.header)
    filled = [n for n in range(len(page.lines), table.header_line, -1) if page.lines[n - 1].strip(_BLANK)]
    if len(filled) < 2 or page.lines[filled[0] - 1].startswith("#"):
        return None
    number, ended = filled[0], filled[0] < len(page.lines)
    line = page.lines[number - 1]
    try:
        cells = [cell.text for cell in split_row(line)]
    except RowError as error:
        if ended or "not closed" not in error.reason:
            return None
        cells = []
    if 0 < len(cells) < width:
        count = "1 cell" if len(cells) == 1 else f"{len(cells)} cells"
        words = f"the last row is cut off, and left out: it has {count}, the header {width}"
        advice = "delete it; if it is whole, a cell without a value is left blank, with its comma"
    elif ended or len(cells) > width or (cells and _is_whole(table, columns, cells[-1], filled[1:])):
        return None
    else:
        last = f", and '{shorten(cells[-1], 20)}' may be a part of what was to be written" if cells else ""
        words = f"the last row ends without a line end{last}: it is left out"
        advice = "delete it; if it is whole, end it with a line end"
    page.say("DG606", number, len(line) + 1, words, advice, "warning")
    return number


def _is_whole(table: Table, columns: Mapping[str, Column], cell: str, before: list[int]) -> bool:
    """Return whether the last cell of a file without a line end cannot be the beginning of another one."""
    column = next((c for c in columns.values() if c.position == len(table.header) - 1), None)
    if not cell or column is None:
        return True
    if column.title == "reference by":
        return cell in REFERENCES
    others = _last_cells(table, before)
    if not column.dimension:
        return cell in others or not any(other.startswith(cell) for other in others)
    if cell == NO_ECHO:
        return True
    # Numbers that all have so many decimals are printed so; what they are cut to has fewer.
    told = {_decimals(other) for other in others if NUMBER.fullmatch(other)}
    return len(others) >= _LEAST_TOLD and _decimals(cell) > 0 and told == {_decimals(cell)}


def _last_cells(table: Table, lines: list[int]) -> list[str]:
    found = []
    for number in lines[:_MOST_ROWS]:
        cell = table.page.lines[number - 1].rpartition(",")[2].strip().strip('"')
        if cell:
            found.append(cell)
    return found


def _decimals(cell: str) -> int:
    match = _DECIMALS.fullmatch(cell)
    return len(match.group(1)) if match else 0
