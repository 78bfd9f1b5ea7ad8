"""The robot's outline as a convex hull, and what it touches: array kernels over trials.

Hull corners are counter-clockwise, arrays hx, hy of shape (m, n): m corners, n trials. Contact is
closed: touching counts.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray, cos_sin
from driftgate.schema.robot import Footprint
from driftgate.world.distance import point_to_segment
from driftgate.world.rays import Values

BoolArray = NDArray[np.bool_]


def footprint_hull(footprint: Footprint) -> FloatArray:
    """Return the convex hull of a footprint in the robot's axes.

    Parameters
    ----------
    footprint : Footprint
        A rectangle centred on the robot's origin (length ahead), or corners.

    Returns
    -------
    ndarray, shape (m, 2)
        Corners, counter-clockwise, none of them on the line of its neighbours. [m]

    Raises
    ------
    ModelError
        If the footprint is neither, or encloses no area.
    """
    if footprint.corners is not None:
        points = list(footprint.corners)
    elif footprint.length is not None and footprint.width is not None:
        half_l, half_w = 0.5 * footprint.length, 0.5 * footprint.width
        points = [(x, y) for x in (-half_l, half_l) for y in (-half_w, half_w)]
    else:
        raise ModelError("a footprint needs length and width, or corners")
    hull = convex_hull(points)
    if len(hull) < 3:
        raise ModelError("a footprint must enclose an area")
    return hull


def footprint_reach_m(footprint: Footprint) -> float:
    """Return how far the furthest point of a footprint is from the robot's origin. [m]"""
    return float(np.hypot(*footprint_hull(footprint).T).max())


def convex_hull(points: Sequence[tuple[float, float]]) -> FloatArray:
    """Return the corners of the convex hull of points, counter-clockwise, shape (m, 2).

    Monotone chain: A. M. Andrew, Information Processing Letters 9(5), 1979, pp. 216-219 (from memory).
    """
    rising = sorted(set(points))
    return np.array(_half_hull(rising)[:-1] + _half_hull(rising[::-1])[:-1], dtype=float)


def _half_hull(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    chain: list[tuple[float, float]] = []
    for point in points:
        while len(chain) >= 2 and _turn(chain[-2], chain[-1], point) <= 0.0:
            chain.pop()
        chain.append(point)
    return chain


def _turn(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def hull_at(corners: FloatArray, x: Values, y: Values, heading: Values) -> tuple[FloatArray, FloatArray]:
    """Return the hull at poses given as arrays of shape (n,): hx, hy of shape (m, n). [m]"""
    c, s = cos_sin(heading)
    own_x, own_y = corners[:, 0, None], corners[:, 1, None]
    return x + c * own_x - s * own_y, y + s * own_x + c * own_y


def hull_meets_segment(
    hx: FloatArray, hy: FloatArray, ax: Values, ay: Values, bx: Values, by: Values
) -> BoolArray:
    """Return whether a convex hull meets a segment, by the separating axis theorem.

    Parameters
    ----------
    hx, hy : ndarray, shape (m, n)
        Corners of the hull, counter-clockwise. [m]
    ax, ay, bx, by : ndarray, shape (n,), or float
        End points of the segment. [m]

    Returns
    -------
    ndarray of bool, shape (n,)
        Whether they have a point in common.

    Notes
    -----
    Two convex polygons are apart if and only if a normal of one of their edges separates them; a
    segment is a polygon of two edges (S. Gottschalk, M. C. Lin and D. Manocha, "OBBTree", SIGGRAPH
    1996, section 5, from memory).
    """
    ex, ey = _edges(hx, hy)
    # Positive: outside this edge of the hull.
    a_out, b_out = ey * (ax - hx) - ex * (ay - hy), ey * (bx - hx) - ex * (by - hy)
    by_hull = (np.minimum(a_out, b_out) > 0.0).any(axis=0)
    side = np.subtract(bx, ax) * (hy - ay) - np.subtract(by, ay) * (hx - ax)
    by_segment = (side > 0.0).all(axis=0) | (side < 0.0).all(axis=0)
    return np.asarray(~(by_hull | by_segment))


def hull_meets_disc(hx: FloatArray, hy: FloatArray, cx: Values, cy: Values, radius_m: Values) -> BoolArray:
    """Return whether a convex hull meets a disc, shape (n,); arguments as in `hull_meets_segment`."""
    return np.asarray(hull_distance_to_point(hx, hy, cx, cy) <= radius_m)


def hull_distance_to_point(hx: FloatArray, hy: FloatArray, px: Values, py: Values) -> FloatArray:
    """Return the distance of a point from a convex hull, 0 inside, shape (n,). [m]"""
    ex, ey = _edges(hx, hy)
    inside = (ey * (px - hx) - ex * (py - hy) <= 0.0).all(axis=0)
    to_edges = point_to_segment(px, py, hx, hy, hx + ex, hy + ey)
    return np.where(inside, 0.0, to_edges.min(axis=0))


def hull_distance_to_segment(
    hx: FloatArray, hy: FloatArray, ax: Values, ay: Values, bx: Values, by: Values
) -> FloatArray:
    """Return the distance of a segment from a convex hull, 0 where they meet, shape (n,). [m]

    Where they do not meet, the nearest points include a corner of the hull or an end of the segment.
    """
    corners = point_to_segment(hx, hy, ax, ay, bx, by).min(axis=0)
    ends = np.minimum(hull_distance_to_point(hx, hy, ax, ay), hull_distance_to_point(hx, hy, bx, by))
    return np.where(hull_meets_segment(hx, hy, ax, ay, bx, by), 0.0, np.minimum(corners, ends))


def _edges(hx: FloatArray, hy: FloatArray) -> tuple[FloatArray, FloatArray]:
    return np.concatenate([hx[1:], hx[:1]]) - hx, np.concatenate([hy[1:], hy[:1]]) - hy
