"""What moves a surface off the map: its wall, or its structure and the wall that this is fixed to.

A wall may stand off along its normal and be turned about its middle; what is fixed to it goes with it as one
body. A structure may stand off along x and y, and be turned about its own place; all its faces share that.
Each is a constant of the run (`driftgate.predict.consider`): a surface that moves is a robot that moves the
other way, one that turns about a point is a robot that goes round that point.
"""

from __future__ import annotations

from typing import NamedTuple

from driftgate.predict.consider import Key
from driftgate.schema.correction import FilterNumbers
from driftgate.schema.fieldmap import FieldMap, Structure
from driftgate.world.build import build_world
from driftgate.world.carry import edge_middle
from driftgate.world.values import Edge


class Mover(NamedTuple):
    """A constant that moves a surface.

    Attributes
    ----------
    key : Key
        The constant; surfaces that it moves alike share it.
    size : float
        One standard deviation of it. [m, or rad]
    x, y : float
        The direction that it shifts the surface in, of length 1, or the point that it turns it about. [m]
    turns : bool
        It turns.
    ends_only : bool
        It shifts the surface along itself: only an end of it tells.
    carries : bool
        What lies against the surface moves with it. A wall's end moves with the wall that it meets there, and
        what lies against the first does not.
    """

    key: Key
    size: float
    x: float
    y: float
    turns: bool
    ends_only: bool = False
    carries: bool = True

    def shift_at(self, x: float, y: float) -> tuple[float, float, float]:
        """Return by how much one standard deviation moves what lies against the surface: x, y, heading."""
        if self.turns:
            return -self.size * (y - self.y), self.size * (x - self.x), self.size
        return self.size * self.x, self.size * self.y, 0.0


# Those of each surface, by its index in the map.
Movers = tuple[tuple[Mover, ...], ...]
NO_MOVERS: Movers = ()

# A face this nearly along a direction is not shifted by going that way: rounding.
_ALONG = 1e-9


def movers_of(field: FieldMap, own: FilterNumbers) -> Movers:
    """Return what moves each surface of the map that the robot carries.

    Parameters
    ----------
    field : FieldMap
        The map; how its walls and structures are built.
    own : FilterNumbers
        What the robot file says instead, of every wall and of every structure that is fixed to none.
    """
    edges = build_world(field).edges
    walls = {wall.id: wall.build or field.build for wall in field.walls}
    structures = {structure.id: structure for structure in field.structures}
    of_wall: dict[str, tuple[Mover, ...]] = {}
    for i, edge in enumerate(edges):
        if edge.kind == "wall":
            build = walls[edge.id]
            offset = build.offset if own.wall is None else own.wall
            tilt = build.tilt if own.wall_tilt is None else own.wall_tilt
            of_wall[edge.id] = _of_wall(i, edge, offset, tilt)
    first: dict[str, int] = {}
    found = []
    for i, edge in enumerate(edges):
        if edge.kind == "wall":
            found.append(of_wall[edge.id])
            continue
        here = _of_structure(first.setdefault(edge.owner, i), edge, structures[edge.owner], own)
        found.append(here + tuple(m for m in of_wall.get(edge.carrier or "", ()) if m.carries))
    return tuple(found)


def _of_wall(index: int, edge: Edge, offset_m: float, tilt_rad: float) -> tuple[Mover, ...]:
    (nx, ny), (x, y) = edge.normal, edge_middle(edge)
    every = (
        Mover(("offset", index), offset_m, nx, ny, turns=False),
        Mover(("tilt", index), tilt_rad, x, y, turns=True),
        # The wall that it meets stands off by itself.
        Mover(("slide", index), offset_m, ny, -nx, turns=False, ends_only=True, carries=False),
    )
    return tuple(mover for mover in every if mover.size > 0.0)


def _of_structure(index: int, edge: Edge, structure: Structure, own: FilterNumbers) -> tuple[Mover, ...]:
    build, at = structure.build, structure.at
    sizes = (build.x, build.y, build.heading) if build is not None else (0.0, 0.0, 0.0)
    if edge.carrier is None:
        sizes = (
            sizes[0] if own.wall is None else own.wall,
            sizes[1] if own.wall is None else own.wall,
            sizes[2] if own.wall_tilt is None else own.wall_tilt,
        )
    nx, ny = edge.normal
    every = (
        Mover(("x", index), sizes[0], 1.0, 0.0, turns=False, ends_only=abs(nx) < _ALONG),
        Mover(("y", index), sizes[1], 0.0, 1.0, turns=False, ends_only=abs(ny) < _ALONG),
        Mover(("turn", index), sizes[2], at.x, at.y, turns=True),
    )
    return tuple(mover for mover in every if mover.size > 0.0)
