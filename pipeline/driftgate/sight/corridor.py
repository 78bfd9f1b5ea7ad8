"""What may stand in a sight line, according to the map: structures, and loose elements at their places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray, compose
from driftgate.sight.validity import corridor_blocked_by_disc, corridor_blocked_by_segment
from driftgate.world.cone import Axis, disc_in_cone, segment_in_cone
from driftgate.world.rays import Values
from driftgate.world.values import Edge, PlacedElement, World


@dataclass(frozen=True)
class Obstacle:
    """A thing that may stand in a sight line, at its mapped place.

    Attributes
    ----------
    id : str
        Of the structure or the loose element.
    disc : tuple of float or None
        Centre and radius of a disc. [m]
    sides : ndarray, shape (m, 4), or None
        Sides (ax, ay, bx, by) of anything else. [m]
    begin_s, end_s : float
        When it is there, on the routine's clock, both instants included. [s]
    low_m, high_m : float
        Height range. [m]
    """

    id: str
    disc: tuple[float, float, float] | None
    sides: FloatArray | None
    begin_s: float
    end_s: float
    low_m: float
    high_m: float

    def is_there(self, time_s: Values) -> NDArray[np.bool_]:
        """Return whether it is there at a time."""
        return np.asarray((time_s >= self.begin_s) & (time_s <= self.end_s))

    def stands_in(self, cone: Axis, range_m: Values) -> NDArray[np.bool_]:
        """Return whether it stands in a cone, nearer than the expected range; all arguments broadcast."""
        return np.asarray(self.range_in(cone) < range_m)

    def range_in(self, cone: Axis) -> FloatArray:
        """Return the range at which it answers in a cone or on a line, inf where it does not. [m]"""
        if self.disc is not None:
            return disc_in_cone(cone, *self.disc)
        nearest: FloatArray = np.full((), np.inf)
        for ax, ay, bx, by in () if self.sides is None else self.sides:
            nearest = np.minimum(nearest, segment_in_cone(cone, ax, ay, bx, by)[0])
        return nearest

    def blocks(
        self, px: Values, py: Values, ux: Values, uy: Values, range_m: Values, margin_m: Values
    ) -> NDArray[np.bool_]:
        """Return whether it comes within the margin of a sight line; all arguments broadcast."""
        if self.disc is not None:
            cx, cy, radius = self.disc
            return corridor_blocked_by_disc(px, py, ux, uy, range_m, cx, cy, radius + margin_m)
        blocked = np.zeros((), dtype=bool)
        for ax, ay, bx, by in () if self.sides is None else self.sides:
            blocked = blocked | corridor_blocked_by_segment(px, py, ux, uy, range_m, ax, ay, bx, by, margin_m)
        return blocked


def obstacles_at_height(world: World, height_m: float) -> tuple[Obstacle, ...]:
    """Return what may stand in a sight line at a height: structures, then elements, in file order.

    Parameters
    ----------
    world : World
        The believed map.
    height_m : float
        Height of the sensor above the floor. [m]

    Returns
    -------
    tuple of Obstacle
        Whatever reaches up and down to that height. Which structure the beam itself is expected to
        meet is for the caller to leave out.
    """
    return tuple(o for o in obstacles_of_map(world) if o.low_m <= height_m <= o.high_m)


def obstacles_of_map(world: World) -> tuple[Obstacle, ...]:
    """Return what may stand in some sensor's sight line, at any height, in the order of the file."""
    edges: dict[str, list[Edge]] = {}
    for edge in world.edges:
        if edge.kind == "structure":
            edges.setdefault(edge.owner, []).append(edge)
    structures = [
        # All faces of a structure are as high as it is.
        Obstacle(
            owner,
            None,
            np.array([(*edge.a, *edge.b) for edge in faces]),
            float("-inf"),
            float("inf"),
            faces[0].low_m,
            faces[0].high_m,
        )
        for owner, faces in edges.items()
    ]
    return (*structures, *(_element(placed) for placed in world.elements))


def _element(placed: PlacedElement) -> Obstacle:
    present, height = placed.source.present, placed.source.height
    end_s = float("inf") if present.end is None else present.end
    x, y, heading = placed.pose
    disc, sides = None, None
    if placed.outline.radius_m is not None:
        disc = (x, y, placed.outline.radius_m)
    else:
        own = placed.outline.corners
        assert own is not None  # an outline is a disc or has corners
        corners = compose(np.array([x, y, heading]), np.column_stack([own, np.zeros(len(own))]))[:, :2]
        sides = np.column_stack([corners, np.roll(corners, -1, axis=0)])
    return Obstacle(placed.id, disc, sides, present.begin, end_s, height.low, height.high)
