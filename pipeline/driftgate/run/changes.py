"""Changed cases: one error source wider, one step slower, one look more. Files are left alone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, TypeVar

from driftgate.plan.values import DocPath
from driftgate.predict.doubt import SOURCE as POORLY_KNOWN
from driftgate.predict.sources import TITLES, sensor_source
from driftgate.schema.base import Model
from driftgate.schema.case import Case
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.late_readings import compensated
from driftgate.schema.robot import Robot
from driftgate.schema.routine import AnyStep, Routine
from driftgate.schema.sensor import Sensor

M = TypeVar("M", bound=Model)

# The numbers that say how wide a source is; a test holds that each number of each source is either
# here or among those that say something else.
SPREADS = frozenset(
    {
        "spread",
        "per_root_metre",
        "per_root_second",
        "per_root_radian",
        "per_turn_spread",
        "with_speed_spread",
        "along",
        "heading",
        "x",
        "y",
        "offset",
        "tilt",
        "at_zero",
        "per_range",
        "probability",
    }
)
# The numbers under `fitted` that say how far a mean may be off.
MEAN_ERRORS = frozenset({"mean_error", "per_turn_error", "with_speed_error"})
OTHER_NUMBERS = frozenset({"mean", "per_turn", "with_speed", "run_length", "distance", "at", "rate"})


def grown(case: Case, source: str, factor: float) -> Case | None:
    """Return the case with one error source so many times as wide as it is.

    Standard deviations and intensities are multiplied, probabilities too (up to 1); means stay. Of the
    field only the true map changes: what the robot believes does not. Numbers of the filter that are
    derived from the source follow it unless they are kept apart (`driftgate.predict.prepare`).

    Parameters
    ----------
    case : Case
        The case as it is.
    source : str
        The error source, a key of `driftgate.predict.sources.TITLES`.
    factor : float
        Not negative.

    Returns
    -------
    Case or None
        None if the source has no width to change: it does not act, or is a known delay.

    Raises
    ------
    KeyError
        If `source` is no error source.
    """
    if source not in TITLES:
        raise KeyError(f"'{source}' is no error source")
    changed = _grown(case, source, factor)
    return None if changed == case else changed


def _grown(case: Case, source: str, factor: float) -> Case:
    robot, routine = case.robot, case.routine
    if source == POORLY_KNOWN:
        return replace(case, robot=_with_means_less_known(robot, factor))
    if source == "start_placement":
        start = _with(routine.start, spread=widened(routine.start.spread, factor))
        return replace(case, routine=_with(routine, start=start))
    if source in ("wall_build", "structure_build", "element_placement", "element_stray"):
        return replace(case, true=_grown_field(case.true, source, factor))
    if source in type(robot.errors).model_fields:
        found = getattr(robot.errors, source)
        if found is None:
            return case
        return replace(
            case, robot=_with(robot, errors=_with(robot.errors, **{source: widened(found, factor)}))
        )
    sensors = [_grown_sensor(sensor, source, factor) for sensor in robot.sensors]
    return replace(case, robot=_with(robot, sensors=sensors))


def _with_means_less_known(robot: Robot, factor: float) -> Robot:
    """Return the robot with every standard error of a mean multiplied; degrees of freedom are no width."""

    def grown_fits(holder: M) -> M:
        changed: dict[str, object] = {}
        for name in type(holder).model_fields:
            origin = getattr(holder, name)
            fitted = getattr(origin, "fitted", None)
            if fitted is None:
                continue
            errors = {
                key: factor * value
                for key in MEAN_ERRORS
                if isinstance(value := getattr(fitted, key, None), float)
            }
            changed[name] = _with(origin, fitted=_with(fitted, **errors))
        return _with(holder, **changed)

    sensors = [_with(sensor, errors=grown_fits(sensor.errors)) for sensor in robot.sensors]
    return _with(robot, errors=grown_fits(robot.errors), sensors=sensors)


def _grown_field(field: FieldMap, source: str, factor: float) -> FieldMap:
    def part(thing: M, name: str) -> M:
        found = getattr(thing, name)
        return thing if found is None else _with(thing, **{name: widened(found, factor)})

    if source == "wall_build":
        walls = [part(wall, "build") for wall in field.walls]
        return _with(field, build=widened(field.build, factor), walls=walls)
    if source == "structure_build":
        return _with(field, structures=[part(structure, "build") for structure in field.structures])
    name = "scatter" if source == "element_placement" else "stray"
    return _with(field, elements=[part(element, name) for element in field.elements])


def _grown_sensor(sensor: Sensor, source: str, factor: float) -> Sensor:
    if source == "quantisation":
        return _with(sensor, resolution=factor * sensor.resolution)
    changed = {
        name: widened(getattr(sensor.errors, name), factor)
        for name in type(sensor.errors).model_fields
        if sensor_source(name) == source and getattr(sensor.errors, name) is not None
    }
    return _with(sensor, errors=_with(sensor.errors, **changed)) if changed else sensor


def widened(model: M, factor: float) -> M:
    """Return the numbers of an error source with every spread multiplied."""
    changed = {
        name: min(1.0, factor * value) if name == "probability" else factor * value
        for name in type(model).model_fields
        if name in SPREADS and isinstance(value := getattr(model, name), float)
    }
    return _with(model, **changed)


def with_start_spread(case: Case, factor: float) -> Case:
    """Return the case with the start's spread multiplied."""
    return _grown(case, "start_placement", factor)


def with_gate(case: Case, factor: float) -> Case | None:
    """Return the case with the gate's width multiplied; None without a gate."""
    correction = case.robot.correction
    if correction.gate is None or not correction.enabled:
        return None
    gate = _with(correction.gate, sigmas=factor * correction.gate.sigmas)
    return replace(case, robot=_with(case.robot, correction=_with(correction, gate=gate)))


def with_compensation(case: Case) -> Case | None:
    """Return the case with readings held against the belief of their echo; None where that changes little."""
    robot = compensated(case.robot)
    return None if robot is None else replace(case, robot=robot)


def with_step(routine: Routine, path: DocPath, change: Callable[[AnyStep], AnyStep]) -> Routine:
    """Return a routine with one step changed, given where it stands in the document."""
    changed: Routine = _at(routine, path, change)
    return changed


def with_inserted(routine: Routine, position: int, step: AnyStep) -> Routine:
    """Return a routine with a step put in before the top-level step at a position."""
    steps = [*routine.steps[:position], step, *routine.steps[position:]]
    return _with(routine, steps=steps)


def _at(thing: Any, path: DocPath, change: Callable[[AnyStep], AnyStep]) -> Any:
    if not path:
        return change(thing)
    key, rest = path[0], path[1:]
    if isinstance(key, int):
        return [_at(item, rest, change) if i == key else item for i, item in enumerate(thing)]
    return _with(thing, **{key: _at(getattr(thing, key), rest, change)})


def _with(model: M, **values: object) -> M:
    return model.model_copy(update=values)
