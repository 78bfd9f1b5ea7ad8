"""The robot's filter's own numbers: those of the robot file, else derived from the error sources."""

from __future__ import annotations

import math
from dataclasses import dataclass

from driftgate.predict.doubt import with_doubt
from driftgate.schema.case import Case
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.sensor import Sensor


@dataclass(frozen=True)
class FilterModel:
    """The filter's own numbers, as the robot carries them. SI."""

    start_sd: tuple[float, float, float]
    along_per_root_m: float
    across_per_root_m: float
    heading_per_root_m: float
    heading_per_root_s: float
    heading_per_root_rad: float
    range_at_zero_m: tuple[float, ...]  # per sensor
    range_per_range: tuple[float, ...]
    wall_m: float
    wall_tilt_rad: float


# A filter with three states has no place for a constant scale or bias. By default it takes one as
# if it were drawn anew every so often, which gives the same variance after that stretch.
_MEMORY_M = 2.0
_MEMORY_S = 5.0
_MEMORY_RAD = math.pi


def filter_model(case: Case) -> FilterModel:
    """Return the filter's own numbers: those of the robot file, else derived from the error sources."""
    robot = case.robot
    own, errors = robot.correction.filter, robot.errors
    start = case.routine.start.spread

    def spread(source: object) -> float:
        if source is None:
            return 0.0
        return with_doubt(float(getattr(source, "spread", 0.0)), getattr(source, "fitted", None))

    walk = errors.heading_walk
    along = math.hypot(
        errors.distance_walk.per_root_metre if errors.distance_walk else 0.0,
        spread(errors.distance_scale) * math.sqrt(_MEMORY_M),
    )
    across = math.hypot(
        errors.lateral_walk.per_root_metre if errors.lateral_walk else 0.0,
        spread(errors.crab_angle) * math.sqrt(_MEMORY_M),
    )
    per_second = math.hypot(
        walk.per_root_second if walk else 0.0, spread(errors.heading_bias) * math.sqrt(_MEMORY_S)
    )
    per_radian = math.hypot(
        walk.per_root_radian if walk else 0.0, spread(errors.heading_scale) * math.sqrt(_MEMORY_RAD)
    )
    return FilterModel(
        start_sd=(
            _given(own.start_x, start.x),
            _given(own.start_y, start.y),
            _given(own.start_heading, start.heading),
        ),
        along_per_root_m=_given(own.along, along),
        across_per_root_m=_given(own.across, across),
        heading_per_root_m=_given(own.heading_per_root_metre, walk.per_root_metre if walk else 0.0),
        heading_per_root_s=_given(own.heading_per_root_second, per_second),
        heading_per_root_rad=_given(own.heading_per_root_radian, per_radian),
        range_at_zero_m=tuple(_given(own.range_at_zero, _range_at_zero(s)) for s in robot.sensors),
        range_per_range=tuple(_given(own.range_per_range, _range_per_range(s)) for s in robot.sensors),
        wall_m=own.wall,
        wall_tilt_rad=_given(own.wall_tilt, _wall_tilt(case.believed)),
    )


def _given(own: float | None, derived: float) -> float:
    return derived if own is None else own


def _wall_tilt(field: FieldMap) -> float:
    """Return how far reference surfaces may be turned: the root mean square of their spreads. [rad]"""
    spreads = [(wall.build or field.build).tilt for wall in field.walls if wall.reference]
    spreads += [s.build.heading if s.build else 0.0 for s in field.structures if s.reference]
    return math.sqrt(sum(v**2 for v in spreads) / len(spreads)) if spreads else 0.0


def _range_at_zero(sensor: Sensor) -> float:
    errors = sensor.errors
    return math.sqrt(
        (errors.noise.at_zero if errors.noise else 0.0) ** 2
        + (with_doubt(errors.bias.spread, errors.bias.fitted) if errors.bias else 0.0) ** 2
        + (errors.mount_position.spread if errors.mount_position else 0.0) ** 2
        + sensor.resolution**2 / 12.0
    )


def _range_per_range(sensor: Sensor) -> float:
    errors = sensor.errors
    return math.hypot(
        errors.noise.per_range if errors.noise else 0.0,
        with_doubt(errors.scale.spread, errors.scale.fitted) if errors.scale else 0.0,
    )
