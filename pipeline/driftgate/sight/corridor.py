"""What may stand in a sight line, according to the map: structures, and loose elements at their places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray, compose
from driftgate.sight.validity import corridor_blocked_by_disc, corridor_blocked_by_segment
from driftgate.world.cone import Axis, disc_in_cone, segment_in_cone
from driftgate.world.rays import Values
from driftgate.world.values import PlacedElement, World


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
    """

    id: str
    disc: tuple[float, float, float] | None
    sides: FloatArray | None
    begin_s: float
    end_s: float

    def is_there(self, time_s: Values) -> NDArray[np.bool_]:
        """Return whether it is there at a time."""
        return np.asarray((time_s >= self.begin_s) & (time_s <= self.end_s))

    def stands_in(self, cone: Axis, range_m: Values) -> NDArray[np.bool_]:
        """Return whether it stands in a cone, nearer than the expected range; all arguments broadcast."""
        if self.disc is not None:
            return np.asarray(disc_in_cone(cone, *self.disc) < range_m)
        nearer = np.zeros((), dtype=bool)
        for ax, ay, bx, by in () if self.sides is None else self.sides:
            nearer = nearer | (segment_in_cone(cone, ax, ay, bx, by)[0] < range_m)
        return nearer

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
    sides: dict[str, list[tuple[float, float, float, float]]] = {}
    for edge in world.edges:
        if edge.kind == "structure" and edge.low_m <= height_m <= edge.high_m:
            sides.setdefault(edge.owner, []).append((*edge.a, *edge.b))
    structures = [
        Obstacle(owner, None, np.array(rows), float("-inf"), float("inf")) for owner, rows in sides.items()
    ]
    elements = [
        _element(placed)
        for placed in world.elements
        if placed.source.height.low <= height_m <= placed.source.height.high
    ]
    return (*structures, *elements)


def _element(placed: PlacedElement) -> Obstacle:
    present = placed.source.present
    end_s = float("inf") if present.end is None else present.end
    x, y, heading = placed.pose
    if placed.outline.radius_m is not None:
        return Obstacle(placed.id, (x, y, placed.outline.radius_m), None, present.begin, end_s)
    own = placed.outline.corners
    assert own is not None  # an outline is a disc or has corners
    corners = compose(np.array([x, y, heading]), np.column_stack([own, np.zeros(len(own))]))[:, :2]
    sides = np.column_stack([corners, np.roll(corners, -1, axis=0)])
    return Obstacle(placed.id, None, sides, present.begin, end_s)
