"""Where a cone of beams meets a surface, as far as it is quickly said: array kernels.

Nearly every answer is the foot or a rim, and comes out of four products of the axis, the surface and the way
to it; or it is an end, where all else that is in the cone lies behind that. `driftgate.world.cone` says why,
and works out the rest.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.world.rays import Values, replaced

# A surface seen edge-on, its line this near the apex as a share of the range, gives no echo.
EDGE_ON_SHARE = 1e-12
# What is met more obliquely than this is left to the clipping.
_OBLIQUE = 1e-9
_LEAST_LENGTH2_M2 = 1e-300


class Axis(NamedTuple):
    """A cone in the plane: its apex, the unit direction of its axis and half its width.

    Attributes
    ----------
    px, py : ndarray or float
        Apex. [m]
    ux, uy : ndarray or float
        Unit direction.
    half_rad : float
        Half the cone's angle, below pi/2; 0 is a line. [rad]
    """

    px: Values
    py: Values
    ux: Values
    uy: Values
    half_rad: float = 0.0

    def at(self, rows: slice | NDArray[np.intp]) -> Axis:
        """Return some of the cones."""
        px, py, ux, uy = (np.asarray(value, dtype=float)[rows] for value in self[:4])
        return Axis(px, py, ux, uy, self.half_rad)


class Quick(NamedTuple):
    """What a foot, a rim or an end answers; `open` where that is not settled."""

    range_m: FloatArray  # inf where nothing is met
    met: NDArray[np.bool_]  # at the foot or on a rim
    ends: tuple[Ends, ...]
    open: NDArray[np.bool_]
    foot: NDArray[np.bool_]  # answers at the foot, else on a rim
    facing: FloatArray | float  # 1 if the foot lies to the right of the segment's vector, -1 if to the left
    slide: FloatArray
    closing: FloatArray
    length: FloatArray

    def cosine(self) -> FloatArray:
        """Return how squarely it is met."""
        cosine = np.asarray(np.minimum(self.closing / self.length, 1.0))
        return cosine if cosine.shape == self.met.shape else np.array(np.broadcast_to(cosine, self.met.shape))

    def side(self) -> FloatArray:
        """Return 1 for the rim on the left, -1 for that on the right."""
        return np.asarray(-np.copysign(self.facing, self.slide * self.facing))


class Ends(NamedTuple):
    """Where an end of the segment answers: which elements, and the way to it from the apex."""

    rows: NDArray[np.intp]
    x: FloatArray
    y: FloatArray
    range_m: FloatArray
    cosine: FloatArray


_NOTHING_OPEN: NDArray[np.bool_] = np.zeros(1, dtype=bool)


def quick_answer(cone: Axis, ax: Values, ay: Values, bx: Values, by: Values) -> Quick:
    """Return which segments answer at the foot, on a rim or at an end, and from how far.

    With the axis u, the segment's vector e and the way w to its first end, the line is |w x e| / |e| away.
    A ray v meets it at r = (w x e) / (v x e), and there a share (r v - w).e / e.e along it. The foot is in
    the wedge where u.e, the part of the axis along the line, is small against u x e; else the rim on
    its side answers, whose products with e are those of u turned by half the cone.
    Where what would answer lies before an end, the end does if it is in the wedge, else nothing. Whatever is
    met at a grazing angle is left open.
    """
    px, py, ux, uy, half_rad = cone
    c, s = math.cos(half_rad), math.sin(half_rad)
    ex, ey = np.subtract(bx, ax), np.subtract(by, ay)
    wx, wy = np.subtract(ax, px), np.subtract(ay, py)
    length2 = np.maximum(ex * ex + ey * ey, _LEAST_LENGTH2_M2)
    length = np.sqrt(length2)
    cross = np.asarray(wx * ey - wy * ex)
    facing = _sign_of(cross)
    slide = np.asarray(ux * ex + uy * ey)
    ahead, aside = (ux * ey - uy * ex) * facing, np.abs(slide)
    aside_c, ahead_s = aside * c, ahead * s
    foot = np.asarray(aside_c <= ahead_s)
    closing: FloatArray
    along: FloatArray
    if foot.all():
        closing, along = np.broadcast_to(length, cross.shape), np.zeros(())
    else:
        closing, along = ahead * c + aside * s, (aside_c - ahead_s) * _sign_of(slide)
        if foot.any():
            closing, along = replaced(closing, foot, length), replaced(along, foot, 0.0)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        range_m = np.asarray(np.abs(cross) / closing)
        share = np.asarray((range_m * along - (wx * ex + wy * ey)) / length2)
    least = _OBLIQUE * length
    squarely = closing > least
    met = np.asarray(squarely & (share >= 0.0) & (share <= 1.0))
    ends: tuple[Ends, ...] = ()
    left_open = _NOTHING_OPEN
    if not met.all():
        # Seen from the foot the other rim lies beyond the near one: past an end there, the whole wedge is.
        past = ((along < 0.0) & (share < -_OBLIQUE)) | ((along > 0.0) & (share > 1.0 + _OBLIQUE))
        left_open = np.asarray(~met & (closing >= -least) & ~(past & squarely))
        range_m = replaced(range_m, ~met, np.inf)
        if met.ndim == 1 and met.size > 1 and left_open.any():
            before = (left_open & squarely & (share < 0.0) & (along >= 0.0)).nonzero()[0]
            behind = (left_open & squarely & (share > 1.0) & (along <= 0.0)).nonzero()[0]
            ends = tuple(
                _end_in_wedge(rows, cone, x, y, (cross, length), left_open)
                for rows, x, y in ((before, ax, ay), (behind, bx, by))
                if len(rows)
            )
            for end in ends:
                range_m[end.rows] = end.range_m
    return Quick(range_m, met, ends, left_open, foot, facing, slide, closing, np.asarray(length))


def _sign_of(value: FloatArray) -> FloatArray | float:
    """Return 1 or -1 with the sign of a value: one for all elements where they share it, which is cheaper."""
    if value.size and value.min() > 0.0:
        return 1.0
    if value.size and value.max() < 0.0:
        return -1.0
    return np.copysign(1.0, value)


def _end_in_wedge(
    rows: NDArray[np.intp],
    cone: Axis,
    x: Values,
    y: Values,
    line: tuple[FloatArray, FloatArray],
    left_open: NDArray[np.bool_],
) -> Ends:
    """Return which of some elements an end answers that all else of the segment lies behind.

    Takes from `left_open` those that are settled, misses among them; `line` is the segment's w x e and its
    length.
    """
    px, py, ux, uy = (rows_of(value, rows) for value in cone[:4])
    vx, vy = np.subtract(rows_of(x, rows), px), np.subtract(rows_of(y, rows), py)
    c, s = math.cos(cone.half_rad), math.sin(cone.half_rad)
    # As where a surface is clipped to the wedge: inside is where this is not positive.
    outside_m = c * np.abs(ux * vy - uy * vx) - s * (vx * ux + vy * uy)
    range_m = np.asarray(np.sqrt(vx * vx + vy * vy))
    across_m = np.abs(rows_of(line[0], rows)) / rows_of(line[1], rows)
    inside = np.asarray((outside_m <= 0.0) & (across_m >= EDGE_ON_SHARE * range_m) & (range_m > 0.0))
    if inside.all():
        left_open[rows] = False
    else:
        left_open[rows[inside | (outside_m > _OBLIQUE * range_m)]] = False
        which = inside.nonzero()[0]
        rows = rows[which]
        vx, vy, range_m, across_m = (v[which] for v in (vx, vy, range_m, across_m))
    return Ends(rows, vx, vy, range_m, np.minimum(across_m / range_m, 1.0))


def rows_of(value: Values, rows: NDArray[np.intp]) -> Values:
    """Return some elements of a row; one value that stands for all stays as it is."""
    return value if np.size(value) == 1 else np.asarray(value)[rows]
