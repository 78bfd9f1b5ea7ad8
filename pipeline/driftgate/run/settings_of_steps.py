"""What no file says by itself: the limits that a step keeps, whose readings count, the filter's numbers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from driftgate.judge.value_words import UNITS
from driftgate.load.document import DocPath, Document
from driftgate.plan.limits import motor_speed_m_s, spot_rate_rad_s, step_limits, traction_m_s2
from driftgate.predict.filter_model import FilterModel, filter_model
from driftgate.report.settings_model import Setting
from driftgate.run.cases import NamedCase
from driftgate.schema.routine import AnyStep, Face, MotionStep, Rotate, SquareUp, TurnTo

# A limit that may hold: its size in SI, the document and place that say so, and what to call it.
_Bound = tuple[float, Document | None, DocPath, str]
_SAME = 1e-9
# Keys of a step by which it asks for less than the robot can do.
LIMITS: Final = ("speed", "acceleration", "turn_rate")


def step_settings(group: str, step: AnyStep, path: DocPath, named: NamedCase) -> Iterator[Setting]:
    """Yield the limits that a step's profile keeps, and whose readings may be fixes in it.

    Parameters
    ----------
    group : str
        What they are shown under.
    step : AnyStep
        Any but a checkpoint and a repetition, which take no time of their own.
    path : DocPath
        Its place in the routine.
    named : NamedCase
        Routine and robot.
    """
    if isinstance(step, MotionStep | SquareUp):
        yield from _limits(group, step, path, named.document, named.robot)
    yield _fixes(group, step, path, named.document, named.robot)


def _limits(
    group: str, step: MotionStep | SquareUp, path: DocPath, document: Document, robot: Document
) -> Iterator[Setting]:
    drive, own = robot.robot.drive, ("drive", "limits")
    motion = step if isinstance(step, MotionStep) else None
    acceleration = motion.acceleration if motion else None
    turn_rate = motion.turn_rate if motion else None
    spot = isinstance(step, TurnTo | Face | Rotate)
    kept, _ = step_limits(drive, step.speed, acceleration, turn_rate, spot)
    if not spot:
        speeds: list[_Bound] = [
            (drive.limits.speed, robot, (*own, "speed"), ""),
            (motor_speed_m_s(drive), None, (), "from drive.motor"),
        ]
        yield _least(group, "speed", kept.speed_m_s, "speed", step.speed, (document, path), speeds)
        grips: list[_Bound] = [
            (drive.limits.acceleration, robot, (*own, "acceleration"), ""),
            (traction_m_s2(drive), None, (), "from drive.friction"),
        ]
        kind = "acceleration"
        yield _least(group, kind, kept.acceleration_m_s2, kind, acceleration, (document, path), grips)
        return
    rates: list[_Bound] = [
        (drive.limits.turn_rate, robot, (*own, "turn_rate"), ""),
        (spot_rate_rad_s(drive), None, (), "from drive.motor and drive.track_width"),
    ]
    if step.speed is not None:
        rates.append((2.0 * step.speed / drive.track_width, document, (*path, "speed"), "from its speed"))
    yield _least(group, "turn_rate", kept.spot_rate_rad_s, "turn rate", turn_rate, (document, path), rates)


def _least(
    group: str,
    key: str,
    kept: float,
    dimension: str,
    asked: float | None,
    step: tuple[Document, DocPath],
    bounds: Sequence[_Bound],
) -> Setting:
    """Return the limit in force, from whichever bound it equals; a step that asks comes first."""
    document, path = step
    tried: list[_Bound] = [(asked, document, (*path, key), "")] if asked is not None else []
    tried += bounds
    value, source, place, words = min(tried, key=lambda bound: abs(bound[0] - kept) > _SAME * kept)
    others = [f"{_amount(b[0], dimension)} {_whose(b)}" for b in tried if b[2] != place or b[3] != words]
    note = "; ".join([*([words] if words else []), *([f"less than {', '.join(others)}"] if others else [])])
    if source is None:
        return Setting(group, key, _amount(value, dimension), "derived", note=note)
    line, column, _ = source.where(place)
    return Setting(group, key, _amount(value, dimension), "file", source.path, line, column, note)


def _whose(bound: _Bound) -> str:
    _, source, place, words = bound
    if source is None:
        return words
    return f"in {source.path}:{source.where(place)[0]}"


def _amount(value: float, dimension: str) -> str:
    unit, size = UNITS[dimension]
    return f"{value / size:.4g} {unit}"


def _fixes(group: str, step: AnyStep, path: DocPath, document: Document, robot: Document) -> Setting:
    correction = robot.robot.correction
    every = ", ".join(sensor.id for sensor in robot.robot.sensors) or "none"
    if not correction.enabled:
        line, column, _ = robot.where(("correction", "enabled"))
        return Setting(group, "fixes", "none", "file", robot.path, line, column, "correction.enabled: false")
    if step.fixes is not None:
        line, column, _ = document.where((*path, "fixes"))
        value = (
            every if step.fixes == "all" else step.fixes if step.fixes == "none" else ", ".join(step.fixes)
        )
        return Setting(group, "fixes", value, "file", document.path, line, column)
    value = every if correction.when == "always" or step.do == "look" else "none"
    note = f"correction.when: {correction.when}"
    place: DocPath = ("correction", "when")
    if place in robot.positions:
        line, column = robot.positions[place]
        return Setting(group, "fixes", value, "file", robot.path, line, column, note)
    return Setting(group, "fixes", value, "default", note=note)


# The filter's numbers: key in the robot file, dimension, and what they are derived from if it is not there.
_FILTER = (
    ("start_x", "length", "the start's spread, off"),
    ("start_y", "length", "the start's spread, off"),
    ("start_heading", "angle", "the start's spread, off"),
    ("along", "length per root metre", "distance_walk, distance_scale, rare_slip"),
    ("across", "length per root metre", "lateral_walk, crab_angle"),
    ("heading_per_root_metre", "angle per root metre", "heading_walk"),
    ("heading_per_root_second", "angle per root second", "heading_walk, heading_bias"),
    ("heading_per_root_radian", "angle per root radian", "heading_walk, heading_scale"),
    ("wall", "length", "the build of the walls of the map carried, each its own, if consider: true"),
    ("wall_tilt", "angle", "the build of the walls of the map carried, each its own if consider: true"),
)


def _turns(model: FilterModel) -> Iterator[Setting]:
    """Yield what turns add to the filter's place; no key says it, and `along` and `across` replace it."""
    turning = model.turning
    parts = (
        ("along in turns", turning.ahead * 1e3, "mm/sqrt(rad)", "wheel_offset"),
        ("across in turns", turning.left * 1e3, "mm/sqrt(rad)", "lateral_slip"),
        ("across in turns, each m/s", turning.left_s * 1e3, "ms/sqrt(rad)", "heading_latency, lateral_slip"),
    )
    for key, value, unit, source in parts:
        if value:
            amount = f"{value:.4g} {unit}"
            yield Setting("filter", f"correction.filter.{key}", amount, "derived", note=f"from {source}")


def _sideways(named: NamedCase, model: FilterModel) -> dict[str, tuple[float, str]]:
    """Return the walks of a drive that goes sideways, and what they are derived from."""
    robot, numbers = named.case.robot, model.sideways_per_root_m
    if robot.drive.type != "holonomic" or numbers is None:
        return {}
    scale = "distance_scale" if robot.errors.sideways_scale is None else "sideways_scale"
    sources = (f"lateral_walk, {scale}", "distance_walk, crab_angle, rare_slip")
    return dict(zip(("along", "across"), zip(numbers, sources, strict=True), strict=True))


def filter_settings(named: NamedCase) -> Iterator[Setting]:
    """Yield the filter's own numbers where the robot file leaves them to be derived."""
    model, own = filter_model(named.case), named.robot.robot.correction.filter
    values = dict(
        zip(
            (key for key, _, _ in _FILTER),
            (
                *model.start_sd,
                model.along_per_root_m,
                model.across_per_root_m,
                model.heading_per_root_m,
                model.heading_per_root_s,
                model.heading_per_root_rad,
                model.wall_m,
                model.wall_tilt_rad,
            ),
            strict=True,
        )
    )
    aside = _sideways(named, model)
    for key, dimension, source in _FILTER:
        if getattr(own, key) is None:
            amount = _amount(values[key], dimension)
            yield Setting("filter", f"correction.filter.{key}", amount, "derived", note=f"from {source}")
            if key in aside:
                amount, note = _amount(aside[key][0], dimension), f"from {aside[key][1]}"
                yield Setting("filter", f"correction.filter.{key} sideways", amount, "derived", note=note)
    yield from _turns(model)
    # What stays the same over a run is noise, or a number of its own.
    same, scale = ("", "") if model.considers else (", bias, mount_position", ", scale")
    constants = model.constants
    parts = (
        ("range_at_zero", "length", model.range_at_zero_m, f"noise, resolution{same}"),
        ("range_per_range", "ratio", model.range_per_range, f"noise{scale}"),
        ("range_bias", "length", tuple(c.bias_m for c in constants), "bias, mount_position"),
        ("range_scale", "ratio", tuple(c.scale for c in constants), "scale, mount_pitch"),
        ("mount_angle", "angle", tuple(c.angle_rad for c in constants), "mount_angle"),
        ("mount_aside", "length", tuple(c.aside_m for c in constants), "mount_position"),
    )
    for key, dimension, numbers, source in parts:
        if getattr(own, key) is not None or not numbers:
            continue
        for sensor, number in zip(named.robot.robot.sensors, numbers, strict=True):
            name = f"correction.filter.{key} of {sensor.id}"
            yield Setting("filter", name, _amount(number, dimension), "derived", note=f"from its {source}")
