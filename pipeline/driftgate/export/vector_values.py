"""Test vectors: what the robot's code is given, and what it must make of it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Annotated

from driftgate.export.values import About, Covariance, Pose, Struct
from driftgate.predict.values import Outcome


class VectorKind(IntEnum):
    """What a vector is about."""

    READING = 0
    PAIR = 1
    MOVE = 2
    RESET = 3
    START = 4


@dataclass(frozen=True)
class State(Struct):
    """What the robot's correction remembers."""

    pose: Annotated[Pose, About("believed pose")]
    covariance: Annotated[Covariance, About("the filter's")]
    fixed: Annotated[Pose, About("sum of all fixes so far, field axes")]
    streak: Annotated[
        tuple[int, ...],
        About(
            "passes in a row, by slot: sensors, then of each pair the difference and the mean",
            "DG_MOST_SLOTS",
        ),
    ]
    streak_surface: Annotated[tuple[int, ...], About("the surface they were of", "DG_MOST_SLOTS")]
    link_x_m: Annotated[
        tuple[float, ...],
        About("how its error goes with each constant, of variance 1 [m]", "DG_MOST_CONSTANTS"),
    ]
    link_y_m: Annotated[tuple[float, ...], About("[m]", "DG_MOST_CONSTANTS")]
    link_rad: Annotated[tuple[float, ...], About("[rad]", "DG_MOST_CONSTANTS")]
    refusals: Annotated[int, About("refusals at the gate in a row, all sensors together")]
    lost: Annotated[bool, About("raised by the way back, never taken down")]


@dataclass(frozen=True)
class Instant(Struct):
    """The instant of a reading, on the routine's clock and by the plan."""

    step: Annotated[int, About("index of the step that it arrives in")]
    time_s: Annotated[float, About("its echo if latency is compensated, else its arrival [s]")]
    speed_m_s: Annotated[float, About("planned speed at its arrival [m/s]")]
    turn_rate_rad_s: Annotated[float, About("planned turn rate then [rad/s]")]
    heading_rad: Annotated[float, About("planned heading then [rad]")]


@dataclass(frozen=True)
class Reading(Struct):
    """What a sensor gave."""

    sensor: Annotated[int, About("index of the sensor")]
    planned_surface: Annotated[int, About("surface that the plan expects here, -1 for none")]
    echoed: Annotated[bool, About("something came back")]
    range_m: Annotated[float, About("the reading; 0 if nothing came back [m]")]


@dataclass(frozen=True)
class Result(Struct):
    """What became of a reading."""

    outcome: Annotated[Outcome, About("a fix, or the stage and reason that refused it")]
    surface: Annotated[int, About("surface that it was expected of, -1 for none")]


@dataclass(frozen=True)
class Motion(Struct):
    """What dead reckoning measured in one tick, in the robot's own axes."""

    ahead_m: Annotated[float, About("[m]")]
    left_m: Annotated[float, About("[m]")]
    turn_rad: Annotated[float, About("[rad]")]
    time_s: Annotated[float, About("how long it took [s]")]


@dataclass(frozen=True)
class Vector(Struct):
    """What is given, and what must come of it.

    A reading or a pair uses `instant`, `compared` and `readings`; a move uses `motion`; a reset uses the
    step of `instant`, a square-up that has touched, and of `compared` the heading that it began with; a start
    uses nothing.
    """

    kind: Annotated[VectorKind, About("what it is about")]
    pair: Annotated[int, About("index of the pair; -1 without one")]
    instant: Annotated[Instant, About("when")]
    compared: Annotated[Pose, About("belief that the reading is compared with")]
    readings: Annotated[tuple[Reading, ...], About("one, or the two of a pair", "2")]
    motion: Annotated[Motion, About("what was measured")]
    before: Annotated[State, About("what the robot remembers before")]
    after: Annotated[State, About("and after")]
    results: Annotated[tuple[Result, ...], About("what became of the readings", "2")]
