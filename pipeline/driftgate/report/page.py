"""The frame of every page: nothing is fetched, nothing runs but its own script, and it prints."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from driftgate.core.many import first_of
from driftgate.report.caution import FULL
from driftgate.report.style import colours_css
from driftgate.report.symbols import STYLES, sign
from driftgate.report.text import esc


def policy(style: str, script: str) -> str:
    """Return the content security policy under which just this style and this script count.

    Whatever a text of a stranger might do, the page fetches nothing, sends nothing and runs nothing else.
    """
    scripts = f"script-src {_hash(script)}" if script else "script-src 'none'"
    return f"default-src 'none'; style-src {_hash(style)}; {scripts}; base-uri 'none'; form-action 'none'"


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def page(
    title: str, head: Iterable[str], body: Iterable[str], foot: Iterable[str], style: str, script: str = ""
) -> str:
    """Return a page.

    Parameters
    ----------
    title : str
        Its title, from anywhere.
    head, body, foot : iterable of str
        What stands in its landmarks: markup, every text in it escaped already.
    style, script : str
        Its own rules and its own script.
    """
    rules = colours_css() + style
    run = f"<script>{script}</script>\n" if script else ""
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy(rules, script)}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{esc(title)}</title>\n<style>{rules}</style>\n</head>\n<body>\n"
        '<a class="skip" href="#main">Skip to the results</a>\n'
        f'<header>\n{_lines(head)}\n</header>\n<main id="main">\n{_lines(body)}\n</main>\n'
        f"<footer>\n{_lines(foot)}\n</footer>\n{run}</body>\n</html>\n"
    )


def _lines(parts: Iterable[str]) -> str:
    return "\n".join(part for part in parts if part)


def words_list(lines: Sequence[str], most: int = 60) -> str:
    """Return texts as a list; beyond `most`, how many more there are."""
    shown = first_of(lines, most)
    return "<ul>" + "".join(f"<li>{esc(line)}</li>" for line in shown) + "</ul>" if lines else ""


def verdict(status: str, more: str = "") -> str:
    """Return a verdict as sign and word."""
    words = f"{sign(status)} {status}{f' {more}' if more else ''}"
    return f'<span class="word {STYLES[status]}">{esc(words)}</span>'


def badge(status: str) -> str:
    """Return a verdict that stands out: sign, word and border."""
    return f'<span class="badge {STYLES[status]} {status}">{esc(f"{sign(status)} {status}")}</span>'


def cautions() -> str:
    """Return what a pass is not, and how to behave near a robot."""
    return (
        '<section class="caution" aria-labelledby="caution"><h2 id="caution">Before the robot moves</h2>'
        f"{words_list(FULL)}</section>"
    )


def scrolled(inner: str, words: str, style: str = "scroll") -> str:
    """Return something wide in a frame of its own, which the keyboard can scroll too."""
    return f'<div class="{style}" role="region" tabindex="0" aria-label="{esc(words)}">{inner}</div>'


@dataclass(frozen=True)
class Row:
    """A row of a table: markup, the first cell its header.

    Attributes
    ----------
    head : str
        What the row is about.
    cells : sequence of str
        The other cells. One that begins with "#" is a number; one may bring its own td.
    more : str
        Attributes of the row.
    """

    head: str
    cells: Sequence[str]
    more: str = ""


def table(header: Sequence[str], rows: Iterable[Row], caption: str, stacked: bool = True) -> str:
    """Return a table.

    Parameters
    ----------
    header : sequence of str
        Titles of the columns; one that begins with "#" is above numbers.
    rows : iterable of Row
        What stands below.
    caption : str
        What the table is of.
    stacked : bool
        Whether a phone shows each row as a block, every cell with its column's title before it. A table of
        short numbers is easier to read as it is.
    """
    cells = "".join(header_cell(name) for name in header)
    body = "".join(_row(one, header) for one in rows)
    inner = f"{captioned(caption)}<thead><tr>{cells}</tr></thead><tbody>{body}</tbody>"
    return scrolled(f"<table>{inner}</table>", caption, "scroll stack" if stacked else "scroll")


def captioned(words: str) -> str:
    """Return a table's caption, which stays on the screen when the table is wider than that."""
    return f'<caption><span class="told">{esc(words)}</span></caption>'


def header_cell(name: str) -> str:
    """Return the title of a column, which holds numbers if it begins with "#"."""
    style = ' class="n"' if name.startswith("#") else ""
    return f'<th scope="col"{style}>{esc(name.removeprefix("#"))}</th>'


def _row(one: Row, header: Sequence[str]) -> str:
    inner = "".join(_cell(cell, title) for cell, title in zip(one.cells, header[1:], strict=True))
    return f'<tr{one.more}><th scope="row">{one.head}</th>{inner}</tr>'


def _cell(cell: str, title: str) -> str:
    if cell.startswith("<td"):
        return labelled(cell, title)
    plain = f'<td class="n">{cell[1:]}</td>' if cell.startswith("#") else f"<td>{cell}</td>"
    return labelled(plain, title)


def labelled(cell: str, title: str) -> str:
    """Return a td with the title of its column, which stands before it where rows are stacked."""
    return cell.replace("<td", f'<td data-label="{esc(title.removeprefix("#"))}"', 1)
