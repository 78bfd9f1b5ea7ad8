"""What pictures are made of: numbers, texts, shapes, patterns. Every text is escaped here."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Final

from driftgate.report.style import asset, colours_css
from driftgate.report.text import esc

Point = tuple[float, float]

# Stands at the beginning of every picture file: what is overwritten is known to be ours.
MARK: Final = "driftgate picture"
WIDTH: Final = 640
# Rough width of a letter, as a share of its size: for keeping labels apart.
_LETTER = 0.56
# By how much of a box a place must be freer for each one it is further, and another form of the label.
_FURTHER = 0.004
_OTHER = 0.02


def num(value: float, digits: int = 1) -> str:
    """Return a coordinate, short."""
    text = f"{value:.{digits}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("-0", "") else text


def title(text: str) -> str:
    """Return what is shown over a shape, and read for it."""
    return f"<title>{esc(text)}</title>"


def text(x: float, y: float, words: str, style: str = "", anchor: str = "") -> str:
    """Return a text at a place; `anchor` is "middle" or "end"."""
    at = f' text-anchor="{anchor}"' if anchor else ""
    return f'<text x="{num(x)}" y="{num(y)}"{_class(style)}{at}>{esc(words)}</text>'


def line(a: Point, b: Point, style: str, more: str = "") -> str:
    """Return a straight line."""
    return f'<line x1="{num(a[0])}" y1="{num(a[1])}" x2="{num(b[0])}" y2="{num(b[1])}"{_class(style)}{more}/>'


def rect(x: float, y: float, width: float, height: float, style: str, more: str = "", inner: str = "") -> str:
    """Return a rectangle."""
    size = f'x="{num(x)}" y="{num(y)}" width="{num(max(width, 0.0))}" height="{num(max(height, 0.0))}"'
    end = f">{inner}</rect>" if inner else "/>"
    return f"<rect {size}{_class(style)}{more}{end}"


def path(points: Sequence[Point], style: str, closed: bool = False, more: str = "", inner: str = "") -> str:
    """Return a line through points."""
    steps = []
    for i, (x, y) in enumerate(points):
        steps.append(f"{'ML'[min(i, 1)]}{num(x)} {num(y)}")
    shape = "".join(steps) + ("Z" if closed else "")
    end = f">{inner}</path>" if inner else "/>"
    return f'<path d="{shape}"{_class(style)}{more}{end}'


def circle(x: float, y: float, radius: float, style: str, more: str = "", inner: str = "") -> str:
    """Return a disc."""
    end = f">{inner}</circle>" if inner else "/>"
    return f'<circle cx="{num(x)}" cy="{num(y)}" r="{num(radius, 2)}"{_class(style)}{more}{end}'


def oval(x: float, y: float, rx: float, ry: float, turn_deg: float, style: str, inner: str = "") -> str:
    """Return an ellipse, turned clockwise as the screen has it."""
    turn = f' transform="rotate({num(turn_deg)} {num(x)} {num(y)})"' if abs(turn_deg) > 0.05 else ""
    size = f'cx="{num(x)}" cy="{num(y)}" rx="{num(rx, 2)}" ry="{num(ry, 2)}"'
    end = f">{inner}</ellipse>" if inner else "/>"
    return f"<ellipse {size}{_class(style)}{turn}{end}"


def cross(x: float, y: float, size: float, style: str, more: str = "", inner: str = "") -> str:
    """Return a cross: what failed has this shape wherever it is shown."""
    s = size
    shape = f"M{num(x - s)} {num(y - s)}l{num(2 * s)} {num(2 * s)}m{num(-2 * s)} 0l{num(2 * s)} {num(-2 * s)}"
    end = f">{inner}</path>" if inner else "/>"
    return f'<path d="{shape}"{_class(style)}{more}{end}'


def group(parts: Iterable[str], style: str = "", more: str = "") -> str:
    """Return shapes as one."""
    return f"<g{_class(style)}{more}>{''.join(parts)}</g>"


def _class(style: str) -> str:
    return f' class="{style}"' if style else ""


def step_mark(number: int) -> str:
    """Return the attribute by which everything of one step is found."""
    return f' data-step="{number}"'


def width_of(words: str, size: float = 12.0) -> float:
    """Return about how wide a text is."""
    return len(words) * size * _LETTER


class Labels:
    """Places for labels, none over another if it can be helped."""

    def __init__(self) -> None:
        self._taken: list[tuple[float, float, float, float]] = []

    def block(self, x: float, y: float, width: float, height: float) -> None:
        """Keep a box free of labels."""
        self._taken.append((x, y, x + width, y + height))

    def place(self, width: float, height: float, wanted: Sequence[Point]) -> Point:
        """Return the one of some upper left corners, near ones first, at which a box is least covered.

        A place further down the list has to be freer by `_FURTHER` of the box for each one it is further.
        """
        return self.place_one_of([(width, height, wanted)])[1]

    def place_one_of(self, boxes: Sequence[tuple[float, float, Sequence[Point]]]) -> tuple[int, Point]:
        """Return which of some boxes is least covered, and at which of its corners.

        Each has its width, height and wanted corners. A later one has to be freer by `_OTHER` of itself.
        """
        least, which, at = float("inf"), 0, boxes[0][2][0]
        for k, (width, height, wanted) in enumerate(boxes):
            for i, corner in enumerate(wanted):
                further = _FURTHER * i + _OTHER * k
                if further >= least:
                    break
                cost = self._covered(*corner, width, height) / (width * height) + further
                if cost < least:
                    least, which, at = cost, k, corner
        self.block(*at, *boxes[which][:2])
        return which, at

    def _covered(self, x: float, y: float, width: float, height: float) -> float:
        total = 0.0
        for a, b, c, d in self._taken:
            wide, high = min(x + width, c) - max(x, a), min(y + height, d) - max(y, b)
            if wide > 0.0 and high > 0.0:
                total += wide * high
        return total


def around(x: float, y: float, width: float, height: float, gap: float) -> list[Point]:
    """Return upper left corners of boxes around a place, near ones first."""
    found = []
    for far in (gap, gap + 10.0, gap + 22.0, gap + 36.0, gap + 52.0, gap + 70.0, gap + 90.0):
        found += [
            (x + far, y - height / 2.0),
            (x - far - width, y - height / 2.0),
            (x - width / 2.0, y - far - height),
            (x - width / 2.0, y + far),
            (x + 0.7 * far, y - 0.7 * far - height),
            (x + 0.7 * far, y + 0.7 * far),
            (x - 0.7 * far - width, y - 0.7 * far - height),
            (x - 0.7 * far - width, y + 0.7 * far),
        ]
    inside = [(a, b) for a, b in found if a >= 2.0 and a + width <= WIDTH - 2.0 and b >= 2.0]
    return inside or found


def round_step(span: float, most: int) -> float:
    """Return a round distance between ticks so that at most `most` fit into a span."""
    if span <= 0.0:
        return 1.0
    size = 1e-6
    while True:
        for factor in (1.0, 2.0, 5.0):
            if span / (size * factor) <= most:
                return size * factor
        size *= 10.0


def _stripes(name: str, size: int, shapes: str) -> str:
    return (
        f'<pattern id="p-{name}" width="{size}" height="{size}" patternUnits="userSpaceOnUse">'
        f'<rect width="{size}" height="{size}" class="p-paper"/>{shapes}</pattern>'
    )


# Every pattern differs in its shapes, not in colour alone.
PATTERNS: Final = (
    "<defs>"
    + _stripes("structure", 6, '<path d="M0 6L6 0" class="p-soft" stroke-width=".9"/>')
    + _stripes(
        "rough",
        7,
        '<circle cx="2" cy="2" r=".9" class="p-dot"/><circle cx="5.5" cy="5.5" r=".9" class="p-dot"/>',
    )
    + _stripes("loose", 5, '<path d="M0 0L5 5M0 5L5 0" class="p-loose" stroke-width=".5"/>')
    + _stripes("away", 6, '<path d="M0 6L6 0" class="p-soft" stroke-width="1"/>')
    + _stripes("poor", 5, '<circle cx="2.5" cy="2.5" r="1" class="p-dot"/>')
    + _stripes("blocked", 5, '<path d="M1.5 0L1.5 5" class="p-loose" stroke-width="2.2"/>')
    + _stripes("moving", 5, '<path d="M0 1.5H5" class="p-soft" stroke-width="1.4"/>')
    + _stripes("refused", 4, '<path d="M0 0L4 4M0 4L4 0" class="p-bad" stroke-width=".9"/>')
    + _stripes("dark", 4, '<path d="M0 0L4 4" class="p-ink" stroke-width="1"/>')
    + _stripes("sheet", 5, '<path d="M0 5L5 0" class="p-plan" stroke-width="1.5"/>')
    + _stripes("guess", 5, '<circle cx="2.5" cy="2.5" r="1.2" class="p-plandot"/>')
    + "</defs>"
)


def drawing(
    parts: Iterable[str], height: float, words: str, more: str = "", width: float = WIDTH, style: str = ""
) -> str:
    """Return a picture that stands in a page which has the patterns and the rules.

    Parameters
    ----------
    parts : iterable of str
        Its shapes.
    height, width : float
        Of its frame.
    words : str
        What it shows, for those who do not see it.
    more : str
        Further attributes.
    style : str
        Further classes.
    """
    frame = f'viewBox="0 0 {num(width)} {num(height)}"'
    names = f"drawing {style}".strip()
    return f'<svg class="{names}" {frame} role="img" aria-label="{esc(words)}"{more}>{"".join(parts)}</svg>'


def alone(picture: str, heading: str) -> str:
    """Return a picture as a file of its own: with colours, rules, patterns and a heading inside."""
    rules = f"<style>\n{colours_css()}{asset('picture.css')}</style>"
    begin, inner = picture.split(">", 1)
    width, height = re.findall(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', begin)[0]
    size = f'xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}"'
    begin = begin.replace("<svg", f"<svg {size}", 1)
    ground = '<rect width="100%" height="100%" class="paper"/>'
    return f"<!-- {MARK} -->\n{begin}>{title(heading)}{rules}{PATTERNS}{ground}{inner}\n"


def defs() -> str:
    """Return the patterns for a page, in a picture that takes no room."""
    size = 'width="0" height="0" aria-hidden="true" focusable="false"'
    return f'<svg class="drawing defs" {size}>{PATTERNS}</svg>'
