"""The error budget as bars: each source begins where the last one ended, and all end at the total."""

from __future__ import annotations

import math
from typing import Final

from driftgate.judge.values import MomentVerdict, SourceShare
from driftgate.report.digits import amount_words
from driftgate.report.model import CaseReport
from driftgate.report.picture import CasePicture
from driftgate.report.svg import WIDTH, drawing, line, rect, text, title
from driftgate.report.svg_legend import legend, legend_height

_ROW, _TOP = 21.0, 24.0
_LEFT, _BARS = 178.0, 300.0
# Sources with less than this share stand together.
_LEAST: Final = 0.005
_MOST_ROWS: Final = 12


def budget_rows(moment: MomentVerdict) -> list[tuple[str, str, float, str]]:
    """Return title, basis, share and shown per cent of each source; small ones together; they add up.

    The per cents have one decimal and add up to 100.0: rounded down, the largest remainders up.
    """
    if moment.variance is None:
        return []
    big = [s for s in moment.variance.sources if s.share >= _LEAST][:_MOST_ROWS]
    rest: list[SourceShare] = [s for s in moment.variance.sources if s not in big and s.share > 0.0]
    rows = [(s.title, s.basis, s.share) for s in big]
    if len(rest) == 1:
        rows.append((rest[0].title, rest[0].basis, rest[0].share))
    elif rest:
        rows.append((f"{len(rest)} others", "", math.fsum(s.share for s in rest)))
    shown = _tenths([share for _, _, share in rows])
    return [(*row, f"{tenths / 10:.1f} %") for row, tenths in zip(rows, shown, strict=True)]


def _tenths(shares: list[float]) -> list[int]:
    """Return shares in tenths of a per cent that add up to what they add up to."""
    exact = [1000.0 * share for share in shares]
    found = [math.floor(value) for value in exact]
    missing = round(math.fsum(exact)) - sum(found)
    order = sorted(range(len(exact)), key=lambda i: (found[i] - exact[i], i))
    for i in order[:missing]:
        found[i] += 1
    return found


_KEYS: Final = {
    "b-measured": "measured",
    "b-sheet": "data sheet, or several bases",
    "b-guess": "guess",
    "box": "small ones together",
}


def budget_svg(case: CaseReport, picture: CasePicture | None = None, name: str = "") -> str:
    """Return the budget of one tolerance of a case, by default of the one that uses the most.

    Parameters
    ----------
    case : CaseReport
        The case.
    picture : CasePicture, optional
        Not needed; pictures of a case are all made alike.
    name : str
        Which tolerance.
    """
    moment = chosen_moment(case, name)
    if moment is None or moment.variance is None:
        return ""
    rows = budget_rows(moment)
    unit = "deg" if moment.binding == "heading" else "mm"
    scale = math.degrees(1.0) if unit == "deg" else 1000.0
    variance = (moment.variance.sd * scale) ** 2
    digits = 1 if variance >= 10.0 else 3
    heading = (
        f"{moment.name}, {moment.binding}: spread {amount_words(moment.variance.sd, moment.binding)}, "
        f"variance {variance:.{digits}f} {unit}\u00b2"
    )
    parts = [text(8.0, 15.0, heading, "strong")]
    begin = 0.0
    for k, (words, basis, share, percents) in enumerate(rows):
        y = _TOP + k * _ROW
        x = _LEFT + _BARS * begin
        amount = f"{variance * share:.{digits}f} {unit}\u00b2"
        tip = title(f"{words}{f' ({basis})' if basis else ''}: {percents} of the variance, {amount}")
        parts.append(text(_LEFT - 8.0, y + 14.0, words, "", "end"))
        parts.append(rect(x, y + 3.0, max(_BARS * share, 0.8), _ROW - 7.0, _style(basis), inner=tip))
        begin += share
        edge = _LEFT + _BARS * begin
        parts.append(line((edge, y + 3.0), (edge, y + 2.0 * _ROW - 4.0), "carry"))
        parts.append(text(_LEFT + _BARS + 58.0, y + 14.0, percents, "", "end"))
        parts.append(text(WIDTH - 8.0, y + 14.0, amount, "small", "end"))
    y = _TOP + len(rows) * _ROW
    parts.append(text(_LEFT - 8.0, y + 14.0, "together", "strong", "end"))
    parts.append(rect(_LEFT, y + 3.0, _BARS * begin, _ROW - 7.0, "total"))
    parts.append(text(_LEFT + _BARS + 58.0, y + 14.0, _sum_words(rows), "strong", "end"))
    parts.append(text(WIDTH - 8.0, y + 14.0, f"{variance:.{digits}f} {unit}\u00b2", "small strong", "end"))
    met = {_style(basis) for _, basis, _, _ in rows}
    items = [(rect(1, 1, 18, 10, style), words) for style, words in _KEYS.items() if style in met]
    bottom = y + _ROW + 8.0
    parts.append(legend(items, bottom))
    return drawing(parts, bottom + legend_height(items), _words(moment, rows), ' data-picture="budget"')


def _sum_words(rows: list[tuple[str, str, float, str]]) -> str:
    """Return what the per cents that are shown add up to."""
    tenths = sum(round(10.0 * float(percents.removesuffix(" %"))) for *_, percents in rows)
    return f"{tenths / 10:.1f} %"


def chosen_moment(case: CaseReport, name: str) -> MomentVerdict | None:
    """Return the tolerance of that name, or the one that uses the most."""
    if case.verdict is None:
        return None
    if name:
        return next((m for m in case.verdict.moments if m.name == name), None)
    known = [m for m in case.verdict.moments if m.variance is not None]
    return max(known, key=lambda m: math.inf if m.used is None else m.used, default=None)


def _words(moment: MomentVerdict, rows: list[tuple[str, str, float, str]]) -> str:
    parts = ", ".join(f"{words} {percents}" for words, _, _, percents in rows)
    return (
        f"Error budget at {moment.name} on {moment.binding}, shares of the variance: {parts}; "
        f"together {_sum_words(rows)}."
    )


def _style(basis: str) -> str:
    if not basis:
        return "box"
    return {"measured": "b-measured", "guess": "b-guess"}.get(basis, "b-sheet")
