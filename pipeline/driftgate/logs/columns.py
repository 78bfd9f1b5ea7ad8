"""The header row: which column holds what, in which unit."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from driftgate.core.units import DIMENSIONS
from driftgate.load.text import shorten
from driftgate.load.wording import alike, listed
from driftgate.logs.cells import cells_by_other_sign, foreign_separator
from driftgate.logs.table import LONGEST_CELL, MOST_COLUMNS, Cell, Table

_NUMBERS: Final = {
    "time": "time",
    "forward": "length",
    "sideways": "length",
    "heading": "angle",
    "speed": "speed",
    "believed x": "length",
    "believed y": "length",
    "believed heading": "angle",
    "reference x": "length",
    "reference y": "length",
    "reference heading": "angle",
}
_TEXTS: Final = ("step", "reference by")
_NAMED: Final = ("range", "fix")
_USUAL: Final = {"length": "m", "angle": "deg", "time": "s", "speed": "m/s"}
# A column, and what it is nothing without.
_NEEDS: Final = (
    ("believed x", ("believed y", "believed heading")),
    ("believed y", ("believed x", "believed heading")),
    ("believed heading", ("believed x", "believed y")),
    ("reference x", ("reference y", "reference by")),
    ("reference y", ("reference x", "reference by")),
    ("reference heading", ("reference x", "reference y", "reference by")),
    ("reference by", ("reference x", "reference y")),
)
_HEADING: Final = re.compile(r"([^\[\]]*?)\s*(?:\[\s*([^\[\]]*?)\s*\])?", re.DOTALL)

# A known word of so few letters is meant only where so much of it is there.
_SHORT: Final = 5
_SHORT_ALIKE: Final = 0.75

# Header, dimension: what a list of beacons has.
BEACON_COLUMNS: Final = {"x": "length", "y": "length"}


@dataclass(frozen=True)
class Column:
    """A column.

    Attributes
    ----------
    title : str
        Such as "forward", "range left".
    position : int
        Which cell of a row, from 0.
    at : int
        Column of the header line in which it begins, from 1.
    dimension : str
        Of its numbers; empty for words.
    factor : Fraction or float
        From the file's unit to SI.
    unit : str
        As the file has it.
    """

    title: str
    position: int
    at: int
    dimension: str = ""
    factor: Fraction | float = Fraction(1)
    unit: str = ""

    @property
    def kind(self) -> str:
        """The first word: "range" and "fix" have a name behind it."""
        return self.title.split(" ", 1)[0]

    @property
    def name(self) -> str:
        """Whose reading it is; empty for other columns."""
        return self.title.split(" ", 1)[1] if self.kind in _NAMED else ""

    def si(self, number: float) -> float:
        """Return a number of this column in SI; whole thousandths stay what they are."""
        if isinstance(self.factor, Fraction):
            return number * self.factor.numerator / self.factor.denominator
        return number * self.factor


def read_header(table: Table, beacons: bool = False) -> dict[str, Column]:
    """Return the columns by title; faults become findings of the page."""
    page, line = table.page, table.header_line
    if not table.header:
        if not line and not page.errors:
            page.say("DG603", 1, 1, "there is no header row")
        return {}
    if len(table.header) > MOST_COLUMNS:
        page.say("DG614", line, table.header[MOST_COLUMNS].at, f"more than {MOST_COLUMNS} columns")
        return {}
    advice = foreign_separator(table.header[0].text) if len(table.header) == 1 else ""
    if advice:
        words = f"the header row is one cell: '{shorten(table.header[0].text)}'"
        page.say("DG603", line, table.header[0].at, words, advice)
        return {}
    found: dict[str, Column] = {}
    strangers: list[tuple[Cell, str]] = []
    titles = [_title(cell) for cell in table.header]
    for position, cell in enumerate(table.header):
        if not beacons and _is_stranger(table, titles[position], titles):
            strangers.append((cell, titles[position]))
            continue
        column = _column(table, cell, position, beacons)
        if column is None:
            continue
        if column.title in found:
            words = f"the column '{shorten(column.title)}' is there twice"
            page.say("DG603", line, cell.at, words, "delete one of them")
        else:
            found[column.title] = column
    if page.errors:
        return found
    for needed in ("beacon", "x", "y") if beacons else ("time",):
        if needed not in found:
            unit = "" if needed == "beacon" else " [m]" if beacons else " [s]"
            page.say("DG603", line, 1, f"the column '{needed}{unit}' is missing")
    if not beacons and not page.errors:
        _check_together(table, found)
    if strangers and not page.errors:
        _say_strangers(table, strangers)
    return found


def titles_of(table: Table) -> tuple[str, ...]:
    """Return the titles of a table's columns as they stand there, without their units.

    Those of a header whose cells are separated by another sign than the comma, which is no sound one, too.
    """
    if len(table.header) == 1:
        whole = table.header[0]
        return tuple(_title(Cell(text.strip(), whole.at)) for text in cells_by_other_sign(whole.text))
    return tuple(_title(cell) for cell in table.header)


def _title(cell: Cell) -> str:
    match = _HEADING.fullmatch(cell.text)
    return "" if match is None or len(cell.text) > LONGEST_CELL else " ".join(match.group(1).split())


def _is_stranger(table: Table, title: str, titles: list[str]) -> bool:
    """Return whether a column is one of the team's own: no known one, and none misspelt.

    What is like a known column that the log lacks may be that one, and its numbers would be lost.
    """
    kind = title.partition(" ")[0]
    if not title or title in _NUMBERS or title in _TEXTS or kind in _NAMED:
        return False
    return not _meant(title, titles)


def _meant(title: str, titles: list[str]) -> str:
    """Return the known column that a title is most likely a misspelling of, or nothing."""
    missing = [known for known in (*_NUMBERS, *_TEXTS) if known not in titles]
    close = alike(title, [known.replace(" ", "-") for known in missing]).replace("-", " ")
    if not close:
        first = re.split(r"[ _-]", title.lower(), maxsplit=1)[0]
        close = next((kind for kind in _NAMED if first[:1] == kind[0] and alike(first, [kind])), "")
    # Short words are alike by chance: 'state' is no 'step'.
    word = title if close not in _NAMED else re.split(r"[ _-]", title, maxsplit=1)[0]
    ratio = difflib.SequenceMatcher(None, word.lower(), close).ratio() if close else 0.0
    return close if ratio >= (_SHORT_ALIKE if len(close) <= _SHORT else 0.0) else ""


def _say_strangers(table: Table, strangers: list[tuple[Cell, str]]) -> None:
    names = list(dict.fromkeys(f"'{shorten(title, 40)}'" for _, title in strangers))
    what = f"the column {names[0]} is" if len(names) == 1 else f"{len(names)} columns are"
    which = "" if len(names) == 1 else f": {listed(names, 8)}"
    advice = f"fine if it is your own; known are {', '.join([*_NUMBERS, *_TEXTS])}, range NAME, fix NAME"
    cell = strangers[0][0]
    words = f"{what} not known here and ignored{which}"
    table.page.say("DG603", table.header_line, cell.at, words, advice, "warning")


def _column(table: Table, cell: Cell, position: int, beacons: bool) -> Column | None:
    page, line = table.page, table.header_line
    match = _HEADING.fullmatch(cell.text)
    if match is None or len(cell.text) > LONGEST_CELL:
        page.say("DG603", line, cell.at, f"'{shorten(cell.text)}' is no column", "write 'name [unit]'")
        return None
    title, unit = " ".join(match.group(1).split()), match.group(2)
    numbers, texts = (BEACON_COLUMNS, ("beacon",)) if beacons else (_NUMBERS, _TEXTS)
    dimension = numbers.get(title)
    kind, _, name = title.partition(" ")
    if not beacons and kind in _NAMED:
        if not name:
            page.say("DG603", line, cell.at, f"'{title}' of which sensor?", f"write '{kind} NAME'")
            return None
        dimension = "length" if kind == "range" else None
    elif dimension is None and title not in texts:
        _say_unknown(table, cell, title, beacons)
        return None
    if dimension is None:
        if unit is not None:
            page.say("DG604", line, cell.at, f"'{title}' has no unit", f"write '{title}'")
            return None
        return Column(title, position, cell.at)
    usual = f"write '{shorten(title)} [{_USUAL[dimension]}]'"
    if unit is None:
        page.say("DG604", line, cell.at, f"the column '{shorten(title)}' does not say its unit", usual)
        return None
    factor = DIMENSIONS[dimension].units.get(unit)
    if factor is None:
        at = cell.at + cell.text.index("[")
        page.say("DG604", line, at, f"'{shorten(unit)}' is no unit of {DIMENSIONS[dimension].name}", usual)
        return None
    return Column(title, position, cell.at, dimension, factor, unit)


def _say_unknown(table: Table, cell: Cell, title: str, beacons: bool) -> None:
    close = (
        alike(title, ["beacon", *BEACON_COLUMNS])
        if beacons
        else _meant(title, list(map(_title, table.header)))
    )
    advice = ""
    if beacons:
        advice = (
            f"did you mean '{close}'?" if close else "a list of beacons has the columns beacon, x [m], y [m]"
        )
    elif close:
        own = "a column of your own needs a name less like it"
        advice = (
            f"did you mean '{close} NAME'? {own}" if close in _NAMED else f"did you mean '{close}'? {own}"
        )
    words = f"unknown column '{shorten(title)}'" if title else "a column without a name"
    table.page.say("DG603", table.header_line, cell.at, words, advice)


def _check_together(table: Table, found: dict[str, Column]) -> None:
    page, line = table.page, table.header_line
    for title, others in _NEEDS:
        missing = [other for other in others if other not in found]
        if title in found and missing:
            page.say("DG605", line, found[title].at, f"'{title}' needs the column '{missing[0]}' beside it")
            return
    for column in found.values():
        if column.kind == "fix" and f"range {column.name}" not in found:
            words = f"'{shorten(column.title)}' needs the column 'range {shorten(column.name)} [m]' beside it"
            page.say("DG605", line, column.at, words)
    if len(found) == 1:
        page.say("DG605", line, 1, "a log of the time alone says nothing", "add a column")
