"""Where the planned robot pushes what can be pushed: the same push as in the trials, on the nominal path.

What is pushed stands where the robot last touched it, for the clearance and the sight lines of later steps.
The robot itself does not know: its own tests go by the map.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.contact_rules import AWAY_M, BoolArray
from driftgate.plan.obstacles import obstacles_of, owner_distance
from driftgate.plan.size import MOST_PUSHES
from driftgate.plan.values import Timeline
from driftgate.world.footprint import hull_at
from driftgate.world.pushing import Pushed
from driftgate.world.values import PlacedElement, World

# Rounding apart, this is no push. [m]
_PUSH_M: Final = 1e-6
# Most knots looked at in one go while waiting for the next push.
_CHUNK: Final = 256


@dataclass(frozen=True)
class PushedThings:
    """Loose elements as the plan moves them.

    Attributes
    ----------
    elements : tuple of PlacedElement
        Each as often as it has places, with the times at which it is there.
    leaning : dict
        By id, shape (K,): in these ticks the robot still leans on what it has pushed. Until it has been more
        than 50 mm away that is no new contact, as for a wall that it was placed against; pushing it again is.
    endless : str
        The id of what is pushed too far for the rest to be worked out; empty where nothing is.
    """

    elements: tuple[PlacedElement, ...]
    leaning: dict[str, BoolArray]
    endless: str = ""


def push_along(timeline: Timeline, hull: FloatArray, height_m: float, world: World) -> PushedThings:
    """Return the loose elements of a map as the robot pushes them along its plan.

    Parameters
    ----------
    timeline : Timeline
        The plan.
    hull : ndarray, shape (m, 2)
        The robot's outline in its own axes. [m]
    height_m : float
        Of the robot: what is higher is passed under. [m]
    world : World
        The believed map, each element until the plan takes it.
    """
    elements: list[PlacedElement] = []
    leaning: dict[str, BoolArray] = {}
    pushes = 0
    for element in world.elements:
        if not element.source.pushable or element.source.height.low >= height_m:
            elements.append(element)
            continue
        left = MOST_PUSHES - pushes
        places = list(itertools.islice(_places(timeline, hull, element), left + 1))
        pushes += len(places)
        if len(places) > left:
            return PushedThings(world.elements, {}, element.id)
        elements += [place for _, place in places]
        if len(places) > 1:
            leaning[element.id] = _leaning(timeline, hull, height_m, world, places)
    return PushedThings(tuple(elements), leaning)


def _places(
    timeline: Timeline, hull: FloatArray, element: PlacedElement
) -> Iterator[tuple[int, PlacedElement]]:
    """Yield the places of an element with the knot from which on it has them, 0 for the first."""
    pushed, present = Pushed(element.outline), element.source.present
    end_s = np.inf if present.end is None else present.end
    knots = np.flatnonzero((timeline.time_s >= present.begin) & (timeline.time_s <= end_s))
    reach_m = float(np.hypot(*hull.T).max()) + element.outline.reach_m
    since, at, size = 0, 0, _CHUNK
    while at < knots.size:
        some = knots[at : at + size]
        x, y, heading = element.pose
        near = some[np.hypot(timeline.pose[some, 0] - x, timeline.pose[some, 1] - y) <= reach_m]
        dx, dy = pushed.out_of(
            hull_at(hull, *timeline.pose[near].T), *(np.full(near.size, value) for value in element.pose)
        )
        met = np.flatnonzero(np.hypot(dx, dy) > _PUSH_M)
        if met.size == 0:
            at, size = at + some.size, min(2 * size, _CHUNK)
            continue
        first = int(met[0])
        knot = int(near[first])
        until_s = float(timeline.time_s[knot])
        yield since, _during(element, element.source.present.begin, until_s)
        since = knot
        element = replace(element, pose=(x + float(dx[first]), y + float(dy[first]), heading))
        element = _during(element, until_s, present.end)
        # The next push is most likely at the next knot.
        at, size = int(np.searchsorted(knots, knot)) + 1, 1
    yield since, element


def _during(element: PlacedElement, begin_s: float, end_s: float | None) -> PlacedElement:
    present = element.source.present.model_copy(update={"begin": begin_s, "end": end_s})
    return replace(element, source=element.source.model_copy(update={"present": present}))


def _leaning(
    timeline: Timeline,
    hull: FloatArray,
    height_m: float,
    world: World,
    places: list[tuple[int, PlacedElement]],
) -> BoolArray:
    ticks = timeline.step.size
    mask = np.zeros(ticks, dtype=bool)
    bounds = [knot for knot, _ in places[1:]] + [ticks + 1]
    for (knot, place), following in zip(places[1:], bounds[1:], strict=True):
        obstacles = obstacles_of(replace(world, edges=(), elements=(place,)), height_m)
        # The tick that ends with the next push is not among them.
        last = min(following - 1, ticks)
        for begin in range(knot, last, _CHUNK):
            end = min(begin + _CHUNK, last)
            segments = obstacles.of({place.id})
            away = owner_distance(hull, timeline.pose[begin:end], obstacles, segments) > AWAY_M
            left = int(np.argmax(away)) if away.any() else end - begin
            mask[begin : begin + left] = True
            if left < end - begin:
                break
    return mask
