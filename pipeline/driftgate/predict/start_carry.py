"""What the filter knows of the start besides its own spread: the robot is placed against what may stand off.

A robot put down flush with a wall is as far off its place as the wall is, and its first readings of that wall
do not say so: the constants that move it are those of the surface (`driftgate.predict.constants`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.predict.consider import Key
from driftgate.predict.movers import Movers
from driftgate.schema.case import Case
from driftgate.world.build import build_world
from driftgate.world.distance import point_to_segment
from driftgate.world.values import Edge


class StartPart(NamedTuple):
    """By how much one standard deviation of a constant moves the start.

    Attributes
    ----------
    key : Key
        The constant.
    by : tuple of float
        x, y, heading. [m, m, rad]
    """

    key: Key
    by: tuple[float, float, float]


def start_carry(case: Case, movers: Movers) -> tuple[StartPart, ...]:
    """Return what moves the start of a case.

    Against one surface the pose is carried rigidly, by a structure along itself, too. Against two at an angle
    each sets the coordinate along its own normal, and the first the heading, as in
    `driftgate.predict.attach`.

    Parameters
    ----------
    case : Case
        Of its start the pose and what it is placed against; the map is the one that the robot carries.
    movers : sequence
        What moves each surface of the map, as the filter has it.
    """
    start, against = case.routine.start.pose, case.routine.start.placed_against
    if not against or not any(movers):
        return ()
    edges = build_world(case.believed).edges
    near = [_nearest(edges, owner, start.x, start.y) for owner in against]
    found = [row for row in near if row is not None]
    parts: dict[Key, tuple[float, float, float]] = {}
    if len(found) == 2:
        normals = np.array([edge.normal for _, edge in found])
        if abs(np.linalg.det(normals)) > 0.1:
            return _corner(found, np.linalg.inv(normals), (start.x, start.y), movers)
    for index, _ in found[:1]:
        for mover in movers[index]:
            if mover.carries:
                parts[mover.key] = mover.shift_at(start.x, start.y)
    return _parts(parts)


def _nearest(edges: tuple[Edge, ...], owner: str, x: float, y: float) -> tuple[int, Edge] | None:
    own = [(i, edge) for i, edge in enumerate(edges) if edge.owner == owner]
    return min(own, key=lambda row: float(point_to_segment(x, y, *row[1].a, *row[1].b)), default=None)


def _corner(
    found: list[tuple[int, Edge]], solve: FloatArray, place: tuple[float, float], movers: Movers
) -> tuple[StartPart, ...]:
    parts: dict[Key, tuple[float, float, float]] = {}
    for which, (index, edge) in enumerate(found):
        x, y = (float(v) for v in solve[:, which])
        for mover in movers[index]:
            if mover.carries:
                by = mover.shift_at(*place)
                side, turn = edge.normal[0] * by[0] + edge.normal[1] * by[1], by[2] if which == 0 else 0.0
                # What moves both sets both coordinates.
                before = parts.get(mover.key, (0.0, 0.0, 0.0))
                parts[mover.key] = before[0] + x * side, before[1] + y * side, before[2] + turn
    return _parts(parts)


def _parts(found: dict[Key, tuple[float, float, float]]) -> tuple[StartPart, ...]:
    return tuple(StartPart(key, by) for key, by in found.items() if any(by))
