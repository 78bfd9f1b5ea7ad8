"""Keys under pictures: a swatch and its words, as many to a line as fit."""

from __future__ import annotations

from collections.abc import Sequence

from driftgate.report.svg import WIDTH, text, width_of

# A swatch is 20 by 12.
Item = tuple[str, str]
_SIZE, _LINE, _LEFT = 10.5, 18.0, 8.0


def _rows(items: Sequence[Item], width: float) -> list[list[tuple[float, Item]]]:
    rows: list[list[tuple[float, Item]]] = [[]]
    x = _LEFT
    for item in items:
        wide = 26.0 + width_of(item[1], _SIZE) + 14.0
        if rows[-1] and x + wide > width:
            rows.append([])
            x = _LEFT
        rows[-1].append((x, item))
        x += wide
    return rows


def legend_height(items: Sequence[Item], width: float = WIDTH) -> float:
    """Return how high a key is."""
    return len(_rows(items, width)) * _LINE + 4.0


def legend(items: Sequence[Item], top: float, width: float = WIDTH) -> str:
    """Return a key whose first line begins at a height."""
    parts = []
    for k, row in enumerate(_rows(items, width)):
        for x, (swatch, words) in row:
            y = top + k * _LINE
            parts.append(
                f'<g transform="translate({x:.1f} {y:.1f})">{swatch}{text(26, 10, words, "small")}</g>'
            )
    return f'<g class="key">{"".join(parts)}</g>'
