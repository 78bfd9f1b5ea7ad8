"""Text from files made harmless for each place it is printed in."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from html import escape

from driftgate.core.render import LOG_COMMAND

# Controls, formats (they can reverse or hide what follows), surrogates, unassigned, line and
# paragraph separators: none of them belongs in one line of a report.
_HIDDEN = ("Cc", "Cf", "Cs", "Cn", "Co", "Zl", "Zp")
# Inside a line only these have a meaning in the dialects of pull requests: markup, tables, HTML,
# links and mentions, formulas, and addresses that become links by themselves.
_MARKDOWN = re.compile(r"([\\`*_\[\]#!|~<>&@:$]|(?<=[wW]{3})\.)")

# What stands for itself between backquotes, in and out of tables, in every dialect.
_CODE = re.compile(r"[\w ./=%+,:@(){}'\"^-]+")


def plain(text: str) -> str:
    """Return a text as one line that steers neither a terminal nor a build server that reads the log.

    Hidden characters become escapes, and so does one character of what such a server would obey.
    """
    shown = "".join(c if unicodedata.category(c) not in _HIDDEN else _escape(c) for c in text)
    return LOG_COMMAND.sub(lambda mark: _escape(mark.group()), shown)


def _escape(character: str) -> str:
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def esc(text: str) -> str:
    """Return a text from anywhere as HTML and SVG show it: markup in it is text."""
    return escape(plain(text), quote=True)


def markdown(text: str) -> str:
    """Return a text that Markdown shows as it stands: no markup, links, mentions or HTML.

    Everything that has a meaning is written as a character reference, which no dialect reads as
    markup, also inside a table.
    """
    return _MARKDOWN.sub(lambda m: f"&#{ord(m.group(1))};", plain(text))


def markdown_code(text: str) -> str:
    """Return a text that Markdown shows as it stands, as code, also inside a table."""
    shown = plain(text)
    if shown.strip() and _CODE.fullmatch(shown):
        return f"`{shown}`"
    return f"<code>{markdown(text)}</code>"


def table(header: tuple[str, ...], rows: Sequence[tuple[str, ...]], indent: str = "  ") -> list[str]:
    """Return lines of a table with columns as wide as their longest cell.

    A title of several lines makes a header of as many, with their last lines above the rows. A row of one
    cell runs over all columns.
    """
    if not rows:
        return []
    titles = [title.split("\n") for title in header]
    height = max(len(title) for title in titles)
    titles = [[""] * (height - len(title)) + title for title in titles]
    whole = [tuple(title[k] for title in titles) for k in range(height)]
    lines = [*whole, *rows]
    widths = [
        max(len(row[i]) for row in lines if len(row) > 1 or len(header) == 1) for i in range(len(header))
    ]
    return [
        (indent + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=False))).rstrip()
        for row in lines
    ]
