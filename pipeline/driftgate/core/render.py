"""A finding as a person reads it in a terminal. Pure: a value in, a text out."""

from __future__ import annotations

import re
import unicodedata
from typing import Final

from driftgate.core.findings import Finding

WIDEST: Final = 100  # columns of an excerpt, so that it stays on one line of most terminals
# Build servers read commands off the log: lines that begin with "::", after blanks too, and "##[name]"
# or "##name[" anywhere in a line (from memory). Changing the one character found here undoes them; a colon
# may follow the text.
LOG_COMMAND: Final = re.compile(r"(?<!\S):(?=:|\Z)|(?<=#)#(?=\w*\[)")
_TAB: Final = "    "
_RESET: Final = "\x1b[0m"
_BOLD: Final = "\x1b[1m"
_COLORS: Final = {"error": "\x1b[1;31m", "warning": "\x1b[1;33m", "note": "\x1b[1;36m"}
_CARET_COLOR: Final = "\x1b[1;32m"


def render_finding(finding: Finding, color: bool) -> str:
    """Return a finding with its line of the file, a caret and a hint.

    Whatever comes from a file is made harmless first: control characters, terminal escapes and
    marks that reorder text are shown as U+FFFD. The excerpt stands behind its line number, so that
    no line of the output starts with text from a file.

    Parameters
    ----------
    finding : Finding
        What to show.
    color : bool
        Whether to add terminal colours.
    """
    place = visible(finding.path)
    if finding.line > 0:
        place += f":{finding.line}" + (f":{finding.column}" if finding.column > 0 else "")
    level = _colored(finding.level, _COLORS[finding.level], color)
    lines = [f"{_colored(place, _BOLD, color)}: {level} {finding.code}: {visible(finding.message)}"]
    if finding.excerpt and finding.line > 0:
        lines += _excerpt(finding, color)
    if finding.suggestion:
        lines.append(f"  hint: {visible(finding.suggestion)}")
    return "\n".join(lines)


def visible(text: str) -> str:
    """Return the text in one line with all that a terminal or a build server might obey made harmless."""
    return LOG_COMMAND.sub("\ufffd", "".join(_harmless(character) for character in text))


def display_width(text: str) -> int:
    """Return how many terminal columns a harmless text takes (Unicode annex 11, East Asian width)."""
    return sum(_columns(character) for character in text)


def _columns(character: str) -> int:
    if unicodedata.category(character) in ("Mn", "Me"):
        return 0
    return 2 if unicodedata.east_asian_width(character) in ("W", "F") else 1


def _harmless(character: str) -> str:
    if character in "\t\n\r":
        return " "
    # Controls, marks that reorder text, surrogates, private and unassigned ones, ends of lines.
    if character == "\xa0":
        return " "
    if not character.isprintable():
        return "\ufffd"
    return character


def _excerpt(finding: Finding, color: bool) -> list[str]:
    shown = LOG_COMMAND.sub("\ufffd", finding.excerpt)
    cells = [_TAB if c == "\t" else _harmless(c) for c in shown]
    at = min(max(finding.column - 1, 0), len(cells))
    begin, end = _window(cells, at)
    before = ("…" if begin > 0 else "") + "".join(cells[begin:at])
    text = before + "".join(cells[at:end]) + ("…" if end < len(cells) else "")
    gutter = f"{finding.line:>5} | "
    lines = [(gutter + text).rstrip()]
    if finding.column > 0:
        blank = " " * (len(gutter) - 2) + "| " + " " * display_width(before)
        lines.append(blank + _colored("^", _CARET_COLOR, color))
    return lines


def _window(cells: list[str], at: int) -> tuple[int, int]:
    """Return the slice to show: the whole line if it fits, else what surrounds the caret."""
    if sum(display_width(cell) for cell in cells) <= WIDEST:
        return 0, len(cells)
    begin, end = at, at
    room = WIDEST - 2  # for the two dots
    while room > 0 and (begin > 0 or end < len(cells)):
        # More goes to the right: what follows the place explains it better than what leads to it.
        left_next = begin > 0 and (end >= len(cells) or (at - begin) * 2 < end - at)
        width = display_width(cells[begin - 1] if left_next else cells[end])
        if width > room:
            break
        room -= width
        begin, end = (begin - 1, end) if left_next else (begin, end + 1)
    return begin, end


def _colored(text: str, code: str, color: bool) -> str:
    return f"{code}{text}{_RESET}" if color else text
