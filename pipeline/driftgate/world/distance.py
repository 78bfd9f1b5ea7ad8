"""Distances between points and segments: array kernels.

Every kernel broadcasts over its arguments, has no branch on the data and raises no warning.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.world.rays import Values


def point_to_segment(px: Values, py: Values, ax: Values, ay: Values, bx: Values, by: Values) -> FloatArray:
    """Return the distance of a point from a segment (a == b allowed). [m]"""
    ex, ey = np.subtract(bx, ax), np.subtract(by, ay)
    wx, wy = np.subtract(px, ax), np.subtract(py, ay)
    length2 = ex * ex + ey * ey
    share = np.clip((wx * ex + wy * ey) / np.where(length2 > 0.0, length2, 1.0), 0.0, 1.0)
    away_x, away_y = wx - share * ex, wy - share * ey
    # Not hypot, which takes seven times as long; nothing here is near the ends of the range of floats.
    return np.asarray(np.sqrt(away_x * away_x + away_y * away_y), dtype=float)


def segments_cross(
    ax: Values, ay: Values, bx: Values, by: Values, cx: Values, cy: Values, dx: Values, dy: Values
) -> NDArray[np.bool_]:
    """Return whether segment a-b and segment c-d cross; touching at an end may count either way."""
    c_side, d_side = _side(ax, ay, bx, by, cx, cy), _side(ax, ay, bx, by, dx, dy)
    a_side, b_side = _side(cx, cy, dx, dy, ax, ay), _side(cx, cy, dx, dy, bx, by)
    return np.asarray((c_side * d_side < 0.0) & (a_side * b_side < 0.0))


def segment_to_segment(
    ax: Values, ay: Values, bx: Values, by: Values, cx: Values, cy: Values, dx: Values, dy: Values
) -> FloatArray:
    """Return the distance of segment a-b from segment c-d, 0 where they cross. [m]

    Two segments that do not cross are nearest at an end of one of them.
    """
    nearest = np.minimum(
        np.minimum(point_to_segment(ax, ay, cx, cy, dx, dy), point_to_segment(bx, by, cx, cy, dx, dy)),
        np.minimum(point_to_segment(cx, cy, ax, ay, bx, by), point_to_segment(dx, dy, ax, ay, bx, by)),
    )
    return np.where(segments_cross(ax, ay, bx, by, cx, cy, dx, dy), 0.0, nearest)


def _side(ax: Values, ay: Values, bx: Values, by: Values, px: Values, py: Values) -> FloatArray:
    """Return on which side of a -> b a point lies: positive on the left."""
    ex, ey = np.subtract(bx, ax), np.subtract(by, ay)
    return np.asarray(ex * np.subtract(py, ay) - ey * np.subtract(px, ax), dtype=float)
