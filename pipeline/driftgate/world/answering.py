"""What answers in a cone whose nearest surface is met too obliquely to give an echo: array kernels.

A smooth surface sends a grazing beam on, away from the sensor. To a line that is the end of it. A cone has
other beams beside those: what they meet may still answer, as a wall ahead does to a robot that drives
along a wall. So where the nearest answer is mute, every other surface is asked: its nearest point answers,
if it is met squarely enough, is in reach, and the sight line to it is free of everything else, mute things
as well. Of those that answer the nearest counts.

No point of a segment in a cone is met more squarely than its nearest one (cosine = distance of the line over
range), so that a segment whose nearest point is mute is mute altogether. A surface whose nearest point is
hidden is left out, although a part of it beside what hides it might answer from further away: that
costs an echo and never makes a wrong range. As the cone narrows this becomes the line's rule.

That a specular surface beyond a critical angle is not seen, and that another one then is, is the sonar model
of R. Kuc and M. Siegel, Physically based simulation model for acoustic sensor robot navigation, IEEE
Transactions on Pattern Analysis and Machine Intelligence 9(6), 1987 (from memory). The sight lines are
elementary plane geometry.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.world.cone import Axis, facing_point, is_closer, nearest_edge_in_cone
from driftgate.world.rays import Values, range_to_disc, range_to_polygon, range_to_segment

# Of two surfaces that share a corner neither hides the corner. [m]
_TOUCHING_M = 1e-9


class Point(NamedTuple):
    """The nearest point of a thing in a cone, shape (n,): range, direction to it, and how squarely it is met.

    The range is inf where there is none.
    """

    range_m: FloatArray
    ux: FloatArray
    uy: FloatArray
    cosine: FloatArray


class Thing(Protocol):
    """What may answer, or hide what does, in a number of cones."""

    def nearest(self, cone: Axis) -> Point:
        """Return its nearest point in each cone."""

    def along(self, ray: Axis, rows: NDArray[np.intp]) -> FloatArray:
        """Return where a ray from the apex of some of the cones first meets it. [m]"""


@dataclass(frozen=True)
class Side:
    """One surface, from a to b, its free side to the left; the same in all cones or one in each.

    It answers towards its free side: the far face of a box shares a corner with one that faces the sensor,
    and nobody sees it there. It hides what is behind it from either side.
    """

    ax: Values
    ay: Values
    bx: Values
    by: Values

    def nearest(self, cone: Axis) -> Point:
        """Return its nearest point in each cone."""
        range_m, *rest = facing_point(cone, self.ax, self.ay, self.bx, self.by)
        away_x, away_y = cone.px - self.ax, cone.py - self.ay
        faces = np.subtract(self.bx, self.ax) * away_y - np.subtract(self.by, self.ay) * away_x > 0.0
        return Point(np.where(faces, range_m, np.inf), *rest)

    def along(self, ray: Axis, rows: NDArray[np.intp]) -> FloatArray:
        """Return where a ray first meets it. [m]"""
        ends = (v if np.ndim(v) == 0 else np.asarray(v)[rows] for v in (self.ax, self.ay, self.bx, self.by))
        return range_to_segment(ray.px, ray.py, ray.ux, ray.uy, *ends)


@dataclass(frozen=True)
class Disc:
    """A disc, met squarely wherever it is met."""

    cx: FloatArray
    cy: FloatArray
    radius_m: float

    def nearest(self, cone: Axis) -> Point:
        """Return its nearest point in each cone: towards its centre, or on the rim nearer to that."""
        wx, wy = self.cx - cone.px, self.cy - cone.py
        along, left = wx * cone.ux + wy * cone.uy, cone.ux * wy - cone.uy * wx
        bearing = np.arctan2(left, along)
        c, s = _turned(cone, np.clip(bearing, -cone.half_rad, cone.half_rad))
        range_m = range_to_disc(cone.px, cone.py, c, s, self.cx, self.cy, self.radius_m)
        return Point(range_m, c, s, np.ones_like(range_m))

    def along(self, ray: Axis, rows: NDArray[np.intp]) -> FloatArray:
        """Return where a ray first meets it. [m]"""
        return range_to_disc(ray.px, ray.py, ray.ux, ray.uy, self.cx[rows], self.cy[rows], self.radius_m)


@dataclass(frozen=True)
class Outline:
    """A polygon, met squarely wherever it is met; corners (m, n)."""

    x: FloatArray
    y: FloatArray

    def nearest(self, cone: Axis) -> Point:
        """Return its nearest point in each cone."""
        best = Point(*(np.broadcast_to(v, self.x.shape[1:]) for v in (np.inf, cone.ux, cone.uy, 1.0)))
        for i in range(len(self.x)):
            j = (i + 1) % len(self.x)
            found = Point(*facing_point(cone, self.x[i], self.y[i], self.x[j], self.y[j]))
            closer = found.range_m < best.range_m
            best = Point(*(np.where(closer, new, old) for new, old in zip(found, best, strict=True)))
        return best._replace(cosine=np.ones_like(best.range_m))

    def along(self, ray: Axis, rows: NDArray[np.intp]) -> FloatArray:
        """Return where a ray first meets it. [m]"""
        return range_to_polygon(ray.px, ray.py, ray.ux, ray.uy, self.x[:, rows], self.y[:, rows])


def _turned(cone: Axis, turn: FloatArray) -> tuple[FloatArray, FloatArray]:
    c, s = np.cos(turn), np.sin(turn)
    return np.asarray(cone.ux * c - cone.uy * s), np.asarray(cone.uy * c + cone.ux * s)


def answer_beside(
    cone: Axis, things: Sequence[Thing], least_cosine: Values, reach_m: float
) -> tuple[FloatArray, NDArray[np.intp], FloatArray]:
    """Return what answers in cones whose nearest surface is mute.

    Parameters
    ----------
    cone : Axis
        The cones, arrays of shape (n,).
    things : sequence of Thing
        Everything that may answer or hide what does.
    least_cosine : ndarray or float
        Cosine of the largest incidence that gives an echo.
    reach_m : float
        Nothing further away answers. [m]

    Returns
    -------
    range_m : ndarray, shape (n,)
        inf where nothing answers. [m]
    index : ndarray of int
        Which of the things, -1 for none; of two with one answering corner the one met more squarely.
    cosine : ndarray
        Of the incidence; 0 for none.
    """
    count = len(np.asarray(cone.px))
    range_m, square = np.full(count, np.inf), np.zeros(count)
    index = np.full(count, -1, dtype=np.intp)
    for i, thing in enumerate(things):
        point = thing.nearest(cone)
        fit = (point.cosine >= least_cosine) & (point.range_m <= reach_m)
        rows = np.flatnonzero(fit & is_closer(point.range_m, point.cosine, range_m, square))
        if not len(rows):
            continue
        apexes = cone.at(rows)
        ray = Axis(apexes.px, apexes.py, point.ux[rows], point.uy[rows])
        limit_m = point.range_m[rows] - _TOUCHING_M
        free = np.ones(len(rows), dtype=bool)
        for j, other in enumerate(things):
            if j != i:
                free &= other.along(ray, rows) >= limit_m
        who = rows[free]
        range_m[who], square[who], index[who] = point.range_m[who], point.cosine[who], i
    return range_m, index, square


def answering_edge(
    cone: Axis,
    ax: FloatArray,
    ay: FloatArray,
    bx: FloatArray,
    by: FloatArray,
    echo_limit_rad: float,
    reach_m: float,
) -> tuple[FloatArray, NDArray[np.intp]]:
    """Return range and index of the surface that answers in a cone, mute ones left out where another does.

    Parameters
    ----------
    cone : Axis
        The cones, arrays of shape (n,).
    ax, ay, bx, by : ndarray, shape (E,)
        End points of the segments, their free sides to the left. [m]
    echo_limit_rad : float
        Largest incidence that gives an echo. [rad]
    reach_m : float
        Nothing further away answers in place of a mute surface. [m]

    Returns
    -------
    range_m : ndarray
        inf where the cone meets nothing. [m]
    index : ndarray of int
        The segment, -1 for none; a mute one where nothing else answers.
    """
    range_m, index = nearest_edge_in_cone(cone, ax, ay, bx, by)
    if cone.half_rad == 0.0:
        return range_m, index
    least = float(np.cos(echo_limit_rad))
    nearest = tuple(np.append(v, np.nan)[index] for v in (ax, ay, bx, by))
    mute = (index >= 0) & (facing_point(cone, *nearest)[3] < least)
    rows = np.flatnonzero(mute)
    if len(rows):
        sides = [Side(*(float(v[i]) for v in (ax, ay, bx, by))) for i in range(len(ax))]
        beside_m, other, _ = answer_beside(cone.at(rows), sides, least, reach_m)
        found = other >= 0
        range_m[rows[found]], index[rows[found]] = beside_m[found], other[found]
    return range_m, index
