"""The strip of a sensor: what its beam meets, why there is no fix, and what became of its readings."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from driftgate.report.model import ReadingRow
from driftgate.report.picture import Bin, CasePicture, Strip, View
from driftgate.report.svg import group, line, num, rect, step_mark, text, title
from driftgate.report.svg_legend import Item
from driftgate.report.text import esc
from driftgate.sight.values import END_OF

# Height of a strip with its words.
STRIP: Final = 56.0
_VIEW, _SHARE = 14.0, 18.0
# A bar that is lower is not drawn.
_SEEN: Final = 0.05
# What the reasons have in common, its pattern, and what the key says.
_KINDS: Final = {
    "usable": ("v-usable", "sees a reference surface"),
    "not reference": ("v-poor", "no reference surface, or met too obliquely"),
    "incidence": ("v-poor", ""),
    "no surface": ("v-away", "out of range, or nothing there"),
    "out of range": ("v-away", ""),
    "over or under": ("v-away", ""),
    "floor first": ("v-away", ""),
    "corridor": ("v-blocked", "something in the sight line"),
    "edge margin": ("v-blocked", ""),
    "obstructed": ("v-blocked", ""),
    "too fast": ("v-moving", "too fast, or turning"),
    "turning": ("v-moving", ""),
    "switched off": ("v-off", "switched off, or in contact"),
    "in contact": ("v-off", ""),
}


# What becomes of readings that the robot tries and does not use.
_IN_VAIN: Final = {"gate": "gate refused", "no echo": "no echo", "held back": "held back"}


def view_words(view: View) -> str:
    """Return what a sensor sees for a time: "usable: east, 0.35 to 0.52 m"."""
    words = view.reason
    if view.surface:
        words += f": {view.surface}"
    if view.obstacle:
        words += f", {'too near' if view.obstacle.startswith(END_OF) else 'in the way:'} {view.obstacle}"
    low, high = view.range_m
    if low == low:  # a known range
        words += f", {low:.2f} m" if f"{low:.2f}" == f"{high:.2f}" else f", {low:.2f} to {high:.2f} m"
    return words


def counts_words(row: ReadingRow | None) -> str:
    """Return how many readings were accepted, and how many were tried in vain, over all trials."""
    if row is None:
        return "no readings"
    counts = dict(row.outcomes)
    told = [f"accepted {counts.get('accepted', 0):,}"]
    told += [f"{words} {counts[name]:,}" for name, words in _IN_VAIN.items() if counts.get(name)]
    return ", ".join(told)


def strip(
    one: Strip, row: ReadingRow | None, sampled: int, at: Callable[[float], float], top: float, left: float
) -> list[str]:
    """Return the strip of one sensor.

    Parameters
    ----------
    one : Strip
        What it sees.
    row : ReadingRow or None
        What became of its readings over all trials.
    sampled : int
        How many trials the shares are over.
    at : callable
        Where an instant is.
    top, left : float
        Where the strip begins.
    """
    parts = [text(left, top + 12.0, one.sensor, "halo strong")]
    parts.append(text(left + 7.0 * len(one.sensor) + 12.0, top + 12.0, counts_words(row), "halo small"))
    y = top + 17.0
    parts.append(rect(at(0.0), y, at(_end(one)) - at(0.0), _VIEW, "box"))
    for view in one.views:
        x, end = at(view.begin_s), at(view.end_s)
        style = _KINDS.get(view.reason, ("v-off", ""))[0]
        tip = title(f"{view.begin_s:.2f} to {view.end_s:.2f} s, step {view.step}: {view_words(view)}")
        parts.append(rect(x, y, end - x, _VIEW, f"view {style}", step_mark(view.step), tip))
    y += _VIEW + 2.0
    for bin in one.bins:
        parts += _bin(bin, at, y, sampled)
    parts.append(line((at(0.0), y + _SHARE), (at(_end(one)), y + _SHARE), "axis"))
    marks = []
    for time_s, _ in one.fixes:
        marks.append(f"M{num(at(time_s))} {num(y - 6.5)}v4.5")
    if marks:
        parts.append(f'<path d="{"".join(marks)}" class="fixed"/>')
    return [group(parts, "", f' data-sensor="{esc(one.sensor)}"')]


def _end(one: Strip) -> float:
    return max((view.end_s for view in one.views), default=0.0)


def _bin(bin: Bin, at: Callable[[float], float], y: float, sampled: int) -> list[str]:
    used, refused = _heights(bin)
    if used + refused == 0.0:
        return []
    x, width = at(bin.begin_s), at(bin.end_s) - at(bin.begin_s)
    tip = title(f"{bin.begin_s:.2f} s: {bin.used} accepted, {bin.refused} tried in vain in {sampled} trials")
    shapes = [rect(x, y + _SHARE - used, width, used, "used")] if used >= _SEEN else []
    if refused >= _SEEN:
        shapes.append(rect(x, y + _SHARE - used - refused, width, refused, "refused"))
    return [group([tip, *shapes])]


def strip_keys(picture: CasePicture) -> list[Item]:
    """Return the key of what occurs in the strips."""
    met = {_KINDS.get(view.reason, ("v-off", ""))[0] for one in picture.strips for view in one.views}
    items = [
        (rect(1, 1, 18, 10, "box") + rect(1, 1, 18, 10, style), words)
        for style, words in _KINDS.values()
        if words and style in met
    ]
    if any(one.fixes for one in picture.strips):
        fixed = rect(1, 1, 18, 10, "v-usable") + '<path d="M7 6v4.5M13 6v4.5" class="fixed"/>'
        items.append((fixed, "a fix, covariance engine"))
    if any(_heights(bin)[0] >= _SEEN for one in picture.strips for bin in one.bins):
        items.append((rect(1, 3, 18, 9, "used"), "share accepted"))
    if any(_heights(bin)[1] >= _SEEN for one in picture.strips for bin in one.bins):
        items.append((rect(1, 3, 18, 9, "refused"), "share tried in vain"))
    return items


def _heights(bin: Bin) -> tuple[float, float]:
    """Return how high the shares accepted and tried in vain are."""
    total = bin.used + bin.refused + bin.not_tried
    return (_SHARE * bin.used / total, _SHARE * bin.refused / total) if total else (0.0, 0.0)
