"""The worst place for a strayed element: searched among the places to which it may stray.

Coarse: one run in which the element has strayed in every trial, to a place of the trial's own, held
against the same trials as they are; what a trial loses, with the same luck, its place has done. Then the
places that hurt most, and places around the worst, each over many trials with common random numbers
(H. Kahn and A. W. Marshall 1953 describe such correlated sampling; from memory). The verdict on the
worst is for other trials: those that chose it flatter nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.judge.cell import hurt
from driftgate.judge.outcomes import outcomes_of
from driftgate.plan.values import IntArray
from driftgate.predict import run_trials
from driftgate.predict.places import places_of_strays
from driftgate.predict.prepared import Prepared
from driftgate.run.faults import Way, with_fault
from driftgate.schema.case import Case
from driftgate.schema.fieldmap import Element
from driftgate.schema.routine import Checkpoint, Routine
from driftgate.world.build import outline_of
from driftgate.world.footprint import footprint_hull, hull_at, hull_distance_to_point

# Places that are looked at again after the coarse search, and places around the worst of them.
_AGAIN: Final = 4
_AROUND: Final = 4
# The element is put down within this of a place that is tried. [m]
_POINT_M: Final = 0.002
# Nearer to the planned outline than this it lies in the way: contact decides. [m]
CLEAR_M: Final = 0.03
IN_THE_WAY: Final = "stray-in-the-way"
BESIDE: Final = "stray-beside"
TITLES: Final = {
    IN_THE_WAY: "strayed into the way, worst place",
    BESIDE: "strayed beside the way, worst place",
}


@dataclass(frozen=True)
class WorstPlace:
    """The worst place found, and how many were tried; no way where no place is of its kind."""

    way: Way | None
    tried: int


@dataclass(frozen=True)
class _Place:
    element: Element
    x: float
    y: float
    hurts: float

    @property
    def words(self) -> str:
        return f"'{self.element.id}' at ({self.x:.2f}, {self.y:.2f}) m"


def straying(case: Case) -> tuple[Element, ...]:
    """Return the elements that may stray, one of each kind; not those that a tolerance is relative to.

    A target that has strayed is missed wherever it lies: that says nothing of the routine.
    """
    targets = _targets(case.routine)
    kinds: dict[str, Element] = {}
    for element in case.true.elements:
        if element.stray is not None and element.stray.probability > 0.0 and element.id not in targets:
            kind = element.model_dump(exclude={"id", "at", "scatter", "placed_against"})
            kinds.setdefault(repr(kind), element)
    return tuple(kinds.values())


def _targets(routine: Routine) -> set[str]:
    def walk(steps: Sequence[object]) -> set[str]:
        found: set[str] = set()
        for step in steps:
            found |= walk(getattr(step, "steps", ()))
            if isinstance(step, Checkpoint) and step.within.relative_to is not None:
                found.add(step.within.relative_to)
        return found

    final = routine.final.within.relative_to
    return walk(routine.steps) | ({final} if final is not None else set())


def worst_place(prepared: Prepared, kind: str, scouts: int, seed: int) -> WorstPlace:
    """Return the worst place for a strayed element, in the way of the robot or beside its way.

    Parameters
    ----------
    prepared : Prepared
        The case.
    kind : str
        `IN_THE_WAY` or `BESIDE`.
    scouts : int
        Trials of each coarse run, and of each place that is looked at again.
    seed : int
        Of the search; the verdict must have another one.
    """
    before = _hurt(prepared, scouts, seed)
    elements = straying(prepared.case)
    places: list[_Place] = []
    tried = 0
    for element in elements:
        found, looked = _coarse(prepared, element, kind, scouts, seed, before)
        places += found
        tried += looked
    if not places:
        return WorstPlace(None, tried)
    places.sort(key=lambda place: (-place.hurts, place.element.id, place.x, place.y))
    inside = _judge_of(prepared, kind)
    best: _Place | None = None
    for place in _apart(places)[:_AGAIN]:
        best, tried = _better(prepared, place, best, scouts, seed), tried + 1
    assert best is not None
    for share in (0.5, 0.25):
        step = share * 2.0 * outline_of(best.element.shape).reach_m
        centre = best
        for k in range(_AROUND):
            angle = 2.0 * math.pi * (k + share) / _AROUND
            near = replace(centre, x=centre.x + step * math.cos(angle), y=centre.y + step * math.sin(angle))
            if inside(near.element, np.array([near.x]), np.array([near.y]))[0]:
                best, tried = _better(prepared, near, best, scouts, seed), tried + 1
    return WorstPlace(Way(best.words, _put(prepared.case, best)), tried)


def _better(prepared: Prepared, place: _Place, best: _Place | None, scouts: int, seed: int) -> _Place:
    """Return the worse of two places for the robot, the new one by its mean over the scouts."""
    case = _put(prepared.case, place)
    now = replace(place, hurts=pain(with_fault(prepared, case), scouts, seed))
    return now if best is None or now.hurts > best.hurts else best


def _coarse(
    prepared: Prepared, element: Element, kind: str, scouts: int, seed: int, before: FloatArray
) -> tuple[list[_Place], int]:
    """Return the places of one run that are of a kind, with what each costs its trial."""
    case = _strayed(prepared.case, element, None)
    faulty = with_fault(prepared, case)
    trials, x, y, strayed = places_of_strays(faulty, element.id, np.arange(scouts), seed)
    run = outcomes_of(faulty.moments, trials, case.routine.time_limit)
    costs = hurt(run) - before
    of_kind = strayed & _judge_of(prepared, kind)(element, x, y)
    which: IntArray = np.flatnonzero(of_kind)
    return [_Place(element, float(x[i]), float(y[i]), float(costs[i])) for i in which], int(which.size)


def _judge_of(prepared: Prepared, kind: str) -> Callable[[Element, FloatArray, FloatArray], np.ndarray]:
    """Return who says which places of an element are of a kind, by the planned outline of the robot."""
    pose = prepared.plan.timeline.pose
    hx, hy = hull_at(footprint_hull(prepared.case.robot.footprint), pose[:, 0], pose[:, 1], pose[:, 2])

    def of_kind(element: Element, x: FloatArray, y: FloatArray) -> np.ndarray:
        reach = outline_of(element.shape).reach_m
        gap = np.array([hull_distance_to_point(hx, hy, px, py).min() for px, py in zip(x, y, strict=True)])
        near = gap <= reach + CLEAR_M
        return near if kind == IN_THE_WAY else ~near

    return of_kind


def _apart(places: list[_Place]) -> list[_Place]:
    """Return the worst places of which none lies within a reach of one that is worse."""
    kept: list[_Place] = []
    for place in places:
        reach = outline_of(place.element.shape).reach_m
        if all(math.hypot(place.x - k.x, place.y - k.y) > reach for k in kept):
            kept.append(place)
        if len(kept) == _AGAIN:
            break
    return kept


def _put(case: Case, place: _Place) -> Case:
    corners = [(place.x + _POINT_M * dx, place.y + _POINT_M * dy) for dx, dy in ((-1, -1), (1, -1), (0, 1))]
    return _strayed(case, place.element, corners)


def _strayed(case: Case, element: Element, region: list[tuple[float, float]] | None) -> Case:
    """Return the case in which one element has strayed in every run, and no other does more than it did."""
    assert element.stray is not None
    update: dict[str, object] = {"probability": 1.0}
    if region is not None:
        update["region"] = region
    gone = element.model_copy(update={"stray": element.stray.model_copy(update=update)})
    elements = [gone if one.id == element.id else one for one in case.true.elements]
    return replace(case, true=case.true.model_copy(update={"elements": elements}))


def pain(prepared: Prepared, trials: int, seed: int) -> float:
    """Return how badly a case ends on average (`driftgate.judge.cell.hurt`), to tell which is worse."""
    return float(_hurt(prepared, trials, seed).mean())


def _hurt(prepared: Prepared, trials: int, seed: int) -> FloatArray:
    found = run_trials(prepared, trials, seed)
    return hurt(outcomes_of(prepared.moments, found, prepared.case.routine.time_limit))
