"""Outlines in the plane: simple or not, inside or not. The only part of load that needs shapely."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import shapely

from driftgate.schema.base import PoseIn, Shape
from driftgate.schema.robot import Robot

Corner = tuple[float, float]

TOUCH_M: Final = 0.001  # less than anyone can place a robot or build a wall
_SMALLEST_AREA_M2: Final = 1e-6
_SAME_M: Final = 1e-9


@dataclass(frozen=True)
class OutlineFault:
    """Why corners make no simple polygon: the index of the corner to blame, and the reason."""

    corner: int
    reason: str


def outline_fault(corners: Sequence[Corner]) -> OutlineFault | None:
    """Return why the corners do not go once around an area, or None."""
    twice = _equal_corners(corners)
    if twice is not None:
        return OutlineFault(twice[1], f"is the same point as corner {twice[0] + 1}")
    polygon = shapely.Polygon(corners)
    if not polygon.is_valid:
        return _crossing(corners)
    if polygon.area < _SMALLEST_AREA_M2:
        return OutlineFault(0, "and the others enclose no area")
    return None


def _equal_corners(corners: Sequence[Corner]) -> tuple[int, int] | None:
    seen: dict[Corner, int] = {}
    for index, corner in enumerate(corners):
        key = (round(corner[0] / _SAME_M) * _SAME_M, round(corner[1] / _SAME_M) * _SAME_M)
        if key in seen:
            return seen[key], index
        seen[key] = index
    return None


def _crossing(corners: Sequence[Corner]) -> OutlineFault:
    """Return the first side that meets another one where it must not."""
    count = len(corners)
    sides = [shapely.LineString([corners[i], corners[(i + 1) % count]]) for i in range(count)]
    tree = shapely.STRtree(sides)
    for i, side in enumerate(sides):
        for j in sorted(int(k) for k in tree.query(side, predicate="intersects")):
            apart = (j - i) % count
            if apart in (0, 1, count - 1):
                if apart == 1 and sides[i].intersection(sides[j]).length > 0.0:
                    return OutlineFault((i + 1) % count, "is a spike: the outline turns back on itself there")
                continue
            reason = (
                f"starts a side that crosses the side from corner {i + 1} to corner {(i + 1) % count + 1}"
            )
            return OutlineFault(j, reason)
    return OutlineFault(0, "and the others go around no simple outline")


def placed(shape: Shape, pose: PoseIn) -> Any:
    """Return a shape at its pose as a shapely geometry, field frame; a disc as a fine polygon."""
    if shape.circle is not None:
        # 32 chords per quarter stay within 0.03 % of the radius: far below TOUCH_M for a small thing.
        return shapely.Point(pose.x, pose.y).buffer(shape.circle.radius, quad_segs=32)
    return polygon_at(own_corners(shape), pose)


def own_corners(shape: Shape) -> list[Corner]:
    """Return the corners of a rectangle or polygon in its own axes; none for a disc."""
    if shape.rectangle is not None:
        return rectangle_corners(shape.rectangle.length, shape.rectangle.width)
    return list(shape.polygon.corners) if shape.polygon is not None else []


def rectangle_corners(length_m: float, width_m: float) -> list[Corner]:
    """Return the corners of a centred rectangle, `length_m` along its own x."""
    x, y = length_m / 2.0, width_m / 2.0
    return [(-x, -y), (x, -y), (x, y), (-x, y)]


def polygon_at(corners: Sequence[Corner], pose: PoseIn) -> Any:
    """Return a polygon given in its own axes as a shapely geometry, field frame."""
    c, s = math.cos(pose.heading), math.sin(pose.heading)
    return shapely.Polygon([(pose.x + c * x - s * y, pose.y + s * x + c * y) for x, y in corners])


def footprint_corners(robot: Robot) -> list[Corner]:
    """Return the corners of the outline in the robot's own axes, before taking the convex hull. [m]"""
    outline = robot.footprint
    if outline.corners is not None:
        return list(outline.corners)
    return rectangle_corners(outline.length or 0.0, outline.width or 0.0)


def footprint_at(corners: Sequence[Corner], pose: PoseIn) -> Any:
    """Return the convex hull of the robot's corners at a pose."""
    return polygon_at(corners, pose).convex_hull


def is_within(inner: Any, outer: Any) -> bool:
    """Say whether a geometry stays in another but for `TOUCH_M`."""
    return bool(outer.buffer(TOUCH_M, join_style="mitre").covers(inner))


def overlap(a: Any, b: Any) -> bool:
    """Say whether two geometries overlap by more than `TOUCH_M`."""
    return bool(a.buffer(-TOUCH_M, join_style="mitre").intersects(b))
