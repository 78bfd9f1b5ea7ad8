"""A CSV file cut into preamble, header and rows, each cell with its place.

The dialect is that of RFC 4180 (Y. Shafranovich, 2005) with two limits: a cell ends on the line on which
it begins, and blanks around a cell do not count. Files come from strangers: a cell is a text and nothing
else, whatever it looks like.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from driftgate.core.findings import Finding, Level
from driftgate.load.compose import MOST_FINDINGS
from driftgate.load.text import TextError, decoded_text, read_bytes, real_path, shown_path, split_lines
from driftgate.logs.cells import why_cells

LARGEST_BYTES: Final = 16 * 1024 * 1024
MOST_ROWS: Final = 200_000
MOST_COLUMNS: Final = 64
MOST_PREAMBLE: Final = 200
LONGEST_CELL: Final = 100
_BLANK: Final = ", \t"
# Of so many rows, and at least so many, nearly all have another number of cells than the header: it is one
# fault, and not one of each row.
_MOST_LOOKED_AT, _LEAST_ROWS, _HARDLY_ANY = 200, 3, 0.9

_PREAMBLE: Final = re.compile(r"#\s*([A-Za-z][A-Za-z ]*?)\s*:\s*(.*?)\s*")


@dataclass(frozen=True)
class Entry:
    """A line "# key: value" of the preamble; columns counted from 1."""

    key: str
    value: str
    line: int
    key_at: int
    value_at: int


@dataclass(frozen=True)
class Cell:
    """A cell without quotes and outer blanks, and the column in which it begins, from 1."""

    text: str
    at: int


@dataclass
class Page:
    """A file's lines, and the findings about them; those beyond the first hundred are not kept."""

    path: str
    lines: tuple[str, ...]
    findings: list[Finding] = field(default_factory=list)
    errors: int = 0

    def say(
        self, code: str, line: int, column: int, message: str, advice: str = "", level: Level = "error"
    ) -> None:
        """Add a finding."""
        self.errors += level == "error"
        if len(self.findings) < MOST_FINDINGS:
            excerpt = self.lines[line - 1] if line else ""
            self.findings.append(Finding(self.path, line, column, code, message, level, advice, excerpt))
        elif len(self.findings) == MOST_FINDINGS:
            self.findings.append(Finding(self.path, 0, 0, "DG114", "more findings left out", "note"))

    @property
    def full(self) -> bool:
        """Whether further findings would not be kept."""
        return len(self.findings) > MOST_FINDINGS


@dataclass(frozen=True)
class Table:
    """A file in parts.

    Attributes
    ----------
    page : Page
        The whole of it.
    preamble : tuple of Entry
        Its "# key: value" lines.
    header : tuple of Cell
        The header row; empty if there is none.
    header_line : int
        Where it stands; 0 if there is none.
    """

    page: Page
    preamble: tuple[Entry, ...]
    header: tuple[Cell, ...]
    header_line: int

    def rows(
        self, read: Collection[int] | None = None, cut_at: int | None = None
    ) -> Iterator[tuple[int, list[str]]]:
        """Return line number and cells of each sound row; findings about the others are added.

        Parameters
        ----------
        read : collection of int, optional
            Positions of the cells that are read; others may be of any length. By default all.
        cut_at : int, optional
            The line of a row that was cut off while it was written, and is left out.
        """
        page, width, count = self.page, len(self.header), 0
        positions = range(width) if read is None else sorted(read)
        for number in range(self.header_line + 1, len(page.lines) + 1):
            line = page.lines[number - 1]
            # A spreadsheet pads a table with rows of blank cells.
            if not line.strip(_BLANK) or number == cut_at:
                continue
            count += 1
            if count > MOST_ROWS:
                page.say("DG614", number, 1, f"the log has more than {MOST_ROWS} rows")
                return
            if line.startswith("#"):
                page.say("DG606", number, 1, "lines '# key: value' come before the header row only")
            else:
                cells = _quick(line) if '"' not in line else self._split(number)
                if count == 1 and cells is not None and self._none_fits(number, cells):
                    return
                if cells is not None and self._fits(number, cells, positions):
                    yield number, cells
            if page.full:
                return
        if not count:
            last = max(self.header_line, 1)
            page.say("DG606", last, 1, "there are no rows below the header")

    def place(self, line: int, position: int) -> int:
        """Return the column in which a cell of a sound row begins."""
        return split_row(self.page.lines[line - 1])[position].at

    def _split(self, number: int) -> list[str] | None:
        try:
            return [cell.text for cell in split_row(self.page.lines[number - 1])]
        except RowError as error:
            self.page.say("DG606", number, error.column, error.reason, error.advice)
            return None

    def _none_fits(self, first: int, cells: list[str]) -> bool:
        """Say so once where hardly a row has as many cells as the header; return whether that is so."""
        if len(cells) == len(self.header):
            return False
        lines = self.page.lines[self.header_line : self.header_line + _MOST_LOOKED_AT]
        counts = [line.count(",") + 1 for line in lines if line.strip(_BLANK) and not line.startswith("#")]
        other = sum(count != len(self.header) for count in counts)
        if other < max(_LEAST_ROWS, _HARDLY_ANY * len(counts)):
            return False
        words = f"the rows do not fit the header: this one has {_cells(len(cells))}, the header"
        self.page.say("DG606", first, 1, f"{words} {len(self.header)}", why_cells(cells, len(self.header)))
        return True

    def _fits(self, number: int, cells: list[str], positions: Iterable[int]) -> bool:
        width = len(self.header)
        if len(cells) != width:
            at = self.place(number, width) if len(cells) > width else len(self.page.lines[number - 1]) + 1
            self.page.say(
                "DG606",
                number,
                at,
                f"the row has {_cells(len(cells))}, the header {width}",
                why_cells(cells, width),
            )
            return False
        for i in positions:
            if len(cells[i]) > LONGEST_CELL:
                words = f"the cell has {len(cells[i])} characters, at most {LONGEST_CELL} are read"
                self.page.say("DG607", number, self.place(number, i), words)
                return False
        return True


class RowError(Exception):
    """Quotes of a row do not match; `column` counted from 1."""

    def __init__(self, column: int, reason: str, advice: str) -> None:
        super().__init__(reason)
        self.column, self.reason, self.advice = column, reason, advice


def split_row(line: str) -> list[Cell]:
    """Return the cells of a line.

    Raises
    ------
    RowError
        If a quote is not closed on this line, or stands inside or behind a cell.
    """
    cells, begin = [], 0
    while True:
        start = begin + len(line[begin:]) - len(line[begin:].lstrip())
        if line.startswith('"', start):
            text, end = _quoted(line, start)
        else:
            end = line.find(",", begin)
            end = len(line) if end < 0 else end
            text = line[begin:end]
            if '"' in text:
                at = begin + text.index('"')
                raise RowError(
                    at + 1, "a quote inside a cell", "put quotes around the cell and double this one"
                )
            start = min(start, end)
        cells.append(Cell(text.strip(), start + 1))
        if end >= len(line):
            return cells
        begin = end + 1


def _quoted(line: str, start: int) -> tuple[str, int]:
    """Return the text of a quoted cell and where the comma behind it stands."""
    at = start + 1
    while True:
        at = line.find('"', at)
        if at < 0:
            raise RowError(start + 1, "the quote is not closed on this line", "close it with another quote")
        if not line.startswith('"', at + 1):
            break
        at += 2
    rest = line.find(",", at)
    rest = len(line) if rest < 0 else rest
    if line[at + 1 : rest].strip():
        raise RowError(at + 2, "text behind a closing quote", "a quote inside a cell is written twice")
    return line[start + 1 : at].replace('""', '"'), rest


def _quick(line: str) -> list[str]:
    return [cell.strip() for cell in line.split(",")]


def _cells(count: int) -> str:
    return "1 cell" if count == 1 else f"{count} cells"


def open_table(path: Path, root: Path) -> tuple[Table | None, list[Finding]]:
    """Return a file in parts, or None and why it was not read."""
    try:
        real, top = real_path(path), real_path(root)
    except TextError as error:
        return None, [Finding(path.name, 0, 0, "DG101", error.reason)]
    shown = shown_path(real, top)
    try:
        # Where power fails while a card is written, a file may end in zero bytes: nothing was written there.
        text = decoded_text(read_bytes(real, top, LARGEST_BYTES).rstrip(b"\0"))
    except TextError as error:
        return None, [Finding(shown, error.line, error.column, "DG101", error.reason, excerpt=error.excerpt)]
    return table_of(text, shown), []


def table_of(text: str, path: str) -> Table:
    """Return a text in parts; findings about preamble lines and quotes are on its page."""
    page = Page(path, split_lines(text))
    entries: list[Entry] = []
    number, padded = 0, False
    for number, line in enumerate(page.lines, start=1):
        if not line.startswith("#"):
            break
        if number > MOST_PREAMBLE:
            page.say("DG614", number, 1, f"the preamble has more than {MOST_PREAMBLE} lines")
            return Table(page, tuple(entries), (), 0)
        match = _PREAMBLE.fullmatch(line)
        if match is None:
            page.say("DG602", number, 1, "expected '# key: value'", "for a remark write '# note: ...'")
        else:
            key, value = match.group(1), match.group(2)
            # A spreadsheet pads every line to the width of its table; a comma at the end of one is its own.
            padded = padded or (number == 1 and value.endswith(","))
            value = value.rstrip(_BLANK) if padded else value
            entries.append(Entry(key.lower(), value, number, match.start(1) + 1, match.start(2) + 1))
    while number <= len(page.lines) and not page.lines[number - 1].strip(_BLANK):
        number += 1
    if number > len(page.lines) or page.lines[number - 1].startswith("#"):
        return Table(page, tuple(entries), (), 0)
    header: list[Cell] = []
    try:
        header = split_row(page.lines[number - 1])
    except RowError as error:
        page.say("DG606", number, error.column, error.reason, error.advice)
    return Table(page, tuple(entries), tuple(header), number)
