"""Where a beam meets a surface: array kernels.

Every kernel broadcasts over its arguments, takes and returns float64, has no branch on the data,
and raises no warning. (px, py) is where the beam starts and (ux, uy) its direction, a unit vector;
ranges are in metres, infinite for a miss.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.world.values import Edge

Values = FloatArray | float

# Below this |u x (b - a)| a beam runs along the surface and meets nothing. [m]
_PARALLEL_M = 1e-15
# A beam into a corner must not slip between two surfaces that share it by rounding.
_END_SHARE = 1e-12
# More than one element in so many is many.
_MANY = 12


class EdgeArrays(NamedTuple):
    """Edges as arrays of length E, in the order given: end points, free-side normal, heights."""

    ax: FloatArray
    ay: FloatArray
    bx: FloatArray
    by: FloatArray
    nx: FloatArray
    ny: FloatArray
    low_m: FloatArray
    high_m: FloatArray


def write_where(values: NDArray[Any], where: NDArray[np.bool_], by: Any) -> None:
    """Replace some elements of a row in place.

    A few go by their places, many by the mask: where all are replaced that is ten times as fast, where one in
    a thousand is it is half as fast.

    Parameters
    ----------
    values : ndarray
        Of the caller's own making: nobody else looks at them.
    where : ndarray of bool
        Which, of the same shape.
    by : ndarray or float or int
        What instead: for each element, in a row that broadcasts to them, or for all.
    """
    count = np.count_nonzero(where)
    if count == 0:
        return
    if np.size(by) > 1 and np.shape(by) != values.shape:
        by = np.broadcast_to(by, values.shape)
    if _MANY * count > values.size:
        np.putmask(values, where, by)
        return
    rows = where.nonzero()
    values[rows] = by if np.size(by) == 1 else by[rows]


def replaced(values: FloatArray, where: NDArray[np.bool_], by: Values) -> FloatArray:
    """Return values with some of them replaced; written in place where they can be, as `write_where` does."""
    if np.ndim(values) == 0:
        return np.where(where, by, values)
    write_where(values, where, by)
    return values


def edge_arrays(edges: Iterable[Edge]) -> EdgeArrays:
    """Return edges as arrays."""
    rows = [(*e.a, *e.b, *e.normal, e.low_m, e.high_m) for e in edges]
    table = np.array(rows, dtype=float).reshape(-1, 8)
    return EdgeArrays(*(np.ascontiguousarray(column) for column in table.T))


def range_to_segment(
    px: Values,
    py: Values,
    ux: Values,
    uy: Values,
    ax: Values,
    ay: Values,
    bx: Values,
    by: Values,
) -> FloatArray:
    """Return how far along a beam a segment is met.

    Both faces answer, the end points belong to the segment, and a beam parallel to it misses,
    even along it: an edge-on surface gives no echo.

    Parameters
    ----------
    px, py : ndarray or float
        Start of the beam. [m]
    ux, uy : ndarray or float
        Unit direction.
    ax, ay, bx, by : ndarray or float
        End points of the segment. [m]

    Returns
    -------
    ndarray
        Range, inf for a miss. [m]

    Notes
    -----
    With e = b - a and w = a - p, solving p + r u = a + s e gives r = (w x e)/(u x e) and
    s = (w x u)/(u x e), elementary plane geometry (derived).
    """
    ax, ay = np.asarray(ax, float), np.asarray(ay, float)
    ex, ey = np.asarray(bx, float) - ax, np.asarray(by, float) - ay
    wx, wy = ax - px, ay - py
    cross = ux * ey - uy * ex
    crosses = np.abs(cross) > _PARALLEL_M
    inverse = 1.0 / (cross if crosses.all() else np.where(crosses, cross, 1.0))
    range_m = np.asarray((wx * ey - wy * ex) * inverse)
    share = (wx * uy - wy * ux) * inverse
    hit = crosses & (range_m >= 0.0) & (np.abs(share - 0.5) <= 0.5 + _END_SHARE)
    return range_m if hit.all() else replaced(range_m, ~hit, np.inf)


def range_to_line(
    px: Values, py: Values, ux: Values, uy: Values, ax: Values, ay: Values, ex: Values, ey: Values
) -> FloatArray:
    """Return how far along a beam a segment is met that it is known to meet.

    Arguments as in `range_to_segment`, but with the way e = b - a to its other end; where that one finds a
    hit the same number bit for bit.
    """
    wx, wy = np.subtract(ax, px), np.subtract(ay, py)
    with np.errstate(divide="ignore", invalid="ignore"):
        inverse = np.divide(1.0, ux * ey - uy * ex)
        return np.asarray((wx * ey - wy * ex) * inverse, dtype=float)


def range_to_disc(
    px: Values,
    py: Values,
    ux: Values,
    uy: Values,
    cx: Values,
    cy: Values,
    radius_m: Values,
) -> FloatArray:
    """Return how far along a beam a disc is met; 0 for a beam that starts on or inside it.

    A sensor inside a disc is pressed against it: its echo comes at once, not from the far side.

    Parameters
    ----------
    px, py, ux, uy : ndarray or float
        The beam. [m]
    cx, cy : ndarray or float
        Centre. [m]
    radius_m : ndarray or float
        Radius. [m]

    Returns
    -------
    ndarray
        Range, inf for a miss. [m]
    """
    wx, wy = np.asarray(cx, float) - px, np.asarray(cy, float) - py
    radius2 = np.square(radius_m)
    along = wx * ux + wy * uy
    # The offset from the axis by a cross product: |w|^2 - along^2 would cancel far from the disc.
    half2 = radius2 - np.square(wx * uy - wy * ux)
    range_m = along - np.sqrt(np.maximum(half2, 0.0))
    inside = wx * wx + wy * wy <= radius2
    hit = (half2 >= 0.0) & (range_m >= 0.0)
    return np.where(inside, 0.0, np.where(hit, range_m, np.inf))


def range_to_polygon(
    px: Values, py: Values, ux: Values, uy: Values, corners_x: FloatArray, corners_y: FloatArray
) -> FloatArray:
    """Return how far along a beam the outline of a polygon is met; 0 for a beam that starts inside it.

    Parameters
    ----------
    px, py, ux, uy : ndarray or float
        The beam. [m]
    corners_x, corners_y : ndarray, shape (m, ...)
        Corners in either order; the axes after the first broadcast with the beam. [m]

    Returns
    -------
    ndarray
        Range, inf for a miss. [m]
    """
    count = len(corners_x)
    nearest = np.full((), np.inf)
    for i in range(count):
        j = (i + 1) % count
        face = range_to_segment(px, py, ux, uy, corners_x[i], corners_y[i], corners_x[j], corners_y[j])
        nearest = np.minimum(nearest, face)
    return at_once_inside(nearest, px, py, corners_x, corners_y)


def at_once_inside(
    nearest_m: FloatArray, px: Values, py: Values, corners_x: FloatArray, corners_y: FloatArray
) -> FloatArray:
    """Return the range to a polygon's outline, made 0 where the beam starts inside the polygon.

    A sensor inside a thing is pressed against it and does not see its far side. Inside is where a line to
    one side crosses the outline an odd number of times (M. Shimrat, Algorithm 112, Communications of the
    ACM 5(8), 1962, p. 434, from memory).
    """
    if not np.isfinite(nearest_m).any():
        return nearest_m
    inside = np.zeros(np.shape(nearest_m), dtype=bool)
    for i in range(len(corners_x)):
        j = (i + 1) % len(corners_x)
        rise, above = corners_y[j] - corners_y[i], corners_y[i] > py
        spans = above != (corners_y[j] > py)
        left = (px - corners_x[i]) * rise - (py - corners_y[i]) * (corners_x[j] - corners_x[i])
        inside ^= spans & ((left < 0.0) == (rise > 0.0))
    return np.where(inside, 0.0, nearest_m)


def nearest_edge(
    px: Values,
    py: Values,
    ux: Values,
    uy: Values,
    ax: FloatArray,
    ay: FloatArray,
    bx: FloatArray,
    by: FloatArray,
) -> tuple[FloatArray, NDArray[np.intp]]:
    """Return range and index of the first of all surfaces that a beam meets.

    Parameters
    ----------
    px, py, ux, uy : ndarray or float
        The beams, any common shape. [m]
    ax, ay, bx, by : ndarray, shape (E,) or (E, ...)
        End points of the segments; axes after the first broadcast with the beams. [m]

    Returns
    -------
    range_m : ndarray
        inf where the beam meets nothing. [m]
    index : ndarray of int
        The segment met, the lowest index where several are equally near, -1 for none.
    """
    shape = np.broadcast_shapes(*(np.shape(v) for v in (px, py, ux, uy)), np.shape(ax)[1:])
    nearest = np.full(shape, np.inf)
    index = np.full(shape, -1, dtype=np.intp)
    # One pass per surface keeps memory at the size of the beams, not beams x surfaces.
    for i in range(len(ax)):
        range_m = range_to_segment(px, py, ux, uy, ax[i], ay[i], bx[i], by[i])
        index = np.where(range_m < nearest, i, index)
        nearest = np.minimum(nearest, range_m)
    return nearest, index
