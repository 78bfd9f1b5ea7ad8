"""Small plots of a tolerance over the nights, as SVG that stands in a page."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date
from typing import Final

from driftgate.judge.bounds import wilson_interval
from driftgate.report.digits import exact, percent
from driftgate.report.night_model import Change, Series
from driftgate.report.svg import round_step
from driftgate.report.text import esc

WIDTH: Final = 300
HEIGHT: Final = 130
_LEFT, _RIGHT, _TOP, _BOTTOM = 54, 10, 10, 24
# Nights keep off the axis.
_INSET: Final = 7
# Of more nights only the last are drawn.
_MOST_NIGHTS: Final = 90
# What is left free above and below the figures, as a share of their range.
_ROOM: Final = 0.06
_LEAST_RANGE: Final = 0.002
_TICKS: Final = 4


def trend_words(series: Series) -> str:
    """Return the latest share and what is required, for beside the plot."""
    share = percent(series.successes[-1] / series.trials[-1], series.required[-1], digits=2)
    return f"{share} (need {exact(series.required[-1], 100)} %)"


def trend_plot(series: Series, changes: list[Change]) -> str:
    """Return a plot: share of the trials that succeed, by night, with its 95 % interval and what is required.

    Parameters
    ----------
    series : Series
        One tolerance over the nights.
    changes : list of Change
        Its changes; each is a vertical line.

    Returns
    -------
    str
        An `svg` element; it has words for those who do not see it, and colours of the page's own classes.
    """
    first = max(0, len(series.nights) - _MOST_NIGHTS)
    shown = range(first, len(series.nights))
    shares = [series.successes[i] / series.trials[i] for i in shown]
    bars = [wilson_interval(series.successes[i], series.trials[i], 0.95) for i in shown]
    required = series.required[-1]
    low = min(required, *(bar[0] for bar in bars))
    high = max(required, *(bar[1] for bar in bars))
    room = max(_ROOM * (high - low), _LEAST_RANGE)
    # Nothing lies beyond 0 and 100 %, but a line there is not hidden by the frame.
    low, high = max(-room, low - room), min(1.0 + room, high + room)
    days = _days([series.nights[i] for i in shown])

    def x_of(i: int) -> float:
        inside = WIDTH - _LEFT - _RIGHT - 2 * _INSET
        return _LEFT + _INSET + inside * days[i - first]

    def y_of(share: float) -> float:
        return _TOP + (HEIGHT - _TOP - _BOTTOM) * (high - share) / (high - low)

    parts = [_axes(series, first, _ticks(low, high), y_of)]
    y = y_of(required)
    parts.append(f'<line class="need" x1="{_LEFT}" x2="{WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
    for change in changes:
        if change.shift.at >= first:
            x = (x_of(change.shift.at - 1) + x_of(change.shift.at)) / 2.0
            kind = "worse" if change.shift.worse else "better"
            parts.append(
                f'<line class="{kind}" x1="{x:.1f}" x2="{x:.1f}" y1="{_TOP}" y2="{HEIGHT - _BOTTOM}"/>'
            )
    for i, (bar_low, bar_high) in zip(shown, bars, strict=True):
        x = x_of(i)
        y_low, y_high = y_of(bar_low), y_of(bar_high)
        parts.append(f'<line class="bar" x1="{x:.1f}" x2="{x:.1f}" y1="{y_high:.1f}" y2="{y_low:.1f}"/>')
    points = " ".join(f"{x_of(i):.1f},{y_of(share):.1f}" for i, share in zip(shown, shares, strict=True))
    parts.append(f'<polyline class="path" points="{points}"/>')
    for i, share in zip(shown, shares, strict=True):
        tip = esc(f"{series.nights[i]}: {percent(share, digits=2)} of {series.trials[i]}")
        place = f'cx="{x_of(i):.1f}" cy="{y_of(share):.1f}" r="2.5"'
        parts.append(f'<circle class="dot" {place}><title>{tip}</title></circle>')
    words = (
        f"{series.tolerance}: {percent(shares[-1], digits=2)} on {series.nights[-1]}, "
        f"{percent(shares[0], digits=2)} on {series.nights[first]}, {percent(required)} required"
    )
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" role="img" '
        f'aria-label="{esc(words)}">{"".join(parts)}</svg>'
    )


def _days(nights: list[str]) -> list[float]:
    """Return where each night lies from the first to the last, 0 to 1: a day without one leaves a gap."""
    try:
        at = [date.fromisoformat(night).toordinal() for night in nights]
    except ValueError:
        at = list(range(len(nights)))
    whole = at[-1] - at[0]
    return [(day - at[0]) / whole if whole else 0.5 for day in at]


def _ticks(low: float, high: float) -> list[tuple[float, str]]:
    """Return a few round shares from low to high, with their words."""
    step = round_step(100.0 * (high - low), _TICKS)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    begin, end = (
        math.ceil(100.0 * max(low, 0.0) / step - 1e-9),
        math.floor(100.0 * min(high, 1.0) / step + 1e-9),
    )
    return [(k * step / 100.0, f"{k * step:.{digits}f} %") for k in range(begin, end + 1)]


def _axes(series: Series, first: int, ticks: list[tuple[float, str]], y_of: Callable[[float], float]) -> str:
    base = HEIGHT - _BOTTOM
    parts = []
    for share, words in ticks:
        y = y_of(share)
        parts.append(f'<path class="grid" d="M{_LEFT} {y:.1f}H{WIDTH - _RIGHT}"/>')
        parts.append(f'<text x="{_LEFT - 5}" y="{y + 4:.1f}" text-anchor="end">{words}</text>')
    parts.append(f'<path class="axis" d="M{_LEFT} {_TOP}V{base}H{WIDTH - _RIGHT}"/>')
    one = len(series.nights) - first == 1
    ends = [(WIDTH / 2, "middle", first)] if one else [(_LEFT, "start", first), (WIDTH - _RIGHT, "end", -1)]
    parts += [
        f'<text x="{x}" y="{HEIGHT - 7}" text-anchor="{anchor}">{esc(series.nights[i])}</text>'
        for x, anchor, i in ends
    ]
    return "".join(parts)
