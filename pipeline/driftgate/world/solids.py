"""Faces of solid things that no beam from outside can meet first, settled before any trial is drawn.

A structure's faces make a closed outline. A beam that starts outside it and meets a face from behind comes
from the inside, which it has entered through another face, at a shorter range. So a face that is seen from
behind is never the first thing met, and need not be tested. A line exactly through a corner that a far face
shares with a near one meets both at one range: it is the near face that is named then, also where a test of
all faces would name the far one.

In a cone the nearest point of a face answers, and where that is such a corner it is that of either face:
which is named then is a matter of the last digits. So a far face is left out of a cone only if no such
corner can be the near face's nearest point. Let the outline be convex, c be its corner between a near face
G and a far face F, r the range of c, and k > 0 by how far the start is behind the line of F. With an angle
of at least 90 deg inside the corner the foot of the perpendicular from the start to the line of G then lies
on G's side of c, at least k away from it. So where c is in the cone, and with it more of G than c alone, a
part of G is nearer: the foot, by k^2 / 2 r or more, or where the cone's rim meets G. Of any other point of
F the ray to it has met a near face before, by the way through the inside. With k of at least `_DEPTH_M` a
foot is nearer by more than rounding; a rim exactly through such a corner is as a line through it.
Rectangles have no acute angle, triangles do.

What is said of a nominal start and a nominal face has to hold for every start within `position_slack` of it
and every face whose two ends each move by at most `edge_slack`, the structure as a whole moving rigidly. With
a face from a to b, e = b - a and w = p - a, the start is to the left of it, on its free side, if e x w > 0.
With s the edge's slack, e changes by at most 2 s and w by at most m = position_slack + s, so that e x w
changes by at most |e| m + 2 s (|w| + m). Beyond that its sign is sure.

A start is outside an outline for sure if it is on the free side of a face that supports it: one with all
corners of the outline on its other side or on it. Of a convex outline every face does. For a start that is
not surely outside nothing is left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.world.rays import Values
from driftgate.world.values import Edge

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]

# Covers the rounding of positions on fields of up to a kilometre. [m]
_ROUNDING_M = 1e-9
# How far behind a face a cone starts whose foot is nearer than a corner by more than rounding: by 5e-12 m
# at a range of a kilometre, where a range is rounded to 1e-13 m. [m]
_DEPTH_M = 1e-4
# Cosine of a corner's angle that still counts as a right one, whose corners are rounded.
_RIGHT_ANGLE = 1e-9


class Solids(NamedTuple):
    """Which edges of a map belong together.

    Attributes
    ----------
    first : ndarray of int, shape (O,)
        The first edge of each owner, rising from 0.
    owner : ndarray of int, shape (E,)
        Owner of each edge, an index into `first`.
    supports : ndarray of bool, shape (E,)
        All of its closed outline is on one side of this edge; False for an edge of none.
    blunt : ndarray of bool, shape (E,)
        An edge of a convex outline that has no acute angle at either of its ends.
    """

    first: IntArray
    owner: IntArray
    supports: BoolArray
    blunt: BoolArray


def solids_of(edges: Sequence[Edge]) -> Solids:
    """Return which of a map's edges make closed outlines; those of one owner follow each other."""
    first = [i for i, e in enumerate(edges) if i == 0 or e.owner != edges[i - 1].owner]
    ends = [*first[1:], len(edges)] if edges else []
    owner, supports = np.zeros(len(edges), dtype=np.intp), np.zeros(len(edges), dtype=bool)
    blunt = np.zeros(len(edges), dtype=bool)
    for number, (begin, end) in enumerate(zip(first, ends, strict=True)):
        owner[begin:end] = number
        part = edges[begin:end]
        if {e.a for e in part} == {e.b for e in part}:
            supports[begin:end] = _supporting(part)
            if supports[begin:end].all():
                blunt[begin:end] = _blunt(part)
    return Solids(np.array(first, dtype=np.intp), owner, supports, blunt)


def _supporting(outline: Sequence[Edge]) -> BoolArray:
    """Return which faces have no corner of their outline in front of them."""
    a = np.array([e.a for e in outline])
    normal = np.array([e.normal for e in outline])
    ahead = np.einsum("ik,ijk->ij", normal, a[None, :, :] - a[:, None, :])
    return np.asarray((ahead <= _ROUNDING_M).all(axis=1))


def _blunt(outline: Sequence[Edge]) -> BoolArray:
    """Return which faces of a convex outline have no acute angle at either end."""
    before, after = {e.b: e for e in outline}, {e.a: e for e in outline}
    right = {corner: _no_acute_angle(before[corner], after[corner]) for corner in after}
    return np.array([right[e.a] and right[e.b] for e in outline])


def _no_acute_angle(before: Edge, after: Edge) -> bool:
    """Return whether two faces, of which one ends where the other begins, make at least a right angle."""
    (cx, cy), (px, py), (qx, qy) = after.a, before.a, after.b
    product = (px - cx) * (qx - cx) + (py - cy) * (qy - cy)
    return product <= _RIGHT_ANGLE * math.hypot(px - cx, py - cy) * math.hypot(qx - cx, qy - cy)


def seen_from_behind(
    px: FloatArray,
    py: FloatArray,
    position_slack_m: float,
    ax: FloatArray,
    ay: FloatArray,
    bx: FloatArray,
    by: FloatArray,
    edge_slack_m: Values,
    solids: Solids,
    in_cone: bool = False,
) -> BoolArray:
    """Return which faces no beam from near a nominal start meets first; the module says why.

    Parameters
    ----------
    px, py : ndarray, shape (R,)
        Nominal starts. [m]
    position_slack_m : float
        Bound on how far a start may be off. [m]
    ax, ay, bx, by : ndarray, shape (E,)
        End points of the edges, free side on the left. [m]
    edge_slack_m : ndarray, shape (E,), or float
        Bound on how far either end of an edge may be off. [m]
    solids : Solids
        What `solids_of` gave for these edges.
    in_cone : bool
        Whether the beams are cones; else they are lines.

    Returns
    -------
    ndarray of bool, shape (R, E)
        True only where the face is behind another one of its outline for every such start.
    """
    if not solids.supports.any():
        return np.zeros((len(px), len(ax)), dtype=bool)
    ex, ey = bx - ax, by - ay
    wx, wy = px[:, None] - ax, py[:, None] - ay
    ahead = ex * wy - ey * wx
    moved = position_slack_m + edge_slack_m + _ROUNDING_M
    # |w| is at most the sum of its parts.
    unsure = np.sqrt(ex * ex + ey * ey) * moved + 2.0 * edge_slack_m * (np.abs(wx) + np.abs(wy) + moved)
    outside = np.logical_or.reduceat(solids.supports & (ahead > unsure), solids.first, axis=1)
    behind = outside[:, solids.owner]
    if in_cone:
        return np.asarray(solids.blunt & (ahead < -(unsure + np.sqrt(ex * ex + ey * ey) * _DEPTH_M)) & behind)
    return np.asarray((ahead < -unsure) & behind)
