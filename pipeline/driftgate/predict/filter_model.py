"""The robot's filter's own numbers: those of the robot file, else derived from the error sources.

A `mean` in the robot file is an error that the robot makes: what its code takes out is there no more. The
filter knows how large such an error is, not which way it acts, and has to expect the root mean square:
of the mean together with the spread about it and what is uncertain of the mean (`off_by`). That is the
second moment of one constant; those of several count as independent, also where their means act together.

The robot's errors belong to its own axes: the distance walk lies along the wheel that looks ahead,
whichever way the robot goes, and a sideways wheel may have a scale of its own. The filter's walk is told
along and across the course; a robot that drives sideways has other numbers there (`sideways_per_root_m`).
What a wheel off its place, a late heading and slip do comes with turns, and goes round with the heading
(`turning`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from driftgate.predict.constants import NO_CONSTANTS, SensorConstants
from driftgate.predict.doubt import with_doubt
from driftgate.predict.movers import NO_MOVERS, Movers, movers_of
from driftgate.predict.start_carry import StartPart, start_carry
from driftgate.schema.case import Case
from driftgate.schema.fieldmap import FieldMap, Structure
from driftgate.schema.robot import Robot
from driftgate.schema.routine import PoseOff
from driftgate.schema.sensor import Sensor


class Turning(NamedTuple):
    """What turns add to the place while the robot travels, by the root of the angle, in its own axes.

    Attributes
    ----------
    ahead, left : float
        [m/sqrt(rad)]
    left_s : float
        To the left, for each m/s ahead. [s/sqrt(rad)]
    """

    ahead: float
    left: float
    left_s: float


NO_TURNING = Turning(0.0, 0.0, 0.0)


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
    constants: tuple[SensorConstants, ...] = ()  # per sensor, where they are considered
    movers: Movers = NO_MOVERS  # of each surface, where they are considered
    constants_hold_m: float = math.inf
    start_carry: tuple[StartPart, ...] = ()
    # What turns add while the robot travels.
    turning: Turning = NO_TURNING
    # Along and across the course where the robot drives sideways; None: as ahead.
    sideways_per_root_m: tuple[float, float] | None = None

    @property
    def considers(self) -> bool:
        """Whether what is constant over a run is taken as such (`driftgate.predict.consider`)."""
        # Without a sensor there are the walls alone, which a square-up that resets is off by.
        return bool(self.constants) or (not self.range_at_zero_m and any(self.movers))

    def left_over(self, length_m: float) -> float:
        """Return the share of a link to a surface that is left after a way."""
        return math.exp(-length_m / self.constants_hold_m)


# A filter with three states has no place for a constant scale or bias. By default it takes one as
# if it were drawn anew every so often, which gives the same variance after that stretch.
_MEMORY_M = 2.0
_MEMORY_S = 5.0
_MEMORY_RAD = math.pi
# What a constant does while the heading turns goes round with it: the chord 2 sin(a/2) of a circle. As noise
# by the root of the angle, 2/sqrt(pi) sqrt(a), it is the same after a quarter and a half turn, and at most
# 7 % less between them.
_PER_TURN = 2.0 / math.sqrt(math.pi)


def filter_model(case: Case) -> FilterModel:
    """Return the filter's own numbers: those of the robot file, else derived from the error sources."""
    robot = case.robot
    own, errors = robot.correction.filter, robot.errors
    start, off = case.routine.start.spread, case.routine.start.off or PoseOff()
    walk = errors.heading_walk
    along, across, sideways = _walks(robot)
    per_second = math.hypot(
        walk.per_root_second if walk else 0.0, off_by(errors.heading_bias) * math.sqrt(_MEMORY_S)
    )
    per_radian = math.hypot(
        walk.per_root_radian if walk else 0.0, off_by(errors.heading_scale) * math.sqrt(_MEMORY_RAD)
    )
    wall_m = _given(own.wall, wall_offset(case.believed) if own.consider else 0.0)
    wall_tilt_rad = _given(own.wall_tilt, wall_tilt(case.believed))
    constants = tuple(
        SensorConstants(
            _given(own.range_bias, _bias(s)),
            _given(own.range_scale, _scale(s)),
            _given(own.mount_angle, _mount_angle(s)),
            _given(own.mount_aside, _mount_position(s)),
        )
        for s in robot.sensors
    )
    movers = movers_of(case.believed, own) if own.consider else NO_MOVERS
    nothing = not any(movers) and set(constants) <= {NO_CONSTANTS}
    constants = constants if own.consider and not nothing else ()
    # By the switch alone: a constant that is written as zero is none, and no noise either.
    at_zero, per_range = (
        (_noise_at_zero, _noise_per_range) if own.consider else (_range_at_zero, _range_per_range)
    )
    return FilterModel(
        start_sd=(
            _given(own.start_x, math.hypot(start.x, off.x)),
            _given(own.start_y, math.hypot(start.y, off.y)),
            _given(own.start_heading, math.hypot(start.heading, off.heading)),
        ),
        along_per_root_m=_given(own.along, along),
        across_per_root_m=_given(own.across, across),
        heading_per_root_m=_given(own.heading_per_root_metre, walk.per_root_metre if walk else 0.0),
        heading_per_root_s=_given(own.heading_per_root_second, per_second),
        heading_per_root_rad=_given(own.heading_per_root_radian, per_radian),
        range_at_zero_m=tuple(_given(own.range_at_zero, at_zero(s)) for s in robot.sensors),
        range_per_range=tuple(_given(own.range_per_range, per_range(s)) for s in robot.sensors),
        wall_m=wall_m,
        wall_tilt_rad=wall_tilt_rad,
        constants=constants,
        movers=movers,
        constants_hold_m=_given(own.constants_hold, math.inf),
        start_carry=start_carry(case, movers) if constants or not robot.sensors else (),
        turning=_turning(robot),
        sideways_per_root_m=(_given(own.along, sideways[0]), _given(own.across, sideways[1])),
    )


def _turning(robot: Robot) -> Turning:
    """Return what turns add to the place; a walk that the robot file states is meant to have it in it."""
    own = robot.correction.filter
    errors, slip = robot.errors, robot.errors.lateral_slip
    per_turn = per_speed = 0.0
    if slip is not None:
        turn_error, speed_error = (
            (slip.fitted.per_turn_error, slip.fitted.with_speed_error) if slip.fitted else (0.0, 0.0)
        )
        per_turn = math.hypot(slip.per_turn, slip.per_turn_spread, turn_error)
        per_speed = math.hypot(slip.with_speed, slip.with_speed_spread, speed_error)
    ahead, left, left_s = (
        _PER_TURN * size
        for size in (
            off_by(errors.wheel_offset),
            per_turn,
            math.hypot(off_by(errors.heading_latency), per_speed),
        )
    )
    if own.across is not None:
        left = left_s = 0.0
    return Turning(ahead if own.along is None else 0.0, left, left_s)


def _walks(robot: Robot) -> tuple[float, float, tuple[float, float]]:
    """Return the derived walks along and across the course: of driving ahead, and of driving sideways."""
    errors, slip = robot.errors, robot.errors.rare_slip
    ahead = math.hypot(
        errors.distance_walk.per_root_metre if errors.distance_walk else 0.0,
        # A filter of normal errors takes a rare slip by its variance.
        math.sqrt(slip.rate) * slip.along if slip else 0.0,
    )
    aside = errors.lateral_walk.per_root_metre if errors.lateral_walk else 0.0
    # As in `increments.drift_constants`: one scale serves both wheels unless the sideways one has its own.
    own_scale = errors.distance_scale if errors.sideways_scale is None else errors.sideways_scale
    scale, side_scale, crab = (
        off_by(source) * math.sqrt(_MEMORY_M)
        for source in (errors.distance_scale, own_scale, errors.crab_angle)
    )
    sideways = math.hypot(aside, side_scale), math.hypot(ahead, crab)
    return math.hypot(ahead, scale), math.hypot(aside, crab), sideways


def off_by(source: object) -> float:
    """Return how far off a constant of a run has to be expected: the root mean square, in its own unit.

    Parameters
    ----------
    source : object
        An error source of the robot file with a `spread`, perhaps `mean` and `fitted`; None for one that
        does not act.
    """
    if source is None:
        return 0.0
    mean, spread = (float(getattr(source, name, 0.0)) for name in ("mean", "spread"))
    return math.hypot(mean, with_doubt(spread, getattr(source, "fitted", None)))


def _given(own: float | None, derived: float) -> float:
    return derived if own is None else own


def wall_tilt(field: FieldMap) -> float:
    """Return how far reference surfaces may be turned: the root mean square over them. [rad]

    A structure is turned by itself and with the wall that it is fixed to.
    """
    walls = {wall.id: (wall.build or field.build).tilt ** 2 for wall in field.walls}
    squares = [walls[wall.id] for wall in field.walls if wall.reference]
    for thing in field.structures:
        if thing.reference:
            squares.append(_square(thing, "heading") + walls.get(thing.fixed_to or "", 0.0))
    return _root_mean(squares)


def wall_offset(field: FieldMap) -> float:
    """Return how far what stands by itself may stand off the map: the root mean square. [m]

    Of the walls that fixes are taken from along their normals, of such structures that are fixed to none
    along either axis.
    """
    squares = [(wall.build or field.build).offset ** 2 for wall in field.walls if wall.reference]
    for thing in field.structures:
        if thing.reference and thing.fixed_to is None:
            squares.append(0.5 * (_square(thing, "x") + _square(thing, "y")))
    return _root_mean(squares)


def _square(thing: Structure, axis: str) -> float:
    return float(getattr(thing.build, axis)) ** 2 if thing.build else 0.0


def _root_mean(squares: list[float]) -> float:
    return math.sqrt(sum(squares) / len(squares)) if squares else 0.0


def _noise_at_zero(sensor: Sensor) -> float:
    noise = sensor.errors.noise
    return math.hypot(noise.at_zero if noise else 0.0, sensor.resolution / math.sqrt(12.0))


def _noise_per_range(sensor: Sensor) -> float:
    return sensor.errors.noise.per_range if sensor.errors.noise else 0.0


def _bias(sensor: Sensor) -> float:
    return math.hypot(off_by(sensor.errors.bias), _mount_position(sensor))


def _mount_position(sensor: Sensor) -> float:
    return off_by(sensor.errors.mount_position)


def _scale(sensor: Sensor) -> float:
    """Return by what share of the range a sensor reads wrong; one that looks up or down reads the slant.

    About level the slant grows with the square of the pitch, so that a spread about zero is nothing here.
    """
    scale, pitch = sensor.errors.scale, sensor.errors.mount_pitch
    if pitch is None or pitch.mean == 0.0:
        return off_by(scale)
    slant = (1.0 + (scale.mean if scale else 0.0)) / math.cos(pitch.mean)
    spread = with_doubt(scale.spread, scale.fitted) if scale else 0.0
    return math.hypot(slant - 1.0, spread / math.cos(pitch.mean), slant * math.tan(pitch.mean) * pitch.spread)


def _mount_angle(sensor: Sensor) -> float:
    return off_by(sensor.errors.mount_angle)


# Where constants are not considered, each reading has all of it anew.
def _range_at_zero(sensor: Sensor) -> float:
    return math.hypot(_noise_at_zero(sensor), _bias(sensor))


def _range_per_range(sensor: Sensor) -> float:
    return math.hypot(_noise_per_range(sensor), _scale(sensor))
