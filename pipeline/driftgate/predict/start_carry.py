"""What the filter knows of the start besides its own spread: the robot is placed against what may stand off.

A robot put down flush with a wall is as far off its place as the wall is, and its first readings of that wall
do not say so: the constants that move it are those of the surface (`driftgate.predict.constants`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.predict.consider import Key
from driftgate.predict.constants import WallConstants
from driftgate.schema.case import Case
from driftgate.world.build import build_world
from driftgate.world.carry import edge_middle
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


def start_carry(case: Case, wall: WallConstants) -> tuple[StartPart, ...]:
    """Return what moves the start of a case.

    Against one surface the pose is carried rigidly, by a structure along itself, too. Against two at an angle
    each sets the coordinate along its own normal, and the first the heading, as in
    `driftgate.predict.attach`.

    Parameters
    ----------
    case : Case
        Of its start the pose and what it is placed against; the map is the one that the robot carries.
    wall : WallConstants
        What every surface is off by, as the filter has it.
    """
    start, against = case.routine.start, case.routine.start.placed_against
    if not against or wall.offset_m == wall.tilt_rad == 0.0:
        return ()
    place = np.array([start.pose.x, start.pose.y])
    edges = build_world(case.believed).edges
    found = [_nearest(edges, owner, place) for owner in against if any(e.owner == owner for e in edges)]
    if not found:
        return ()
    if len(found) == 2:
        normals = np.array([edge.normal for _, edge in found])
        if abs(np.linalg.det(normals)) > 0.1:
            return _corner(found, np.linalg.inv(normals), place, wall)
    index, edge = found[0]
    x, y = place - np.array(edge_middle(edge))
    nx, ny = edge.normal
    parts = [
        StartPart(("offset", index), (nx * wall.offset_m, ny * wall.offset_m, 0.0)),
        StartPart(("tilt", index), (-y * wall.tilt_rad, x * wall.tilt_rad, wall.tilt_rad)),
    ]
    if edge.kind == "structure":
        # A structure is off along its faces as well; only an end of a face tells of that.
        parts.append(StartPart(("slide", index), (ny * wall.offset_m, -nx * wall.offset_m, 0.0)))
    return tuple(part for part in parts if any(part.by))


def _nearest(edges: tuple[Edge, ...], owner: str, place: FloatArray) -> tuple[int, Edge]:
    own = [(i, edge) for i, edge in enumerate(edges) if edge.owner == owner]
    return min(own, key=lambda row: float(point_to_segment(place[0], place[1], *row[1].a, *row[1].b)))


def _corner(
    found: list[tuple[int, Edge]], solve: FloatArray, place: FloatArray, wall: WallConstants
) -> tuple[StartPart, ...]:
    parts = []
    for which, (index, edge) in enumerate(found):
        x, y = (float(v) for v in solve[:, which])
        normal, arm = edge.normal, place - np.array(edge_middle(edge))
        along = float(normal[1] * arm[0] - normal[0] * arm[1])
        turn = wall.tilt_rad if which == 0 else 0.0
        side = along * wall.tilt_rad
        parts.append(StartPart(("offset", index), (x * wall.offset_m, y * wall.offset_m, 0.0)))
        parts.append(StartPart(("tilt", index), (x * side, y * side, turn)))
    return tuple(part for part in parts if any(part.by))
