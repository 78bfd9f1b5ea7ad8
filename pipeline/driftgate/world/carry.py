"""How a field that is not built as drawn carries what stands on it.

A wall's build error is an offset along its inward normal and a tilt about its middle,
counter-clockwise. What is placed against the wall, or fixed to it, moves with it as one rigid body.
"""

from __future__ import annotations

import numpy as np

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray, wrap_angle
from driftgate.world.rays import Values
from driftgate.world.values import Edge

# Walls whose nominal directions differ by less than this (as a sine, about 3 deg) meet in no useful
# corner: an offset of one would move it by more than twenty times that offset along the wall.
_SHALLOW = 0.05
# No line of the same two walls may come closer to parallel than this in any trial.
_LEAST_SINE = 0.5 * _SHALLOW
# Beyond 60 deg two walls of one name are not one wall built a little differently.
_LARGEST_TILT_RAD = np.pi / 3.0


def edge_middle(edge: Edge) -> tuple[float, float]:
    """Return the middle of an edge, field frame. [m]"""
    return 0.5 * (edge.a[0] + edge.b[0]), 0.5 * (edge.a[1] + edge.b[1])


def carry_point(
    x: Values,
    y: Values,
    middle: tuple[Values, Values],
    normal: tuple[Values, Values],
    offset_m: Values,
    tilt_rad: Values,
) -> tuple[FloatArray, FloatArray]:
    """Return where a point goes when its wall is built with an offset and a tilt.

    Parameters
    ----------
    x, y : ndarray or float
        The point as drawn. [m]
    middle, normal : pair of ndarray or float
        Middle and inward unit normal of the wall as drawn. [m]
    offset_m, tilt_rad : ndarray or float
        The wall's build error: first the tilt about the middle, then the offset along the normal
        as drawn. [m, rad]

    Returns
    -------
    x, y : ndarray
        The point as built; all arguments broadcast. [m]
    """
    c, s = np.cos(tilt_rad), np.sin(tilt_rad)
    dx, dy = x - middle[0], y - middle[1]
    return (
        np.asarray(middle[0] + c * dx - s * dy + offset_m * normal[0], dtype=float),
        np.asarray(middle[1] + s * dx + c * dy + offset_m * normal[1], dtype=float),
    )


def carry_pose(
    pose: FloatArray,
    middle: tuple[Values, Values],
    normal: tuple[Values, Values],
    offset_m: Values,
    tilt_rad: Values,
) -> FloatArray:
    """Return where a pose goes when its wall is built with an offset and a tilt.

    Parameters
    ----------
    pose : ndarray, shape (..., 3)
        Pose as drawn, field frame. [m, m, rad]
    middle, normal, offset_m, tilt_rad
        As in `carry_point`; they broadcast with ``pose[..., 0]``.

    Returns
    -------
    ndarray, shape (..., 3)
        Pose as built.
    """
    pose = np.asarray(pose, dtype=float)
    x, y = carry_point(pose[..., 0], pose[..., 1], middle, normal, offset_m, tilt_rad)
    return np.stack(np.broadcast_arrays(x, y, pose[..., 2] + tilt_rad), axis=-1)


def wall_lines_to_corners(
    ax: FloatArray,
    ay: FloatArray,
    bx: FloatArray,
    by: FloatArray,
    offset_m: FloatArray,
    tilt_rad: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the end points of all walls as built: corners are where the wall lines meet.

    Parameters
    ----------
    ax, ay, bx, by : ndarray, shape (W,)
        End points of the walls as drawn, in file order (the first W edges of a `World`), which is
        the order round the field; wall i shares a corner with wall i + 1. [m]
    offset_m, tilt_rad : ndarray, shape (W, n)
        Build errors per wall and trial. [m, rad]

    Returns
    -------
    ax, ay, bx, by : ndarray, shape (W, n)
        End points as built; neighbours still share their corner exactly. [m]

    Notes
    -----
    *Limits.* Where neighbours are within 3 deg of one line the corner is put midway between the
    places to which each of the two carries it, since their lines meet anywhere or nowhere; the
    walls' ends then leave their lines by half the difference of the two build errors.
    """
    count = len(ax)
    counter_clockwise = bool(ax[1] == bx[0] and ay[1] == by[0])
    # Corner i is shared by wall i and wall i + 1.
    corner_x, corner_y = (bx, by) if counter_clockwise else (ax, ay)
    length = np.hypot(bx - ax, by - ay)
    ex, ey = (bx - ax) / length, (by - ay) / length
    middle = 0.5 * (ax + bx), 0.5 * (ay + by)
    after = (np.arange(count) + 1) % count

    px = middle[0][:, None] - offset_m * ey[:, None]
    py = middle[1][:, None] + offset_m * ex[:, None]
    c, s = np.cos(tilt_rad), np.sin(tilt_rad)
    dx, dy = c * ex[:, None] - s * ey[:, None], s * ex[:, None] + c * ey[:, None]

    sine = dx * dy[after] - dy * dx[after]
    shallow = np.abs(ex * ey[after] - ey * ex[after])[:, None] < _SHALLOW
    meets = ~shallow & (np.abs(sine) >= _LEAST_SINE)
    along = ((px[after] - px) * dy[after] - (py[after] - py) * dx[after]) / np.where(meets, sine, 1.0)
    by_here = _carried_corner(corner_x, corner_y, middle, (ex, ey), offset_m, tilt_rad)
    after_errors = offset_m[after], tilt_rad[after]
    after_middle = middle[0][after], middle[1][after]
    by_after = _carried_corner(corner_x, corner_y, after_middle, (ex[after], ey[after]), *after_errors)
    x = np.where(meets, px + along * dx, 0.5 * (by_here[0] + by_after[0]))
    y = np.where(meets, py + along * dy, 0.5 * (by_here[1] + by_after[1]))

    before_x, before_y = np.roll(x, 1, axis=0), np.roll(y, 1, axis=0)
    return (before_x, before_y, x, y) if counter_clockwise else (x, y, before_x, before_y)


def _carried_corner(
    x: FloatArray,
    y: FloatArray,
    middle: tuple[FloatArray, FloatArray],
    direction: tuple[FloatArray, FloatArray],
    offset_m: FloatArray,
    tilt_rad: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return corner i carried by the wall of row i, shape (W, n)."""
    column = (middle[0][:, None], middle[1][:, None])
    normal = (-direction[1][:, None], direction[0][:, None])
    return carry_point(x[:, None], y[:, None], column, normal, offset_m, tilt_rad)


def line_difference(believed: Edge, true: Edge) -> tuple[float, float]:
    """Return by how much the true wall's line differs from the believed one.

    Parameters
    ----------
    believed, true : Edge
        The same wall on the two maps.

    Returns
    -------
    offset_m : float
        Offset at the middle of the believed wall, along its normal. [m]
    tilt_rad : float
        Direction of the true wall less that of the believed one. [rad]

    Raises
    ------
    ModelError
        If the two directions differ by more than 60 deg: they are not one wall.

    Notes
    -----
    Inverse of the carry rule: a wall carried by (offset, tilt) has that difference to itself.
    """
    tilt_rad = wrap_angle(_direction(true) - _direction(believed))
    if abs(tilt_rad) > _LARGEST_TILT_RAD:
        raise ModelError(
            f"wall {believed.id!r} of the true map has another direction than on the believed map"
        )
    mx, my = edge_middle(believed)
    gap = true.normal[0] * (true.a[0] - mx) + true.normal[1] * (true.a[1] - my)
    facing = true.normal[0] * believed.normal[0] + true.normal[1] * believed.normal[1]
    return gap / facing, tilt_rad


def _direction(edge: Edge) -> float:
    return float(np.arctan2(edge.b[1] - edge.a[1], edge.b[0] - edge.a[0]))
