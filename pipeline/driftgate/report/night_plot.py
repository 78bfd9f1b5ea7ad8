"""Small plots of a tolerance over the nights, as SVG that stands in a page."""

from __future__ import annotations

from typing import Final

from driftgate.judge.bounds import wilson_interval
from driftgate.report.digits import percent
from driftgate.report.night_model import Change, Series
from driftgate.report.text import esc

WIDTH: Final = 300
HEIGHT: Final = 120
_LEFT, _RIGHT, _TOP, _BOTTOM = 58, 8, 10, 22
# Of more nights only the last are drawn.
_MOST_NIGHTS: Final = 90
# What is left free above and below the figures, as a share of their range.
_ROOM: Final = 0.08
_LEAST_RANGE: Final = 0.002


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
    low, high = max(0.0, low - room), min(1.0, high + room)

    def x_of(i: int) -> float:
        steps = max(1, len(shown) - 1)
        inside = WIDTH - _LEFT - _RIGHT
        return _LEFT + inside * ((i - first) / steps if len(shown) > 1 else 0.5)

    def y_of(share: float) -> float:
        return _TOP + (HEIGHT - _TOP - _BOTTOM) * (high - share) / (high - low)

    parts = [_axis(series, first, low, high, y_of(low), y_of(high))]
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


def _axis(series: Series, first: int, low: float, high: float, y_low: float, y_high: float) -> str:
    digits = 1 if high - low > 0.01 else 2
    texts = [
        (_LEFT - 4, y_low, "end", percent(low, digits=digits)),
        (_LEFT - 4, y_high + 4, "end", percent(high, digits=digits)),
        (_LEFT, HEIGHT - 6, "start", series.nights[first]),
    ]
    if len(series.nights) - first > 1:
        texts.append((WIDTH - _RIGHT, HEIGHT - 6, "end", series.nights[-1]))
    lines = f'<path class="axis" d="M{_LEFT} {y_high:.1f}V{y_low:.1f}H{WIDTH - _RIGHT}"/>'
    return lines + "".join(
        f'<text x="{x}" y="{y:.1f}" text-anchor="{anchor}">{esc(text)}</text>' for x, y, anchor, text in texts
    )
