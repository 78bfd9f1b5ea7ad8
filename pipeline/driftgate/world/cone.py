"""Where a cone of beams meets a surface: array kernels.

A range sensor sends out a cone, and the nearest surface point inside it answers. In the plane the cone is
the wedge of directions within `half_rad` of the axis u, and its answer from a surface is

* the foot of the perpendicular, where that lies in the wedge: the range is then the distance from the
  surface's line, whatever the axis;
* else an end of the surface, or where the rim of the wedge meets it, whichever of the points of the
  surface inside the wedge is nearest to the foot.

For the part of a segment inside a convex wedge is a segment again, and the distance from the apex grows
along it to either side of the foot. Elementary plane geometry (derived). That a sonar cone answers with
its nearest point is the region-of-constant-depth model of J. Leonard and H. Durrant-Whyte, Directed Sonar
Sensing for Mobile Robot Navigation (1992) (from memory), without its fading towards the rim.

Nearly every answer comes out of `driftgate.world.wedge`. What is left is worked out by clipping the surface
to the wedge, for those elements alone; so what one element gives never depends on the others.

Every kernel broadcasts and raises no warning. A half width of exactly zero is a line and goes to
`driftgate.world.rays`, bit for bit.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.world.rays import (
    Values,
    at_once_inside,
    nearest_edge,
    range_to_disc,
    range_to_segment,
    replaced,
)
from driftgate.world.wedge import EDGE_ON_SHARE, quick_answer
from driftgate.world.wedge import Axis as Axis

# A shorter surface has no direction. [m^2]
_LEAST_LENGTH2_M2 = 1e-300

RIM, FOOT, END = 0, 1, 2


class Answer(NamedTuple):
    """The point of a surface that answers in a cone; arrays of one shape.

    Attributes
    ----------
    range_m : ndarray
        Distance from the apex, inf where the cone meets nothing. [m]
    ux, uy : ndarray
        Unit direction of the answering ray; the cone's axis where there is none.
    kind : ndarray of int8
        RIM where the answer turns with the sensor (a line's always does, and so does a miss), FOOT of the
        perpendicular, or END of the surface.
    """

    range_m: FloatArray
    ux: FloatArray
    uy: FloatArray
    kind: NDArray[np.int8]


class _Inside(NamedTuple):
    """The nearest point, inside a wedge, of each segment: relative to the apex."""

    x: FloatArray
    y: FloatArray
    range_m: FloatArray
    across_m: FloatArray  # distance of the apex from the segment's line
    share: FloatArray
    foot: FloatArray
    hit: NDArray[np.bool_]


def segment_in_cone(
    cone: Axis, ax: Values, ay: Values, bx: Values, by: Values
) -> tuple[FloatArray, FloatArray]:
    """Return how far a segment's nearest point inside a cone is, and how squarely it is met.

    Parameters
    ----------
    cone : Axis
        The cone.
    ax, ay, bx, by : ndarray or float
        End points of the segment. [m]

    Returns
    -------
    range_m : ndarray
        inf where the segment has no point in the cone or is seen edge-on. [m]
    cosine : ndarray
        Cosine of the angle between the answering ray and the segment's normal; 1 for a miss.
    """
    px, py, ux, uy, half_rad = cone
    if half_rad == 0.0:
        range_m = range_to_segment(px, py, ux, uy, ax, ay, bx, by)
        ex, ey = np.subtract(bx, ax), np.subtract(by, ay)
        return range_m, np.where(np.isfinite(range_m), np.abs(ux * ey - uy * ex) / np.hypot(ex, ey), 1.0)
    quick = quick_answer(cone, ax, ay, bx, by)
    range_m = quick.range_m
    if quick.met.all():
        return range_m, quick.cosine()
    cosine = replaced(quick.cosine(), ~quick.met, 1.0)
    for end in quick.ends:
        cosine[end.rows] = end.cosine
    if quick.open.any():
        near = _nearest_inside(*_some(quick.open, cone, ax, ay, bx, by))
        range_m[quick.open] = np.where(near.hit, near.range_m, np.inf)
        positive = near.hit & (near.range_m > 0.0)
        square = np.where(positive, near.across_m / np.where(positive, near.range_m, 1.0), 1.0)
        cosine[quick.open] = np.minimum(square, 1.0)
    return range_m, cosine


def facing_point(
    cone: Axis, ax: Values, ay: Values, bx: Values, by: Values
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return a segment's nearest point in a cone as `segment_in_cone` does, with the direction to it.

    Returns
    -------
    range_m, ux, uy, cosine : ndarray
        The direction is the cone's axis where there is none. The cone has a width.
    """
    answer = answer_in_cone(cone, ax, ay, bx, by)
    return answer.range_m, answer.ux, answer.uy, segment_in_cone(cone, ax, ay, bx, by)[1]


def answer_in_cone(cone: Axis, ax: Values, ay: Values, bx: Values, by: Values) -> Answer:
    """Return which point of a segment answers in a cone: how far, in which direction, of what kind."""
    px, py, ux, uy, half_rad = cone
    if half_rad == 0.0:
        range_m = range_to_segment(px, py, ux, uy, ax, ay, bx, by)
        wide_x, wide_y, kind = np.broadcast_arrays(ux, uy, np.full(range_m.shape, RIM, dtype=np.int8))
        return Answer(range_m, wide_x, wide_y, kind)
    quick = quick_answer(cone, ax, ay, bx, by)
    c, turned = math.cos(half_rad), quick.side() * math.sin(half_rad)
    range_m = quick.range_m
    # A miss counts as met along the axis: the model then goes on beyond the surface's ends, as a line's does.
    towards_x = np.where(quick.met, ux * c - uy * turned, ux)
    towards_y = np.where(quick.met, uy * c + ux * turned, uy)
    kind = np.full(range_m.shape, RIM, dtype=np.int8)
    foot = quick.met & quick.foot
    if foot.any():
        kind[foot] = FOOT
        ex, ey = np.subtract(bx, ax), np.subtract(by, ay)
        length = np.sqrt(np.maximum(ex * ex + ey * ey, _LEAST_LENGTH2_M2))
        towards_x = np.where(foot, ey / length * quick.facing, towards_x)
        towards_y = np.where(foot, -ex / length * quick.facing, towards_y)
    for end in quick.ends:
        kind[end.rows] = END
        towards_x[end.rows], towards_y[end.rows] = end.x / end.range_m, end.y / end.range_m
    if quick.open.any():
        some, *ends = _some(quick.open, cone, ax, ay, bx, by)
        near = _nearest_inside(some, *ends)
        positive = near.hit & (near.range_m > 0.0)
        divisor = np.where(positive, near.range_m, 1.0)
        at_end = (near.share == 0.0) | (near.share == 1.0)
        own = np.where(near.share == near.foot, FOOT, np.where(at_end, END, RIM))
        kind[quick.open] = np.where(near.hit, own, RIM)
        range_m[quick.open] = np.where(near.hit, near.range_m, np.inf)
        towards_x[quick.open] = np.where(positive, near.x / divisor, some.ux)
        towards_y[quick.open] = np.where(positive, near.y / divisor, some.uy)
    return Answer(range_m, towards_x, towards_y, kind)


def disc_in_cone(cone: Axis, cx: Values, cy: Values, radius_m: Values) -> FloatArray:
    """Return how far a disc's nearest point inside a cone is; 0 with the apex on or inside it. [m]

    The range along a ray grows with its angle from the centre, so that the nearest point lies towards the
    centre, or where that is outside the cone on the nearer rim.
    """
    px, py, ux, uy, half_rad = cone
    if half_rad == 0.0:
        return range_to_disc(px, py, ux, uy, cx, cy, radius_m)
    wx, wy = np.subtract(cx, px), np.subtract(cy, py)
    along, left = wx * ux + wy * uy, ux * wy - uy * wx
    c, s = math.cos(half_rad), math.sin(half_rad)
    side = np.where(left >= 0.0, s, -s)
    rim = range_to_disc(px, py, ux * c - uy * side, uy * c + ux * side, cx, cy, radius_m)
    centred = np.maximum(np.sqrt(wx * wx + wy * wy) - radius_m, 0.0)
    return np.where(np.abs(left) * c <= along * s, centred, rim)


def polygon_in_cone(cone: Axis, corners_x: FloatArray, corners_y: FloatArray) -> FloatArray:
    """Return how far the nearest point, inside a cone, of a polygon's outline is.

    Parameters
    ----------
    cone : Axis
        The cone.
    corners_x, corners_y : ndarray, shape (m, ...)
        Corners in either order; the axes after the first broadcast with the cone. [m]

    Returns
    -------
    ndarray
        Range, inf for a miss; 0 with the apex inside, as of a disc. [m]
    """
    count = len(corners_x)
    nearest = np.full((), np.inf)
    for i in range(count):
        j = (i + 1) % count
        ends = corners_x[i], corners_y[i], corners_x[j], corners_y[j]
        if cone.half_rad == 0.0:
            face = range_to_segment(cone.px, cone.py, cone.ux, cone.uy, *ends)
        else:
            face, _ = segment_in_cone(cone, *ends)
        nearest = np.minimum(nearest, face)
    return at_once_inside(nearest, cone.px, cone.py, corners_x, corners_y)


def nearest_edge_in_cone(
    cone: Axis, ax: FloatArray, ay: FloatArray, bx: FloatArray, by: FloatArray
) -> tuple[FloatArray, NDArray[np.intp]]:
    """Return range and index of the surface that answers in a cone.

    Parameters
    ----------
    cone : Axis
        The cones, any common shape.
    ax, ay, bx, by : ndarray, shape (E,) or (E, ...)
        End points of the segments. [m]

    Returns
    -------
    range_m : ndarray
        inf where the cone meets nothing. [m]
    index : ndarray of int
        The segment that answers, -1 for none. Two that share the answering corner: the one met more
        squarely, else the lower index.
    """
    if cone.half_rad == 0.0:
        return nearest_edge(cone.px, cone.py, cone.ux, cone.uy, ax, ay, bx, by)
    shape = np.broadcast_shapes(*(np.shape(v) for v in cone[:4]), np.shape(ax)[1:])
    nearest, square = np.full(shape, np.inf), np.zeros(shape)
    index = np.full(shape, -1, dtype=np.intp)
    for i in range(len(ax)):
        range_m, cosine = segment_in_cone(cone, ax[i], ay[i], bx[i], by[i])
        closer = is_closer(range_m, cosine, nearest, square)
        index = np.where(closer, i, index)
        square = np.where(closer, cosine, square)
        nearest = np.where(closer, range_m, nearest)
    return nearest, index


def is_closer(
    range_m: FloatArray, cosine: FloatArray, nearest_m: FloatArray, square: FloatArray
) -> NDArray[np.bool_]:
    """Return whether an answer comes before the nearest so far: nearer, or as near and met more squarely.

    Two faces answer alike from the corner that they share. The one that faces the sensor has the echo:
    the other may be seen too obliquely to give any.
    """
    closer, tied = range_m < nearest_m, range_m == nearest_m
    if np.any(tied):
        closer = closer | (tied & (cosine > square) & (range_m < np.inf))
    return np.asarray(closer)


def _some(
    which: NDArray[np.bool_], cone: Axis, ax: Values, ay: Values, bx: Values, by: Values
) -> tuple[Axis, Values, Values, Values, Values]:
    """Return some of the cones and segments, in one row."""
    picked: list[Values] = []
    for value in (*cone[:4], ax, ay, bx, by):
        if np.shape(value) == which.shape:
            picked.append(np.asarray(value)[which])
        else:
            # One for all stays as it is.
            picked.append(value if np.size(value) == 1 else np.broadcast_to(value, which.shape)[which])
    px, py, ux, uy, *ends = picked
    return Axis(px, py, ux, uy, cone.half_rad), ends[0], ends[1], ends[2], ends[3]


def _nearest_inside(cone: Axis, ax: Values, ay: Values, bx: Values, by: Values) -> _Inside:
    """Return the nearest point of each segment that lies inside a wedge."""
    px, py, ux, uy, half_rad = cone
    ex, ey = np.subtract(bx, ax), np.subtract(by, ay)
    wx, wy, vx, vy = np.subtract(ax, px), np.subtract(ay, py), np.subtract(bx, px), np.subtract(by, py)
    c, s = math.cos(half_rad), math.sin(half_rad)
    a_along, a_left = wx * ux + wy * uy, ux * wy - uy * wx
    b_along, b_left = vx * ux + vy * uy, ux * vy - uy * vx
    low, high = np.zeros_like(a_along), np.ones_like(a_along)
    hit = np.ones(np.shape(low), dtype=bool)
    for side in (c, -c):
        # Inside of one rim is where this is not positive; the ends come from their own coordinates, so
        # that two surfaces that share a corner agree about it.
        at_a, at_b = side * a_left - s * a_along, side * b_left - s * b_along
        change = at_b - at_a
        crossing = -at_a / np.where(change == 0.0, 1.0, change)
        high = np.where(change > 0.0, np.minimum(high, crossing), high)
        low = np.where(change < 0.0, np.maximum(low, crossing), low)
        hit = hit & ((at_a <= 0.0) | (at_b <= 0.0))
    length2 = ex * ex + ey * ey
    safe2 = np.where(length2 > 0.0, length2, 1.0)
    foot = -(wx * ex + wy * ey) / safe2
    share = np.minimum(np.maximum(foot, low), high)
    x = np.where(share == 1.0, vx, wx + share * ex)
    y = np.where(share == 1.0, vy, wy + share * ey)
    range_m, across_m = np.sqrt(x * x + y * y), np.abs(wx * ey - wy * ex) / np.sqrt(safe2)
    hit = hit & (low <= high) & (across_m >= EDGE_ON_SHARE * range_m)
    return _Inside(x, y, range_m, across_m, share, foot, hit)
