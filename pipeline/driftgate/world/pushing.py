"""How far a convex hull pushes what it overlaps: array kernels over trials.

The thing is moved the shortest way out, without turning, until it just touches: the quasi-static push
of a light thing on a floor that holds it where it is let go. A disc is moved exactly so. A polygon
would also turn about where it is touched; here it keeps its heading.
"""

from __future__ import annotations

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.world.footprint import convex_hull, hull_at
from driftgate.world.rays import Values
from driftgate.world.values import Outline


class Pushed:
    """A thing that can be pushed: its outline as a hull meets it, a dent in it as if it were filled."""

    def __init__(self, outline: Outline) -> None:
        self._radius_m = outline.radius_m
        self._corners: FloatArray | None = None
        if outline.radius_m is None:
            assert outline.corners is not None  # an outline is a disc or has corners
            self._corners = convex_hull([(float(u), float(v)) for u, v in outline.corners])

    def out_of(
        self, hull: tuple[FloatArray, FloatArray], x: FloatArray, y: FloatArray, heading: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return by how much it is moved along x and y so that it no longer overlaps the hulls.

        Parameters
        ----------
        hull : tuple of ndarray, shape (m, n)
            Corners of the hulls, counter-clockwise. [m]
        x, y, heading : ndarray, shape (n,)
            Where it is. [m, m, rad]
        """
        if self._corners is None:
            return push_disc(*hull, x, y, self._radius_m or 0.0)
        return push_polygon(*hull, *hull_at(self._corners, x, y, heading))


def push_disc(
    hx: FloatArray, hy: FloatArray, cx: FloatArray, cy: FloatArray, radius_m: Values
) -> tuple[FloatArray, FloatArray]:
    """Return by how much a disc is moved so that it no longer overlaps the hull, zero where it does not.

    Parameters
    ----------
    hx, hy : ndarray, shape (m, n)
        Corners of the hull, counter-clockwise. [m]
    cx, cy : ndarray, shape (n,)
        Centres of the disc. [m]
    radius_m : ndarray, shape (n,), or float
        Its radius. [m]

    Returns
    -------
    tuple of ndarray, shape (n,)
        Displacement along x and y: away from the hull's nearest point, and where the centre itself
        is inside, across the nearest side. [m]
    """
    nx, ny, ex, ey, length = _normals(hx, hy)
    column = np.arange(hx.shape[1])
    out = nx * (cx - hx) + ny * (cy - hy)
    inside = (out <= 0.0).all(axis=0)
    share = np.clip((ex * (cx - hx) + ey * (cy - hy)) / (length * length), 0.0, 1.0)
    away_x, away_y = cx - (hx + share * ex), cy - (hy + share * ey)
    away = np.hypot(away_x, away_y)
    side = np.where(inside, out.argmax(axis=0), away.argmin(axis=0))
    distance = away[side, column]
    safe = np.where(distance > 0.0, distance, 1.0)
    way_x = np.where(inside, nx[side, column], away_x[side, column] / safe)
    way_y = np.where(inside, ny[side, column], away_y[side, column] / safe)
    move = np.maximum(radius_m - np.where(inside, out[side, column], distance), 0.0)
    return move * way_x, move * way_y


def push_polygon(
    hx: FloatArray, hy: FloatArray, px: FloatArray, py: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return by how much a convex polygon is moved so that it no longer overlaps the hull.

    Parameters
    ----------
    hx, hy : ndarray, shape (m, n)
        Corners of the hull, counter-clockwise. [m]
    px, py : ndarray, shape (k, n)
        Corners of the polygon, counter-clockwise. [m]

    Returns
    -------
    tuple of ndarray, shape (n,)
        The shortest displacement along x and y that separates them, zero where they are apart. [m]

    Notes
    -----
    Of two overlapping convex polygons the shortest way out is along a normal of one of their sides
    (S. Cameron and R. Culley, "Determining the minimum translational distance between two convex
    polyhedra", IEEE ICRA 1986, from memory).
    """
    column = np.arange(hx.shape[1])
    nx, ny, *_ = _normals(hx, hy)
    mx, my, *_ = _normals(px, py)
    # How deep the polygon reaches behind each side of the hull, and the hull behind each of its own.
    depth = (nx * hx + ny * hy) - _least(nx, ny, px, py)
    own = (mx * px + my * py) - _least(mx, my, hx, hy)
    every = np.concatenate([depth, own])
    way_x, way_y = np.concatenate([nx, -mx]), np.concatenate([ny, -my])
    side = every.argmin(axis=0)
    move = np.maximum(every[side, column], 0.0)
    return move * way_x[side, column], move * way_y[side, column]


def _normals(
    hx: FloatArray, hy: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return outward unit normals, sides and their lengths of a counter-clockwise polygon."""
    ex, ey = np.roll(hx, -1, axis=0) - hx, np.roll(hy, -1, axis=0) - hy
    length = np.hypot(ex, ey)
    return ey / length, -ex / length, ex, ey, length


def _least(nx: FloatArray, ny: FloatArray, px: FloatArray, py: FloatArray) -> FloatArray:
    """Return how far back points reach along each normal: the least of their products, by normal."""
    reach: FloatArray = nx[:, None] * px + ny[:, None] * py
    return np.asarray(reach.min(axis=1))
