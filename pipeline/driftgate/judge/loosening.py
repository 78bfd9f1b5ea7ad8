"""Changes of the documents that make a pass easier: read off the documents, not off the numbers.

A wider tolerance, a lower requirement, more contact allowed, more time; an error source that is smaller
or gone; a field that is built better or has less in it; a checkpoint, a side or a field map that is no
longer judged. Whether such a change is right is for people to say: it is shown before all else.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any, Final

from pydantic import BaseModel

from driftgate.judge.paired_values import Loosening
from driftgate.judge.ratio import AxisLimit, limits_of
from driftgate.judge.value_words import UNITS, value_words
from driftgate.load.document import DocPath, Document
from driftgate.plan.align import step_pairs
from driftgate.schema.fieldmap import FieldMap, WallBuild
from driftgate.schema.robot import Robot
from driftgate.schema.routine import Checkpoint, Repeat, Routine, Tolerance

# Numbers of an error source of which more is milder; of all others less is.
_MORE_IS_MILDER: Final = frozenset({"distance", "freedom", "readings", "slips"})
_ROUNDING: Final = 1e-9


def loosenings(before: Document, now: Document) -> list[Loosening]:
    """Return every loosening between two versions of a document, in order of line."""
    notes = _Notes(now)
    if isinstance(before.model, Routine) and isinstance(now.model, Routine):
        _routine(notes, before.model, now.model)
    elif isinstance(before.model, Robot) and isinstance(now.model, Robot):
        _robot(notes, before.model, now.model)
    elif isinstance(before.model, FieldMap) and isinstance(now.model, FieldMap):
        _field(notes, before.model, now.model)
    return sorted(notes.found, key=lambda f: (f.line, f.where))


class _Notes:
    """Collects loosenings of one document."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.found: list[Loosening] = []

    def note(self, path: DocPath, words: Sequence[str], before: str, now: str, why: str) -> None:
        line = self.document.where(path)[0]
        self.found.append(Loosening(self.document.path, line, ".".join(words), before, now, why))

    def number(
        self, path: DocPath, words: Sequence[str], models: tuple[BaseModel, BaseModel], name: str, why: str
    ) -> None:
        old, new = (value_words(model, name) for model in models)
        self.note((*path, name), (*words, name), old, new, why)


def _less(new: float, old: float) -> bool:
    return new < old - _ROUNDING * max(abs(new), abs(old))


# --- routines


def _routine(notes: _Notes, before: Routine, now: Routine) -> None:
    if _less(before.time_limit, now.time_limit):
        notes.number((), (), (before, now), "time_limit", "more time is allowed")
    if before.mirror and not now.mirror:
        notes.number((), (), (before, now), "mirror", "the other side is no longer judged")
    for name in before.also_on:
        if name not in now.also_on:
            notes.note(("also_on",), ("also_on",), name, "gone", "a field is no longer judged on")
    known = {(entry.code, entry.step, entry.level) for entry in before.accepted}
    for i, entry in enumerate(now.accepted):
        if entry.level == "error" and (entry.code, entry.step, entry.level) not in known:
            notes.note(("accepted", i), ("accepted", str(i + 1)), "none", entry.code, "an error is accepted")
    _spreads(notes, before.start.spread, now.start.spread, ("start", "spread"), ("start", "spread"))
    pairs = step_pairs(before, now)
    kept = set()
    for pair in pairs:
        kept.add(pair.before_path)
        words = ("steps", pair.now.name or str(pair.now_path[-1]))
        if isinstance(pair.before, Checkpoint) and isinstance(pair.now, Checkpoint):
            _demand(notes, pair.before, pair.now, pair.now_path, words)
            for name in pair.before.after:
                if name not in pair.now.after:
                    notes.note(
                        (*pair.now_path, "after"), (*words, "after"), name, "gone", "a dependency is gone"
                    )
        for name in set(getattr(pair.now, "may_touch", ())) - set(getattr(pair.before, "may_touch", ())):
            notes.note(
                (*pair.now_path, "may_touch"), (*words, "may_touch"), "none", name, "more may be touched"
            )
    for path, step in _checkpoints(before.steps, ("steps",)):
        if path not in kept:
            notes.note(("steps",), ("steps", step.name), "checkpoint", "gone", "a checkpoint is gone")
    _demand(notes, before.final, now.final, ("final",), ("final",))
    if _less(before.final.contact_allowed, now.final.contact_allowed):
        models = (before.final, now.final)
        notes.number(("final",), ("final",), models, "contact_allowed", "more contact is allowed")


def _checkpoints(steps: Sequence[Any], path: DocPath) -> Iterator[tuple[DocPath, Checkpoint]]:
    for i, step in enumerate(steps):
        if isinstance(step, Repeat):
            yield from _checkpoints(step.steps, (*path, i, "steps"))
        elif isinstance(step, Checkpoint):
            yield (*path, i), step


def _demand(notes: _Notes, before: Any, now: Any, path: DocPath, words: Sequence[str]) -> None:
    if _less(now.required, before.required):
        notes.number(path, words, (before, now), "required", "less is required")
    if before.points != now.points:
        notes.number(path, words, (before, now), "points", "the points are others")
    _within(notes, before.within, now.within, (*path, "within"), (*words, "within"))


def _within(notes: _Notes, before: Tolerance, now: Tolerance, path: DocPath, words: Sequence[str]) -> None:
    new = {limit.axis: limit for limit in limits_of(now)}
    for old in limits_of(before):
        limit = new.get(old.axis)
        if limit is None or _wider(old, limit):
            said = "no limit" if limit is None else _band(limit)
            notes.note((*path, old.axis), (*words, old.axis), _band(old), said, "a tolerance is wider")
    if before.relative_to != now.relative_to:
        notes.number(path, words, (before, now), "relative_to", "the tolerance is about something else")


def _wider(old: AxisLimit, new: AxisLimit) -> bool:
    low_old = -math.inf if old.low is None else old.low
    low_new = -math.inf if new.low is None else new.low
    high_old = math.inf if old.high is None else old.high
    high_new = math.inf if new.high is None else new.high
    return (low_new != low_old and _less(low_new, low_old)) or (
        high_new != high_old and _less(high_old, high_new)
    )


def _band(limit: AxisLimit) -> str:
    unit, size = UNITS["angle" if limit.axis == "heading" else "length"]

    def number(value: float) -> str:
        return f"{value / size:.6g}"

    if limit.axis == "radial" and limit.high is not None:
        return f"{number(limit.high)} {unit}"
    if limit.low is None:
        return "no limit" if limit.high is None else f"at most {number(limit.high)} {unit}"
    if limit.high is None:
        return f"at least {number(limit.low)} {unit}"
    if limit.low == -limit.high:
        return f"{number(limit.high)} {unit}"
    return f"{number(limit.low)} to {number(limit.high)} {unit}"


# --- error sources


def _spreads(
    notes: _Notes, before: BaseModel | None, now: BaseModel | None, path: DocPath, words: Sequence[str]
) -> None:
    """Note every number of an error source that is smaller than it was, and every source that is gone."""
    if before is None:
        return
    if now is None:
        notes.note(path, words, "given", "gone", "an error source is gone")
        return
    for name in type(before).model_fields:
        old, new = getattr(before, name), getattr(now, name, None)
        if isinstance(old, BaseModel):
            same = new if isinstance(new, BaseModel) else None
            _spreads(notes, old, same, (*path, name), (*words, name))
        elif isinstance(old, float) and _milder(name, old, new):
            notes.number(path, words, (before, now), name, "an error source is smaller")


def _milder(name: str, old: float, new: object) -> bool:
    if not isinstance(new, float):
        return new is None
    if name in _MORE_IS_MILDER:
        return _less(abs(old), abs(new))
    return _less(abs(new), abs(old))


def _robot(notes: _Notes, before: Robot, now: Robot) -> None:
    _spreads(notes, before.errors, now.errors, ("errors",), ("errors",))
    old = {sensor.id: sensor for sensor in before.sensors}
    for i, sensor in enumerate(now.sensors):
        was = old.get(sensor.id)
        if was is None:
            continue
        path: DocPath = ("sensors", i)
        words = ("sensors", sensor.id)
        _spreads(notes, was.errors, sensor.errors, (*path, "errors"), (*words, "errors"))
        for name in ("latency", "resolution"):
            if _less(getattr(sensor, name), getattr(was, name)):
                notes.number(path, words, (was, sensor), name, "an error source is smaller")
        if was.random_phase and not sensor.random_phase:
            notes.number(path, words, (was, sensor), "random_phase", "an error source is gone")


# --- fields


def _field(notes: _Notes, before: FieldMap, now: FieldMap) -> None:
    _spreads(notes, before.build, now.build, ("build",), ("build",))
    for i, old_wall, wall in _by_id(notes, before.walls, now.walls, "walls"):
        if old_wall.build is not None or wall.build is not None:
            old: WallBuild = old_wall.build or before.build
            new: WallBuild = wall.build or now.build
            _spreads(notes, old, new, ("walls", i, "build"), ("walls", wall.id, "build"))
    for i, old_thing, thing in _by_id(notes, before.structures, now.structures, "structures"):
        place = ("structures", thing.id, "build")
        _spreads(notes, old_thing.build, thing.build, ("structures", i, "build"), place)
    for i, old_element, element in _by_id(notes, before.elements, now.elements, "elements"):
        path: DocPath = ("elements", i)
        words = ("elements", element.id)
        _spreads(notes, old_element.scatter, element.scatter, (*path, "scatter"), (*words, "scatter"))
        _spreads(notes, old_element.stray, element.stray, (*path, "stray"), (*words, "stray"))
        if element.pushable and not old_element.pushable:
            notes.number(path, words, (old_element, element), "pushable", "it gives way now")
        _presence(notes, old_element.present, element.present, path, words)
    for i, old_zone, zone in _by_id(notes, before.rough_zones, now.rough_zones, "rough_zones"):
        if _less(zone.bumps, old_zone.bumps):
            models = (old_zone, zone)
            notes.number(
                ("rough_zones", i), ("rough_zones", zone.id), models, "bumps", "the floor is smoother"
            )


def _presence(notes: _Notes, before: Any, now: Any, path: DocPath, words: Sequence[str]) -> None:
    path, words = (*path, "present"), (*words, "present")
    if _less(before.begin, now.begin):
        notes.number(path, words, (before, now), "begin", "it is there for less time")
    end_before = math.inf if before.end is None else before.end
    if now.end is not None and now.end < end_before:
        notes.number(path, words, (before, now), "end", "it is there for less time")


def _by_id(
    notes: _Notes, before: Sequence[Any], now: Sequence[Any], kind: str
) -> Iterator[tuple[int, Any, Any]]:
    """Yield index and both versions of everything that both have, and note what is gone."""
    new = {thing.id: (i, thing) for i, thing in enumerate(now)}
    for old in before:
        if old.id in new:
            i, thing = new[old.id]
            yield i, old, thing
        else:
            notes.note((kind,), (kind, old.id), "given", "gone", "something on the field is gone")
