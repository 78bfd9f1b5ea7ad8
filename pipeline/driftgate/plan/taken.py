"""What the routine takes off the field, as the plan has it: every checkpoint succeeds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from driftgate.plan.values import PlannedStep
from driftgate.world.values import PlacedElement, World


def taken_times(steps: Sequence[PlannedStep]) -> dict[str, float]:
    """Return when each element is taken on the plan's clock, by its id; those never taken are left out."""
    times: dict[str, float] = {}
    for step in steps:
        for name in step.checkpoint.takes if step.checkpoint is not None else ():
            times.setdefault(name, step.begin_s)
    return times


def as_planned(world: World, steps: Sequence[PlannedStep]) -> World:
    """Return a map on which every element is there until the plan takes it, that instant included.

    This is what the robot's code goes by, and what clearance is held to; whether a trial really took
    the element is its own affair.
    """
    times = taken_times(steps)
    if not times:
        return world
    return replace(world, elements=tuple(_until(e, times.get(e.id)) for e in world.elements))


def _until(element: PlacedElement, taken_s: float | None) -> PlacedElement:
    present = element.source.present
    if taken_s is None or (present.end is not None and present.end <= taken_s):
        return element
    ended = present.model_copy(update={"end": taken_s})
    return replace(element, source=element.source.model_copy(update={"present": ended}))
