"""How what is built or placed moves with what it stands against, to first order in the constants of a run.

A wall displaced by an offset o along its normal n and a tilt t about its middle m carries a point p
attached to it by o n + t J (p - m), and turns it by t; J is the quarter turn to the left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray, wrap_angle
from driftgate.predict.sources import SourceTable
from driftgate.schema.base import PoseIn
from driftgate.schema.case import Case
from driftgate.schema.fieldmap import FieldMap
from driftgate.world.carry import edge_middle, line_difference
from driftgate.world.distance import point_to_segment
from driftgate.world.values import Edge, World


@dataclass(frozen=True)
class Displacement:
    """A displaced pose: mean (3,) and columns (3, m) by the constants of the run. Field axes."""

    mean: FloatArray
    columns: FloatArray

    def __add__(self, other: Displacement) -> Displacement:
        return Displacement(self.mean + other.mean, self.columns + other.columns)


@dataclass(frozen=True)
class LineDisplacement:
    """A displaced surface against its drawing: offset along the normal at the middle, tilt, and slide.

    The slide is the shift along itself, towards the normal turned by -90 deg, which only its ends show.
    """

    offset_mean: float
    tilt_mean: float
    offset: FloatArray  # (m,)
    tilt: FloatArray  # (m,)
    slide: FloatArray  # (m,)


def middle(edge: Edge) -> FloatArray:
    """Return the middle of an edge."""
    return np.array(edge_middle(edge))


def _carried(edge: Edge, arm: FloatArray, offset: FloatArray, tilt: FloatArray) -> FloatArray:
    """Return how a wall's offset and tilt move a pose at `arm` from its middle: x, y, heading."""
    return np.stack([edge.normal[0] * offset - arm[1] * tilt, edge.normal[1] * offset + arm[0] * tilt, tilt])


class Attachments:
    """Displacements of walls, structures and elements of the true field against the believed map."""

    def __init__(self, case: Case, believed: World, true: World, table: SourceTable) -> None:
        self._case = case
        self.off = table.off
        self._index = table.index()
        self._size = len(table.constants)
        self._believed = {edge.id: edge for edge in believed.edges}
        self._true = {edge.id: edge for edge in true.edges}
        self._carrier = {edge.owner: edge.carrier for edge in true.edges}
        self._carrier |= {element.id: element.carrier for element in true.elements}
        self._things: dict[str, Displacement] = {}

    def _unit(self, key: str) -> FloatArray:
        row = np.zeros(self._size)
        position = self._index.get(key)
        if position is not None:
            row[position] = 1.0
        return row

    def nothing(self) -> Displacement:
        """Return no displacement."""
        return Displacement(np.zeros(3), np.zeros((3, self._size)))

    def _wall_carry(self, wall_id: str, point: FloatArray) -> Displacement:
        """Return how a true wall's build error moves a pose attached to it at `point`."""
        edge = self._true[wall_id]
        offset, tilt = self._unit(f"wall_build:{wall_id}:offset"), self._unit(f"wall_build:{wall_id}:tilt")
        arm = point - middle(edge)
        return Displacement(np.zeros(3), _carried(edge, arm, offset, tilt))

    def thing(self, thing_id: str) -> Displacement:
        """Return the displacement of a structure or element against its place on the believed map."""
        if thing_id not in self._things:
            self._things[thing_id] = self._thing(thing_id)
        return self._things[thing_id]

    def _thing(self, thing_id: str) -> Displacement:
        drawn, built = self._places(thing_id)
        mean = np.array([built.x - drawn.x, built.y - drawn.y, wrap_angle(built.heading - drawn.heading)])
        found = Displacement(mean, np.zeros((3, self._size)))
        point = np.array([built.x, built.y])
        carrier = self._carrier.get(thing_id)
        if carrier is not None:
            found += self._wall_carry(carrier, point)
        structure = self._against_structure(thing_id)
        if structure is not None:
            found += self._structure_carry(structure, point)
        own = "structure_build" if self._is_structure(thing_id) else "element_placement"
        columns = np.stack([self._unit(f"{own}:{thing_id}:{axis}") for axis in ("x", "y", "heading")])
        return found + Displacement(np.zeros(3), columns)

    def _structure_carry(self, structure_id: str, point: FloatArray) -> Displacement:
        at = next(s.at for s in self._case.true.structures if s.id == structure_id)
        x, y, turn = (self._unit(f"structure_build:{structure_id}:{axis}") for axis in ("x", "y", "heading"))
        arm = point - np.array([at.x, at.y])
        return Displacement(np.zeros(3), np.stack([x - arm[1] * turn, y + arm[0] * turn, turn]))

    def _against_structure(self, thing_id: str) -> str | None:
        structures = {s.id for s in self._case.true.structures}
        for element in self._case.true.elements:
            if element.id == thing_id and element.placed_against in structures:
                return element.placed_against
        return None

    def _is_structure(self, thing_id: str) -> bool:
        return any(s.id == thing_id for s in self._case.true.structures)

    def _places(self, thing_id: str) -> tuple[PoseIn, PoseIn]:
        def find(field: FieldMap) -> PoseIn:
            places = {s.id: s.at for s in field.structures} | {e.id: e.at for e in field.elements}
            return places[thing_id]

        return find(self._case.believed), find(self._case.true)

    def drawn_place(self, thing_id: str) -> PoseIn:
        """Return where the believed map has a structure or element."""
        return self._places(thing_id)[0]

    def line(self, edge_id: str) -> LineDisplacement:
        """Return how the true surface lies against the believed one."""
        drawn, built = self._believed[edge_id], self._true[edge_id]
        offset_mean, tilt_mean = line_difference(drawn, built)
        mid, normal = middle(built), np.array(built.normal)
        if built.kind == "wall":
            moved = self._wall_carry(built.id, mid)
        else:
            moved = self.thing(built.owner)
            at = next(s.at for s in self._case.true.structures if s.id == built.owner)
            arm = mid - np.array([at.x, at.y])
            turn = moved.columns[2]
            moved = Displacement(
                moved.mean,
                np.stack([moved.columns[0] - arm[1] * turn, moved.columns[1] + arm[0] * turn, turn]),
            )
        tilt = moved.columns[2]
        # From the built middle along the surface to the foot of the drawn middle.
        tangent = np.array([normal[1], -normal[0]])
        along = float(tangent @ (middle(drawn) - mid))
        offset = normal @ moved.columns[:2] + along * tilt
        return LineDisplacement(offset_mean, tilt_mean, offset, tilt, tangent @ moved.columns[:2])

    def start(self) -> Displacement:
        """Return the displacement of the start pose by what the robot is placed against.

        Against one thing the pose is carried rigidly. Against two surfaces at an angle each sets
        the coordinate along its own normal, and the first the heading; of a structure it is the face
        nearest to the robot's origin.
        """
        against = self._case.routine.start.placed_against
        pose = self._case.routine.start.pose
        point = np.array([pose.x, pose.y])
        surfaces = [self._surface(name, point) for name in against]
        edges = [edge for edge in surfaces if edge is not None]
        if len(edges) == 2 and self._crossing(edges):
            return self._corner(edges, point)
        if not against:
            return self.nothing()
        first = against[0]
        if first in self._true:
            line, edge = self.line(first), self._believed[first]
            arm = point - middle(edge)
            mean = _carried(edge, arm, np.array(line.offset_mean), np.array(line.tilt_mean))
            return Displacement(mean, _carried(edge, arm, line.offset, line.tilt))
        moved = self.thing(first)
        at = self._places(first)[0]
        arm = point - np.array([at.x, at.y])
        lever = np.array([-arm[1], arm[0], 0.0])
        return Displacement(
            moved.mean + lever * moved.mean[2], moved.columns + np.outer(lever, moved.columns[2])
        )

    def _surface(self, name: str, point: FloatArray) -> str | None:
        """Return the edge of a wall or structure that is nearest to a point."""
        own = [edge for edge in self._believed.values() if edge.owner == name]
        if not own:
            return None
        return min(own, key=lambda e: float(point_to_segment(point[0], point[1], *e.a, *e.b))).id

    def _crossing(self, walls: list[str]) -> bool:
        first, second = (np.array(self._believed[name].normal) for name in walls)
        return abs(float(first[0] * second[1] - first[1] * second[0])) > 0.1

    def _corner(self, walls: list[str], point: FloatArray) -> Displacement:
        normals, means, rows = [], [], []
        for name in walls:
            line, edge = self.line(name), self._believed[name]
            normal = np.array(edge.normal)
            along = float(np.array([normal[1], -normal[0]]) @ (point - middle(edge)))
            normals.append(normal)
            means.append(line.offset_mean + along * line.tilt_mean)
            rows.append(line.offset + along * line.tilt)
        solve = np.linalg.inv(np.array(normals))
        first = self.line(walls[0])
        return Displacement(
            np.append(solve @ np.array(means), first.tilt_mean),
            np.vstack([solve @ np.array(rows), first.tilt]),
        )
