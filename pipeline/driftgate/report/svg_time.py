"""Error and sight along the plan's clock: growth of the error, fixes, and a strip for every sensor."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from driftgate.report.digits import percent
from driftgate.report.model import CaseReport
from driftgate.report.picture import CasePicture, Leg
from driftgate.report.svg import (
    WIDTH,
    Point,
    drawing,
    group,
    line,
    num,
    path,
    rect,
    round_step,
    step_mark,
    text,
    title,
    width_of,
)
from driftgate.report.svg_legend import legend, legend_height
from driftgate.report.svg_strips import STRIP, strip, strip_keys
from driftgate.report.symbols import sign

_LEFT, _RIGHT = 40.0, 10.0
_NAMES, _STEPS, _POSITION, _HEADING, _DARK = 30.0, 20.0, 120.0, 84.0, 13.0
_GAP = 24.0


@dataclass(frozen=True)
class TimeScale:
    """From the plan's clock to the picture."""

    end_s: float

    def at(self, time_s: float) -> float:
        """Return where an instant is."""
        return _LEFT + (WIDTH - _LEFT - _RIGHT) * time_s / self.end_s


def time_svg(case: CaseReport, picture: CasePicture) -> str:
    """Return the picture of a case along time; nothing happens before its plan can be driven."""
    scale = TimeScale(max(picture.instants[-1].time_s, 1e-6))
    bottom = _bottom(picture)
    # Behind everything else, so that it crosses no word.
    parts = _moments(case, picture, scale, bottom)
    top = _NAMES
    parts += _steps(picture.legs, scale, top)
    top += _STEPS + _GAP
    middle = top
    parts += _panel(picture, scale, top, _POSITION, 0)
    top += _POSITION + _GAP
    parts += _panel(picture, scale, top, _HEADING, 1)
    top += _HEADING + 6.0
    parts += _dark(case, scale, top + 14.0)
    top += 14.0 + 3 * _DARK + 10.0
    rows = {row.sensor: row for row in case.readings}
    for one in picture.strips:
        parts += strip(one, rows.get(one.sensor), picture.sampled, scale.at, top, _LEFT)
        top += STRIP
    parts += _clock(scale, top)
    parts += _bands(picture.legs, scale, middle, top)
    cursor = ' data-cursor="time" visibility="hidden"'
    parts.append(line((_LEFT, _NAMES), (_LEFT, top), "tick cursor", cursor))
    items = [*_keys(case, picture), *strip_keys(picture)]
    parts.append(legend(items, bottom + 34.0))
    per_s = (WIDTH - _LEFT - _RIGHT) / scale.end_s
    more = f' data-picture="time" data-left="{num(_LEFT)}" data-per="{num(per_s, 4)}"'
    return drawing(parts, bottom + 34.0 + legend_height(items), _words(case, picture), more)


def _bottom(picture: CasePicture) -> float:
    """Return where the strips end and the clock begins."""
    panels = _NAMES + _STEPS + _GAP + _POSITION + _GAP + _HEADING + 6.0
    return panels + 14.0 + 3 * _DARK + 10.0 + STRIP * len(picture.strips)


def _words(case: CaseReport, picture: CasePicture) -> str:
    last = picture.instants[-1]
    worst = max(picture.instants, key=lambda i: i.linear[0])
    dark = [f"{d.axis} from {d.begin_s:.2f} to {d.end_s:.2f} s" for d in case.dark]
    return (
        f"{case.title}, along {last.time_s:.2f} s. The 95 % position error is largest at "
        f"{worst.time_s:.2f} s with {1000 * worst.linear[0]:.0f} mm, and {1000 * last.linear[0]:.0f} mm at "
        f"the end; the 95 % heading error is {math.degrees(last.linear[1]):.1f} deg there. No fix is "
        f"possible of: {', '.join(dark) or 'nothing'}. Below, what each sensor sees."
    )


def _steps(legs: Sequence[Leg], scale: TimeScale, top: float) -> list[str]:
    parts = [text(_LEFT - 5.0, top + 14.0, "step", "small", "end")]
    for leg in legs:
        if leg.checkpoint or leg.end_s <= leg.begin_s:
            continue
        x, end = scale.at(leg.begin_s), scale.at(leg.end_s)
        words = f"step {leg.number}: {leg.label}, {leg.begin_s:.2f} to {leg.end_s:.2f} s"
        shapes = [title(words), rect(x, top, end - x, _STEPS, "step")]
        if end - x > width_of(str(leg.number), 10.5) + 3.0:
            shapes.append(text((x + end) / 2.0, top + 14.0, str(leg.number), "number"))
        parts.append(group(shapes, "pick", step_mark(leg.number)))
    return parts


def _bands(legs: Sequence[Leg], scale: TimeScale, top: float, bottom: float) -> list[str]:
    """Return one see-through band per step, which shows it when it is chosen."""
    return [
        rect(
            scale.at(leg.begin_s),
            top,
            scale.at(leg.end_s) - scale.at(leg.begin_s),
            bottom - top,
            "band pick",
            step_mark(leg.number),
        )
        for leg in legs
        if not leg.checkpoint and leg.end_s > leg.begin_s
    ]


def _panel(picture: CasePicture, scale: TimeScale, top: float, height: float, which: int) -> list[str]:
    """Return the 95 % error of position (0) or heading (1), by both engines."""

    def shown(value: float) -> float:
        return math.degrees(value) if which else 1000.0 * value

    linear = [(i.time_s, shown(i.linear[which])) for i in picture.instants]
    sampled = [(i.time_s, shown(i.sampled[which])) for i in picture.instants]
    most = max(max(v for _, v in linear), max(v for _, v in sampled), 1e-9) * 1.06
    step = round_step(most, 4)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))

    def at(point: Point) -> Point:
        return scale.at(point[0]), top + height * (1.0 - point[1] / most)

    parts = []
    for k in range(math.floor(most / step) + 1):
        _, y = at((0.0, k * step))
        parts.append(line((_LEFT, y), (WIDTH - _RIGHT, y), "grid"))
        parts.append(text(_LEFT - 5.0, y + 3.5, f"{k * step:.{digits}f}", "small", "end"))
    what = "95 % heading error, deg" if which else "95 % position error, mm"
    parts.append(text(_LEFT, top - 6.0, what, "halo strong"))
    parts.append(path([at(p) for p in linear], "linear turn" if which else "linear"))
    parts.append(path([at(p) for p in sampled], "sampled"))
    parts.append(path([(_LEFT, top), (_LEFT, top + height), (WIDTH - _RIGHT, top + height)], "axis"))
    return parts


def _dark(case: CaseReport, scale: TimeScale, top: float) -> list[str]:
    parts = [text(_LEFT, top - 4.0, "no sensor can give a fix", "halo strong")]
    for k, axis in enumerate(("x", "y", "heading")):
        y = top + k * _DARK
        parts.append(text(_LEFT - 5.0, y + 8.5, "head." if axis == "heading" else axis, "small", "end"))
        parts.append(line((_LEFT, y + 4.5), (WIDTH - _RIGHT, y + 4.5), "grid"))
        for dark in case.dark:
            if dark.axis == axis:
                x, end = scale.at(dark.begin_s), scale.at(dark.end_s)
                words = title(f"no fix of {axis} from {dark.begin_s:.2f} to {dark.end_s:.2f} s")
                parts.append(rect(x, y, end - x, 8.5, "dark", inner=words))
    return parts


def _clock(scale: TimeScale, top: float) -> list[str]:
    step = round_step(scale.end_s, 9)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    parts = [line((_LEFT, top), (WIDTH - _RIGHT, top), "axis")]
    for k in range(math.floor(scale.end_s / step + 1e-9) + 1):
        x = scale.at(k * step)
        parts.append(line((x, top), (x, top + 4.0), "axis"))
        parts.append(text(x, top + 15.0, f"{k * step:.{digits}f}", "small", "middle"))
    parts.append(text(_LEFT - 16.0, top + 15.0, "s", "small", "end"))
    return parts


def _moments(case: CaseReport, picture: CasePicture, scale: TimeScale, bottom: float) -> list[str]:
    """Return a line at every checkpoint, with its name and hit rate where there is room."""
    parts: list[str] = []
    free = [-math.inf, -math.inf]
    verdicts = () if case.verdict is None else case.verdict.moments
    for target, verdict in zip(picture.targets, verdicts, strict=False):
        x = scale.at(target.time_s)
        words = f"{target.name} {sign(verdict.status)} {percent(verdict.estimate.probability)}"
        shapes = [title(f"{words} at {target.time_s:.2f} s"), line((x, _NAMES), (x, bottom), "moment")]
        width = width_of(words, 12.5)
        left = min(max(x - width / 2.0, 4.0), WIDTH - width - 4.0)
        row = next((r for r in (1, 0) if left > free[r]), None)
        if row is not None:
            free[row] = left + width + 6.0
            shapes.append(text(left, 11.0 + 13.0 * row, words, "small strong"))
        parts.append(group(shapes, "", step_mark(target.step)))
    return parts


def _keys(case: CaseReport, picture: CasePicture) -> list[tuple[str, str]]:
    items = [
        (line((0, 6), (20, 6), "linear"), "covariance engine"),
        (line((0, 6), (20, 6), "sampled"), "trials of the sample"),
    ]
    if picture.targets:
        items.append((line((10, 0), (10, 12), "moment"), "checkpoint, hit rate"))
    if case.dark:
        items.append((rect(1, 2, 18, 8, "dark"), "no fix possible"))
    return items
