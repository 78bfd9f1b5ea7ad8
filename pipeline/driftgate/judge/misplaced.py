"""Surfaces that stand otherwise in truth than on the robot's map, and the error that a fix by them makes.

The linear model knows a map that differs where its planned fixes are taken. Where the gate should refuse them
and a widened filter takes them after all, it knows nothing, and the error looks like noise.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.world.carry import edge_middle
from driftgate.world.values import Edge, World

# An error between half and twice of what a surface is off by is of its making (our choice, no source).
ABOUT = 2.0


def misplaced(
    believed: World, true: World, surfaces: Iterable[int], direction: FloatArray, error: float
) -> str:
    """Return the surface whose place makes most of an error, if it is about as much off itself; else "".

    Parameters
    ----------
    believed, true : World
        The map that the robot carries, and the field.
    surfaces : iterable of int
        Edges of the believed map that fixes were taken by; -1 is none.
    direction : ndarray, shape (3,)
        Unit direction that the error is along, in x, y and heading.
    error : float
        Truth less belief or plan, along it. [m or rad]
    """
    known = {edge.id: edge for edge in true.edges}
    made = {}
    for index in sorted({s for s in surfaces if s >= 0}):
        here = believed.edges[index]
        if there := known.get(here.id):
            made[here.owner] = float(direction @ _shift(here, there)) * math.copysign(1.0, error)
    if not made:
        return ""
    name = max(made, key=lambda owner: made[owner])
    return name if abs(error) / ABOUT <= made[name] <= ABOUT * abs(error) and error else ""


def _shift(here: Edge, there: Edge) -> FloatArray:
    """Return by how much a robot that corrects by an edge is off: along its normal, and in heading."""
    (ax, ay), (bx, by) = edge_middle(here), edge_middle(there)
    nx, ny = here.normal
    along = (bx - ax) * nx + (by - ay) * ny
    turn = math.atan2(*reversed(_along(there))) - math.atan2(*reversed(_along(here)))
    return np.array([along * nx, along * ny, math.remainder(turn, 2.0 * math.pi)])


def _along(edge: Edge) -> tuple[float, float]:
    return edge.b[0] - edge.a[0], edge.b[1] - edge.a[1]
