"""What a cell of a log may hold, and what to write where it holds something else.

The slips are those of spreadsheets (separators, decimal commas, padding) and of sensors with a word or a
number of their own for "nothing came back": common practice, no source.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from typing import Final

# What a robot's program may print for a number: no "inf", "nan", hexadecimal or underscores.
NUMBER: Final = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?", re.ASCII)
NO_ECHO: Final = "none"

_DECIMAL_COMMA: Final = re.compile(r"([+-]?[0-9]*),([0-9]+(?:[eE][+-]?[0-9]{1,3})?)", re.ASCII)
_CLOCK: Final = re.compile(r"[0-9]+:[0-9:.]+", re.ASCII)
_BLANKS: Final = ("nan", "inf", "infinity", "null", "n/a", "none", "-", "--", "")
_SEPARATORS: Final = ((";", "semicolons"), ("\t", "tabs"), ("|", "bars"))
_POINT: Final = "numbers have a decimal point (1.23), not a comma"
ECHO_ADVICE: Final = (
    f"where nothing came back (no echo) write {NO_ECHO}, where the sensor did not fire leave the cell blank"
)
TIME_ADVICE: Final = "every row has its time by the robot's clock, in one number: write it, or delete the row"


def instead(cell: str, title: str) -> str:
    """Return what to write in place of a cell that is no number.

    Parameters
    ----------
    cell : str
        What stands there.
    title : str
        Of its column, such as "forward" or "range left".
    """
    if comma := _DECIMAL_COMMA.fullmatch(cell):
        whole, part = comma.groups()
        return f"write it with a decimal point: {whole if whole.strip('+-') else f'{whole}0'}.{part}"
    if title == "time":
        return "write seconds, in one number" if _CLOCK.fullmatch(cell) else TIME_ADVICE
    if NUMBER.match(cell):
        return "the header says the unit, the cell the number alone"
    if title.startswith("range "):
        return ECHO_ADVICE
    blank = cell.lower().lstrip("+-") in _BLANKS
    return "leave it blank" if blank else "write a number, or leave it blank where there is none"


def foreign_separator(text: str) -> str:
    """Return advice for a line that is one cell since no commas stand between its cells; else nothing."""
    for sign, name in _SEPARATORS:
        if sign in text:
            return f"cells are separated by commas, not by {name}, and {_POINT}"
    if "," in text:
        return "a row as a whole stands in no quotes: take them away"
    # Several units, and nothing between them that separates.
    return "cells are separated by commas, not by blanks" if text.count("[") > 1 else ""


def cells_by_other_sign(text: str) -> list[str]:
    """Return the cells of a line, if they are separated by something else than commas; else the line."""
    sign = next((sign for sign, _ in _SEPARATORS if sign in text), None)
    return [text] if sign is None else text.split(sign)


def why_cells(cells: Sequence[str], width: int) -> str:
    """Return why a row may have another number of cells than the header."""
    if len(cells) == 1 and (advice := foreign_separator(cells[0])):
        return advice
    if len(cells) == width + 1 and not cells[-1]:
        return "delete the comma at its end"
    if len(cells) > width:
        pairs = itertools.pairwise(cells)
        pair = next((each for each in pairs if each[0].strip("+-").isdigit() and each[1].isdigit()), None)
        shown = "" if pair is None else f": write {'.'.join(pair)}, not {','.join(pair)}"
        return f"is there a decimal comma? {_POINT}{shown}"
    return "a cell without a value is left blank, with its comma; a row that was cut off is to be deleted"
