"""Where the edges of the true field really are, worked out for each when somebody first asks for it.

A routine meets a few of the surfaces of its map: the others cost nothing.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.world.values import Edge

Three = tuple[FloatArray, FloatArray, FloatArray]
Ends = tuple[FloatArray, FloatArray, FloatArray, FloatArray]


class TrueEdges:
    """The edges of the true field in every trial of a batch.

    Parameters
    ----------
    place : callable
        Gives the ends ax, ay, bx, by of an edge by its index: shape (n,), or (1,) for an edge that stands
        alike in all trials. [m]
    """

    def __init__(self, place: Callable[[int], Ends]) -> None:
        self._place = place
        self._known: dict[int, Ends] = {}
        self._along: dict[int, tuple[FloatArray, FloatArray]] = {}

    def ends(self, e: int, which: slice | IntArray = slice(None)) -> Ends:
        """Return the ends of an edge as built, in some of the trials. [m]"""
        if e not in self._known:
            self._known[e] = self._place(e)
        ends = self._known[e]
        if isinstance(which, slice) or len(ends[0]) == 1:
            return ends
        return ends[0][which], ends[1][which], ends[2][which], ends[3][which]

    def along(self, e: int) -> tuple[FloatArray, FloatArray]:
        """Return the way from one end of an edge to the other, in all trials. [m]"""
        if e not in self._along:
            ax, ay, bx, by = self.ends(e)
            self._along[e] = bx - ax, by - ay
        return self._along[e]

    def part(self, who: IntArray) -> TrueEdges:
        """Return the edges in some trials."""
        return TrueEdges(lambda e: self.ends(e, who))


def face_ends(edge: Edge, at: tuple[float, float], moved: Three) -> Ends:
    """Return the ends of a structure's face where the structure is moved by (x, y, turn) about `at`. [m]"""
    dx, dy, turn = moved
    c, s = np.cos(turn), np.sin(turn)
    (ax, ay), (bx, by) = ((px - at[0], py - at[1]) for px, py in (edge.a, edge.b))
    return (
        at[0] + dx + c * ax - s * ay,
        at[1] + dy + s * ax + c * ay,
        at[0] + dx + c * bx - s * by,
        at[1] + dy + s * bx + c * by,
    )


def farthest_moved(edge: Edge, at: tuple[float, float], moved: Three) -> float:
    """Return how far no end of a face is moved in any trial. [m]

    A point r away from `at` moves by the shift, and by 2 r sin(turn / 2) <= r |turn|.
    """
    dx, dy, turn = moved
    arm = max(float(np.hypot(px - at[0], py - at[1])) for px, py in (edge.a, edge.b))
    return float((np.sqrt(dx * dx + dy * dy) + arm * np.abs(turn)).max())
