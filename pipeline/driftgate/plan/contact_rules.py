"""Which touches are meant: the one rule for nominal clearance and for collisions in trials."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.plan.obstacles import Obstacles, obstacles_of, owner_distance
from driftgate.plan.values import Law, PlannedStep, Timeline
from driftgate.schema.case import Case
from driftgate.schema.routine import SquareUp
from driftgate.world import build_world
from driftgate.world.footprint import footprint_hull

BoolArray = NDArray[np.bool_]

# What the robot leans on stays a meant contact until its footprint has been this far away. [m]
AWAY_M: Final = 0.05
# Knots looked at in one go while waiting for the robot to leave.
_CHUNK: Final = 256


def touch_exemptions(case: Case, steps: Sequence[PlannedStep], timeline: Timeline) -> dict[str, BoolArray]:
    """Return when the robot is meant to touch what, on the nominal plan.

    What the robot is placed against at the start is left out until the footprint has first been more
    than 50 mm away from it; a wall squared up against, from that step on until the same; what a
    step may touch, during that step.

    Parameters
    ----------
    case : Case
        For the start, the footprint and the believed map.
    steps : sequence of PlannedStep
        The plan's steps.
    timeline : Timeline
        Their timeline.

    Returns
    -------
    dict
        Id of a wall, structure or element to an array of shape (K,), True in the ticks in which
        touching it is meant. Ids that are never meant to be touched are left out.
    """
    world = build_world(case.believed)
    obstacles = obstacles_of(world, case.robot.height)
    return exemptions_among(case, steps, timeline, footprint_hull(case.robot.footprint), obstacles)


def exemptions_among(
    case: Case,
    steps: Sequence[PlannedStep],
    timeline: Timeline,
    hull: FloatArray,
    obstacles: Obstacles,
) -> dict[str, BoolArray]:
    """Return `touch_exemptions` for geometry that is at hand already."""
    masks: dict[str, BoolArray] = {}
    ticks = timeline.step.size

    def exempt(owner: str, begin: int, end: int) -> None:
        masks.setdefault(owner, np.zeros(ticks, bool))[begin:end] = True

    for owner in case.routine.start.placed_against:
        exempt(owner, 0, _first_away(owner, 0, timeline, hull, obstacles))
    for step in steps:
        first, after = int(timeline.first_tick[step.index]), int(timeline.first_tick[step.index + 1])
        for owner in step.may_touch:
            exempt(owner, first, after)
        if step.law is Law.CONTACT and isinstance(step.source, SquareUp):
            owner = step.source.against
            exempt(owner, first, _first_away(owner, after, timeline, hull, obstacles))
    return masks


def _first_away(owner: str, knot: int, timeline: Timeline, hull: FloatArray, obstacles: Obstacles) -> int:
    """Return the first knot from `knot` on at which the footprint is away from an obstacle.

    A tick counts by the knot at which it begins; if the robot never leaves, the number of ticks.
    """
    segments = obstacles.of({owner})
    for begin in range(knot, timeline.step.size, _CHUNK):
        end = min(begin + _CHUNK, timeline.step.size)
        away = owner_distance(hull, timeline.pose[begin:end], obstacles, segments) > AWAY_M
        if away.any():
            return begin + int(np.argmax(away))
    return timeline.step.size
