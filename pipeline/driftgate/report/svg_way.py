"""The planned way, the error along it, the robot's outline, and where trials really went."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from driftgate.report.field_scale import FieldScale
from driftgate.report.picture import CasePicture, FailedTrial, Instant, Leg, Pose
from driftgate.report.svg import (
    Labels,
    Point,
    around,
    group,
    line,
    oval,
    path,
    step_mark,
    text,
    title,
    width_of,
)

_MOST_ELLIPSES: Final = 26


def ellipses(picture: CasePicture, scale: FieldScale, factor: int) -> list[str]:
    """Return ellipses where the robot has got so far that they do not hide each other."""
    parts, last = [], (math.inf, math.inf)
    length = sum(math.dist(a.pose[:2], b.pose[:2]) for a, b in pairwise(picture.instants))
    apart = max(0.12, length / _MOST_ELLIPSES)
    for i, instant in enumerate(picture.instants):
        end = i + 1 == len(picture.instants)
        if not end and math.dist(instant.pose[:2], last) < apart:
            continue
        last = instant.pose[:2]
        parts.append(_ellipse(instant, scale, factor))
    return parts


def _ellipse(instant: Instant, scale: FieldScale, factor: int) -> str:
    x, y = scale.at((instant.pose[0] + factor * instant.mean[0], instant.pose[1] + factor * instant.mean[1]))
    a, b = (max(semi * factor * scale.per_m, 0.6) for semi in instant.semi_m)
    words = (
        f"{instant.time_s:.2f} s, step {instant.step}: 95 % of runs inside "
        f"{1000 * instant.semi_m[0]:.1f} x {1000 * instant.semi_m[1]:.1f} mm (half axes)"
    )
    shape = oval(x, y, a, b, -math.degrees(instant.angle_rad), "ellipse", inner=title(words))
    return shape.replace("<ellipse", f"<ellipse{step_mark(instant.step)}", 1)


def leg_shape(leg: Leg, scale: FieldScale) -> str:
    """Return the way of a step that gets anywhere."""
    points = scale.all(leg.path)
    shapes = [title(f"step {leg.number}: {leg.label}"), path(points, "leg")]
    shapes.append(_arrow(points))
    return group(shapes, "", step_mark(leg.number))


def _arrow(points: Sequence[Point]) -> str:
    """Return an arrow head at the middle of a line, which says which way it goes."""
    lengths = [math.dist(a, b) for a, b in pairwise(points)]
    left = 0.6 * sum(lengths)
    if left < 8.0:
        return ""
    for (a, b), length in zip(pairwise(points), lengths, strict=True):
        if left <= length and length > 0.0:
            dx, dy = (b[0] - a[0]) / length, (b[1] - a[1]) / length
            x, y = a[0] + dx * left, a[1] + dy * left
            tip = (x + 6.0 * dx, y + 6.0 * dy)
            wings = [(x - 3.0 * dx - s * 4.0 * dy, y - 3.0 * dy + s * 4.0 * dx) for s in (1.0, -1.0)]
            return path([tip, *wings], "arrow", closed=True)
        left -= length
    return ""


def robot_outline(picture: CasePicture, pose: Pose, scale: FieldScale) -> list[Point]:
    """Return the robot's outline at a pose."""
    c, s = math.cos(pose[2]), math.sin(pose[2])
    return [scale.at((pose[0] + c * x - s * y, pose[1] + s * x + c * y)) for x, y in picture.hull]


def robots(picture: CasePicture, scale: FieldScale, labels: Labels) -> list[str]:
    """Return the robot's outline at the start and at every checkpoint."""
    if not picture.legs:
        return []
    poses: list[tuple[Pose, str]] = []
    if picture.instants:
        poses.append((picture.instants[0].pose, "the robot at the start"))
    poses += [(t.pose, f"the robot at {t.name}") for t in picture.targets]
    parts = []
    for pose, words in poses:
        ahead = 0.8 * max(x for x, _ in picture.hull)
        nose = (pose[0] + ahead * math.cos(pose[2]), pose[1] + ahead * math.sin(pose[2]))
        outline = path(robot_outline(picture, pose, scale), "robot", closed=True)
        parts.append(group([title(words), outline, line(scale.at(pose), scale.at(nose), "robot")]))
    if picture.instants:
        x, y = scale.at(picture.instants[0].pose)
        at = labels.place(width_of("start"), 13.0, around(x, y, width_of("start"), 13.0, 8.0))
        parts.append(text(at[0], at[1] + 11.0, "start", "halo strong"))
    return parts


def failed_way(trial: FailedTrial, scale: FieldScale) -> str:
    """Return the true way of a failing trial."""
    words = title(f"failed trial {trial.number}: {trial.cause}")
    return path(scale.all(trial.path), "failed", more=step_mark(trial.step), inner=words)
