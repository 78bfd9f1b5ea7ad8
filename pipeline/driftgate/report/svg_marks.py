"""Marks and labels on the field: checkpoints, failed trials, numbers of steps, names of things."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from driftgate.report.digits import exact, percent
from driftgate.report.field_scale import BOTTOM, FieldScale
from driftgate.report.model import CaseReport
from driftgate.report.picture import CasePicture, Leg, Target
from driftgate.report.svg import (
    WIDTH,
    Labels,
    Point,
    around,
    circle,
    cross,
    group,
    line,
    path,
    rect,
    step_mark,
    text,
    title,
    width_of,
)
from driftgate.report.symbols import sign

_MOST_BADGES: Final = 45
# A number further from its step's way than this has a line to it.
_LED_FROM: Final = 26.0


def keep_free(picture: CasePicture, scale: FieldScale, labels: Labels) -> None:
    """Keep labels off the planned way, walls, checkpoints and marks, and inside the picture."""
    labels.block(0.0, scale.height - BOTTOM, WIDTH, 300.0)
    labels.block(WIDTH, 0.0, 300.0, scale.height)
    for target in picture.targets:
        x, y = scale.at(target.pose)
        labels.block(x - 8.0, y - 8.0, 16.0, 16.0)
    for trial in picture.failed:
        x, y = scale.at(trial.place)
        labels.block(x - 5.0, y - 5.0, 10.0, 10.0)
    # Rounds that go the same way again keep the same places free.
    way: dict[tuple[int, int], None] = {}
    walls = [[s.a, s.b] for s in picture.field.surfaces if s.kind == "wall"]
    for points in (*(leg.path for leg in picture.legs), *walls):
        for (a, b), (c, d) in pairwise(scale.all(points)):
            many = max(1, int(math.dist((a, b), (c, d)) / 4.0))
            for k in range(many + 1):
                way[round((a + (c - a) * k / many) / 4.0), round((b + (d - b) * k / many) / 4.0)] = None
    for column, row in way:
        labels.block(4.0 * column - 2.0, 4.0 * row - 2.0, 4.0, 4.0)


def failed_marks(picture: CasePicture, scale: FieldScale, labels: Labels) -> list[str]:
    """Return a cross where each failing trial failed, with its letter and kind of cause."""
    parts = []
    clusters: list[tuple[Point, list[int]]] = []
    for k, trial in enumerate(picture.failed):
        words = f"failed trial {trial.number}: {trial.cause}"
        at = scale.at(trial.place)
        near = next((members for place, members in clusters if math.dist(place, at) < 13.0), None)
        if near is None:
            clusters.append((at, [k]))
        else:
            near.append(k)
        parts.append(cross(*at, 4.5, "cross", step_mark(trial.step), title(words)))
    for (x, y), members in clusters:
        lines = _cause_lines(picture, members)
        width, high = max(width_of(words, 12.5) for words in lines), 13.0 * len(lines)
        left, top = labels.place(width, high, around(x, y, width, high, 7.0))
        parts += [text(left, top + 11.0 + 13.0 * k, words, "halo cause") for k, words in enumerate(lines)]
    return parts


def _cause_lines(picture: CasePicture, members: Sequence[int]) -> list[str]:
    """Return the letters of failed trials that lie together, one line for each kind of cause."""
    kinds: dict[str, list[str]] = {}
    for k in members:
        kinds.setdefault(picture.failed[k].kind, []).append(letter(k))
    return [f"{' '.join(letters)} {kind}" for kind, letters in kinds.items()]


def letter(index: int) -> str:
    """Return the letter by which a failed trial is found in picture and table; none looks like a digit."""
    return "ABCDEFGHJKLMNPQRSTUVWXYZ"[index]


def targets(case: CaseReport, picture: CasePicture, scale: FieldScale, labels: Labels) -> list[str]:
    """Return checkpoints and the end with their tolerance to scale, verdict and hit rate."""
    parts = []
    verdicts = () if case.verdict is None else case.verdict.moments
    for target, verdict in zip(picture.targets, verdicts, strict=False):
        x, y = scale.at(target.pose)
        rate = percent(verdict.estimate.probability)
        words = f"{target.name} {sign(verdict.status)} {rate}"
        tip = (
            f"{target.name}: {verdict.status}, inside in {rate} of {verdict.estimate.trials} trials, "
            f"{exact(verdict.required, 100)} % required"
        )
        shapes = [title(tip), circle(x, y, 7.0, "target"), *_tolerance(target, scale)]
        # In one line where there is room for it, else in two.
        forms = [[words], [target.name, f"{sign(verdict.status)} {rate}"]]
        boxes = []
        for form in forms:
            width, high = max(width_of(row, 13.5) for row in form), 14.0 * len(form)
            boxes.append((width, high, around(x, y, width, high, 12.0)))
        which, (left, top) = labels.place_one_of(boxes)
        shapes += [
            text(left, top + 11.0 + 14.0 * k, row, "halo strong") for k, row in enumerate(forms[which])
        ]
        parts.append(group(shapes, "", step_mark(target.step)))
    return parts


def _tolerance(target: Target, scale: FieldScale) -> list[str]:
    """Return the tolerance to scale: small on a field, so that its own picture beside it magnifies it."""
    limits = {limit.axis: limit for limit in target.limits}
    if "radial" in limits and limits["radial"].high is not None:
        x, y = scale.at(target.pose)
        return [circle(x, y, limits["radial"].high * scale.per_m, "within")]
    first, second = (limits.get(name) for name in (("along", "across") if target.turned else ("x", "y")))
    sides = []
    for limit in (first, second):
        low = -0.1 if limit is None or limit.low is None else limit.low
        high = 0.1 if limit is None or limit.high is None else limit.high
        sides.append((low, high))
    if first is None and second is None:
        return []
    turn = target.pose[2] if target.turned else 0.0
    c, s = math.cos(turn), math.sin(turn)
    (a, b), (d, e) = sides
    corners = [(u, v) for u, v in ((a, d), (b, d), (b, e), (a, e))]
    return [
        path(
            [scale.at((target.pose[0] + c * u - s * v, target.pose[1] + s * u + c * v)) for u, v in corners],
            "within",
            closed=True,
        )
    ]


def badges(legs: Sequence[Leg], scale: FieldScale, labels: Labels) -> list[str]:
    """Return the numbers of the steps, beside their ways."""
    shown = [leg for leg in legs if not leg.checkpoint]
    if len(shown) > _MOST_BADGES:
        shown = [leg for leg in shown if leg.moves][:_MOST_BADGES]
    parts = []
    for leg in shown:
        points = scale.all(leg.path)
        x, y = _middle(points)
        half = 8.0 if leg.number < 100 else 11.0
        at = labels.place(2 * half, 16.0, around(x, y, 2 * half, 16.0, 3.0))
        cx, cy = at[0] + half, at[1] + 8.0
        shapes = [
            title(f"step {leg.number}: {leg.label}"),
            rect(cx - half, cy - 7.5, 2 * half, 15.0, "badge", ' rx="7.5"'),
            text(cx, cy + 3.8, str(leg.number), "number"),
        ]
        if math.dist((cx, cy), (x, y)) > _LED_FROM:
            shapes.insert(1, line((cx, cy), (x, y), "lead"))
        parts.append(group(shapes, "pick", step_mark(leg.number)))
    return parts


def _middle(points: Sequence[Point]) -> Point:
    left = 0.45 * sum(math.dist(a, b) for a, b in pairwise(points))
    for a, b in pairwise(points):
        length = math.dist(a, b)
        if left <= length and length > 0.0:
            return a[0] + (b[0] - a[0]) * left / length, a[1] + (b[1] - a[1]) * left / length
        left -= length
    return points[-1]


def names(picture: CasePicture, scale: FieldScale, labels: Labels) -> list[str]:
    """Return the names of structures and loose elements."""
    parts = []
    named = [(s.id, _centre(scale.all(s.corners))) for s in picture.field.structures]
    named += [(t.id, scale.at(t.centre)) for t in picture.field.things]
    for name, (x, y) in named:
        width = width_of(name, 10.5)
        at = labels.place(width, 11.0, [(x - width / 2.0, y - 5.5), *around(x, y, width, 11.0, 8.0)])
        parts.append(text(at[0], at[1] + 9.0, name, "small halo"))
    return parts


def _centre(points: Sequence[Point]) -> Point:
    return sum(x for x, _ in points) / len(points), sum(y for _, y in points) / len(points)
