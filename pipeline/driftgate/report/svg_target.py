"""A checkpoint from close by: its tolerance, where trials came out, and the 95 % ellipse."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from driftgate.report.digits import percent
from driftgate.report.model import CaseReport
from driftgate.report.picture import CasePicture, Limit, Target
from driftgate.report.svg import (
    Point,
    circle,
    cross,
    drawing,
    line,
    num,
    oval,
    path,
    rect,
    round_step,
    step_mark,
    text,
    title,
)

SIZE: Final = 240.0
_EDGE, _TURN = 26.0, 46.0
Place = Callable[[float, float], Point]
# So many of a hundred dots are inside the frame at least.
_SHOWN = 0.98


def target_svg(case: CaseReport, picture: CasePicture, index: int) -> str:
    """Return one checkpoint, or the end, of a case from close by."""
    target = picture.targets[index]
    verdict = None if case.verdict is None else case.verdict.moments[index]
    reach = _reach(target)
    middle, per_m = (SIZE / 2.0, SIZE / 2.0 - 4.0), (SIZE / 2.0 - _EDGE) / reach

    def at(first: float, second: float) -> Point:
        # Ahead is up and left is left; of field axes x is right and y is up.
        if target.turned:
            return middle[0] - second * per_m, middle[1] - first * per_m
        return middle[0] + first * per_m, middle[1] - second * per_m

    parts = _axes(target, reach, at)
    parts += _within(target, reach, at)
    (mx, my), (a, b), angle = target.ellipse
    ox, oy = at(mx, my)
    turn = -math.degrees(angle) - (90.0 if target.turned else 0.0)
    tip = f"95 % of runs: half axes {1000 * a:.1f} and {1000 * b:.1f} mm (covariance engine)"
    parts.append(oval(ox, oy, a * per_m, b * per_m, turn, "ellipse", title(tip)))
    missed, beyond, dots = 0, 0, []
    for trial, (first, second, _, success) in enumerate(target.errors):
        outside = max(abs(first), abs(second)) > reach
        beyond += outside
        missed += not success
        x, y = at(*(min(max(v, -reach), reach) for v in (first, second)))
        if not success:
            parts.append(
                cross(
                    x,
                    y,
                    3.2,
                    "miss",
                    inner=title(f"trial {trial}: {1000 * first:.1f}, {1000 * second:.1f} mm"),
                )
            )
        else:
            dots.append(f"M{num(x)} {num(y)}h0")
    parts.append(f'<path d="{"".join(dots)}" class="hits"/>')
    height = SIZE
    if any(limit.axis == "heading" for limit in target.limits):
        parts += _heading(target)
        height += _TURN
    if beyond:
        parts.append(text(SIZE - 2.0, 11.0, f"{beyond} beyond", "small", "end"))
    words = (
        f"{target.name} from close by: {len(target.errors)} trials, {missed} of them crosses for missing it. "
    )
    if verdict is not None:
        words += (
            f"Hit rate {percent(verdict.estimate.probability)} of {verdict.estimate.trials} trials. "
            f"{', '.join(limit_line(limit) for limit in target.limits)}."
        )
    more = f' data-picture="target"{step_mark(target.step)}'
    return drawing(parts, height, words, more, SIZE)


def limit_line(limit: Limit) -> str:
    """Return the limits of an axis in words."""
    unit = "deg" if limit.axis == "heading" else "mm"

    def number(value: float) -> str:
        return f"{math.degrees(value) if unit == 'deg' else 1000 * value:.4g}"

    if limit.high is None and limit.low is None:
        return f"{limit.axis} free"
    if limit.high is None or limit.low is None:
        side, value = ("at least", limit.low) if limit.high is None else ("at most", limit.high)
        return f"{limit.axis} {side} {number(value or 0.0)} {unit}"
    if limit.low == -limit.high:
        return f"{limit.axis} \u00b1{number(limit.high)} {unit}"
    return f"{limit.axis} {number(limit.low)} to {number(limit.high)} {unit}"


def _reach(target: Target) -> float:
    """Return how far the frame reaches: the tolerance, and nearly all trials. [m]"""
    sizes = sorted(max(abs(first), abs(second)) for first, second, _, _ in target.errors)
    most = sizes[min(len(sizes) - 1, math.ceil(_SHOWN * len(sizes)) - 1)] if sizes else 0.0
    limits = [
        abs(side)
        for limit in target.limits
        if limit.axis != "heading"
        for side in (limit.low, limit.high)
        if side is not None
    ]
    # A tolerance far wider than what happens would hide it.
    wide = min(max(limits, default=0.0), 4.0 * most) if most > 0.0 else max(limits, default=0.0)
    return max(1.12 * max(most, wide), 1e-3)


def _axes(target: Target, reach: float, at: Place) -> list[str]:
    parts = []
    step = round_step(2.0 * reach, 6)
    for k in range(-math.floor(reach / step), math.floor(reach / step) + 1):
        a, b = at(-reach, k * step), at(reach, k * step)
        c, d = at(k * step, -reach), at(k * step, reach)
        parts += [line(a, b, "grid"), line(c, d, "grid")]
    (left, top), (right, bottom) = _corners(at, reach)
    parts.append(rect(left, top, right - left, bottom - top, "axis"))
    names = ("ahead", "left") if target.turned else ("y", "x")
    parts.append(text((left + right) / 2.0, top - 4.0, f"{names[0]} \u2191", "small", "middle"))
    arrow = f"\u2190 {names[1]}" if target.turned else f"{names[1]} \u2192"
    parts.append(
        text(left if target.turned else right, bottom + 14.0, arrow, "small", "" if target.turned else "end")
    )
    grid = f"{1000 * step:.3g} mm a square"
    parts.append(
        text(right if target.turned else left, bottom + 14.0, grid, "small", "end" if target.turned else "")
    )
    return parts


def _corners(at: Place, reach: float) -> tuple[Point, Point]:
    a, b = at(-reach, -reach), at(reach, reach)
    return (min(a[0], b[0]), min(a[1], b[1])), (max(a[0], b[0]), max(a[1], b[1]))


def _within(target: Target, reach: float, at: Place) -> list[str]:
    """Return the tolerance: a box or a disc; a free side reaches to the edge without a line."""
    limits = {limit.axis: limit for limit in target.limits}
    parts = []
    radial = limits.get("radial")
    if radial is not None and radial.high is not None:
        centre, edge = at(0.0, 0.0), at(radial.high, 0.0)
        parts.append(circle(centre[0], centre[1], math.dist(centre, edge), "within"))
    first, second = (limits.get(name) for name in (("along", "across") if target.turned else ("x", "y")))
    if first is None and second is None:
        return parts
    sides = [(_side(limit, -1, reach), _side(limit, 1, reach)) for limit in (first, second)]
    (a, b), (c, d) = sides
    corners = [at(a, c), at(b, c), at(b, d), at(a, d)]
    parts.append(path(corners, "within bare", closed=True))
    for limit, ends in (
        (first, ((a, c), (a, d), (b, c), (b, d))),
        (second, ((a, c), (b, c), (a, d), (b, d))),
    ):
        if limit is None:
            continue
        for side, begin, end in ((limit.low, ends[0], ends[1]), (limit.high, ends[2], ends[3])):
            if side is not None and abs(side) <= reach:
                parts.append(line(at(*begin), at(*end), "edge"))
    return parts


def _side(limit: Limit | None, sign: int, reach: float) -> float:
    value = None if limit is None else (limit.low if sign < 0 else limit.high)
    return sign * reach if value is None else min(max(value, -reach), reach)


def _heading(target: Target) -> list[str]:
    limit = next(one for one in target.limits if one.axis == "heading")
    sizes = sorted(abs(error[2]) for error in target.errors)
    most = sizes[min(len(sizes) - 1, math.ceil(_SHOWN * len(sizes)) - 1)] if sizes else 0.0
    sides = [abs(side) for side in (limit.low, limit.high) if side is not None]
    reach = max(1.12 * max([most, *sides]), 1e-4)
    top, left, right = SIZE - 2.0, 12.0, SIZE - 12.0

    def at(angle: float) -> float:
        # Counter-clockwise is to the left.
        return (left + right) / 2.0 - min(max(angle / reach, -1.0), 1.0) * (right - left) / 2.0

    low = at(-reach if limit.low is None else limit.low)
    high = at(reach if limit.high is None else limit.high)
    parts = [rect(high, top + 14.0, low - high, 16.0, "within bare")]
    parts += [
        line((at(s), top + 12.0), (at(s), top + 32.0), "edge")
        for s in (limit.low, limit.high)
        if s is not None
    ]
    dots = []
    for trial, (_, _, turn, success) in enumerate(target.errors):
        # Spread over the height by trial, so that they do not all lie on one line.
        y = top + 16.0 + 12.0 * ((trial * 7) % 11) / 10.0
        outside = (limit.low is not None and turn < limit.low) or (
            limit.high is not None and turn > limit.high
        )
        if outside and not success:
            parts.append(cross(at(turn), y, 2.6, "miss"))
        else:
            dots.append(f"M{num(at(turn))} {num(y)}h0")
    parts.append(f'<path d="{"".join(dots)}" class="hits"/>')
    parts.append(text(left, top + 9.0, "heading", "small"))
    words = " to ".join(
        f"{math.degrees(s):+.3g}" if s is not None else "any" for s in (limit.low, limit.high)
    )
    parts.append(text(right, top + 9.0, f"{words} deg", "small", "end"))
    parts.append(line((at(0.0), top + 14.0), (at(0.0), top + 30.0), "axis"))
    return parts
