"""Faces of solid things that no beam from outside can meet first, settled before any trial is drawn.

A structure's faces make a closed outline. A beam that starts outside it and meets a face from behind comes
from the inside, which it has entered through another face, at a shorter range. So a face that is seen from
behind is never the first thing met, and need not be tested. That holds for a line; in a cone the corner that
a far face shares with a near one may answer for either. A line exactly through such a corner meets both at
one range: it is the near face that is named then, also where a test of all faces would name the far one.

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
    """

    first: IntArray
    owner: IntArray
    supports: BoolArray


def solids_of(edges: Sequence[Edge]) -> Solids:
    """Return which of a map's edges make closed outlines; those of one owner follow each other."""
    first = [i for i, e in enumerate(edges) if i == 0 or e.owner != edges[i - 1].owner]
    ends = [*first[1:], len(edges)] if edges else []
    owner, supports = np.zeros(len(edges), dtype=np.intp), np.zeros(len(edges), dtype=bool)
    for number, (begin, end) in enumerate(zip(first, ends, strict=True)):
        owner[begin:end] = number
        part = edges[begin:end]
        if {e.a for e in part} == {e.b for e in part}:
            supports[begin:end] = _supporting(part)
    return Solids(np.array(first, dtype=np.intp), owner, supports)


def _supporting(outline: Sequence[Edge]) -> BoolArray:
    """Return which faces have no corner of their outline in front of them."""
    a = np.array([e.a for e in outline])
    normal = np.array([e.normal for e in outline])
    ahead = np.einsum("ik,ijk->ij", normal, a[None, :, :] - a[:, None, :])
    return np.asarray((ahead <= _ROUNDING_M).all(axis=1))


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
) -> BoolArray:
    """Return which faces no line beam from near a nominal start meets first; the module says why.

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
    return np.asarray((ahead < -unsure) & outside[:, solids.owner])
