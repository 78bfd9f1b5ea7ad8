"""The robot document: error sources of dead reckoning."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from driftgate.schema.base import Angle, AngleSize, Length, Model, Size, Sourced
from driftgate.schema.fitted import (
    DriftAngle,
    DriftLength,
    DriftRate,
    DriftRatio,
    DriftTime,
    Fitted,
    FittedRatio,
    FittedSlip,
    FittedSlips,
)
from driftgate.schema.quantity import Quantity

Ratio = Annotated[float, Quantity("ratio", low=-0.5, high=0.5)]
RatioSize = Annotated[float, Quantity("ratio", low=0.0, high=0.5)]
BiasRate = Annotated[float, Quantity("turn rate", low=-1.0, high=1.0)]
BiasRateSize = Annotated[float, Quantity("turn rate", low=0.0, high=1.0)]
Latency = Annotated[float, Quantity("time", low=-1.0, high=1.0)]
LatencySize = Annotated[float, Quantity("time", low=0.0, high=1.0)]
PerRootMetre = Annotated[float, Quantity("length per root metre", low=0.0, high=1.0)]
AnglePerRootMetre = Annotated[float, Quantity("angle per root metre", low=0.0, high=2.0)]
AnglePerRootSecond = Annotated[float, Quantity("angle per root second", low=0.0, high=2.0)]
AnglePerRootRadian = Annotated[float, Quantity("angle per root radian", low=0.0, high=2.0)]
PerTurn = Annotated[float, Quantity("length per turn", low=-0.5, high=0.5)]
PerTurnSize = Annotated[float, Quantity("length per turn", low=0.0, high=0.5)]
PerMetre = Annotated[float, Quantity("count per length", low=0.0, high=10.0)]
RunOrRobot = Literal["run", "robot"]


class Spread(Sourced):
    """Common part of a source that is constant over each run."""

    constant_over: RunOrRobot


class DistanceScale(Spread):
    """True distance = measured / (1 + scale): positive reads long."""

    mean: Ratio = 0.0
    spread: RatioSize
    fitted: DriftRatio | None = None


class WheelOffset(Spread):
    """How much further left the forward tracking wheel sits than the robot's code believes."""

    mean: Length = 0.0
    spread: Size
    fitted: DriftLength | None = None


class CrabAngle(Spread):
    """Direction of travel against heading, positive to the left; kept when backing."""

    mean: Angle = 0.0
    spread: AngleSize
    fitted: DriftAngle | None = None


class HeadingBias(Spread):
    """Gyro rate bias; positive reads too much."""

    mean: BiasRate = 0.0
    spread: BiasRateSize
    fitted: DriftRate | None = None


class HeadingScale(Spread):
    """True turn = measured / (1 + scale)."""

    mean: Ratio = 0.0
    spread: RatioSize
    fitted: DriftRatio | None = None


class HeadingLatency(Spread):
    """How old the heading is that a distance increment is laid along."""

    mean: Latency = 0.0
    spread: LatencySize
    fitted: DriftTime | None = None


class DistanceWalk(Sourced):
    """Random walk of the distance."""

    per_root_metre: PerRootMetre
    constant_over: Literal["tick"]
    fitted: Fitted | None = None


class RareSlip(Sourced):
    """Now and then the odometry counts a distance that was not driven, or misses one."""

    rate: PerMetre
    along: Size
    constant_over: Literal["tick"]
    fitted: FittedSlips | None = None


class LateralWalk(Sourced):
    """Random sideways walk."""

    per_root_metre: PerRootMetre
    constant_over: Literal["tick"]
    fitted: Fitted | None = None


class HeadingWalk(Sourced):
    """Random walk of the heading: with distance, with time (also at rest), with turning."""

    per_root_metre: AnglePerRootMetre = 0.0
    per_root_second: AnglePerRootSecond = 0.0
    per_root_radian: AnglePerRootRadian = 0.0
    constant_over: Literal["tick"]
    fitted: Fitted | None = None


class LateralSlip(Spread):
    """Outward slip in curves: per radian turned while travelling, and per speed times turn rate."""

    per_turn: PerTurn = 0.0
    per_turn_spread: PerTurnSize = 0.0
    with_speed: Latency = 0.0
    with_speed_spread: LatencySize = 0.0
    fitted: FittedSlip | None = None


class Bump(Sourced):
    """What one bump of a rough zone does to the true pose, unseen by the odometry."""

    along: Size
    heading: AngleSize
    constant_over: Literal["tick"]


class Settling(Sourced):
    """Where a motion comes to rest about where it should, seen by the odometry."""

    along: Size
    heading: AngleSize
    constant_over: Literal["step"]
    fitted: Fitted | None = None


class StepTiming(Sourced):
    """How much longer a step takes than planned, as a share of it."""

    mean: Ratio = 0.0
    spread: RatioSize
    constant_over: Literal["step", "run"]
    fitted: FittedRatio | None = None


class ErrorSources(Model):
    """Every error source of dead reckoning; one left out does not act."""

    distance_scale: DistanceScale | None = None
    sideways_scale: Annotated[
        DistanceScale | None,
        Field(description="of a holonomic drive; left out: distance_scale acts sideways as well"),
    ] = None
    distance_walk: DistanceWalk | None = None
    rare_slip: RareSlip | None = None
    wheel_offset: WheelOffset | None = None
    crab_angle: CrabAngle | None = None
    heading_bias: HeadingBias | None = None
    heading_scale: HeadingScale | None = None
    heading_latency: HeadingLatency | None = None
    heading_walk: HeadingWalk | None = None
    lateral_slip: LateralSlip | None = None
    lateral_walk: LateralWalk | None = None
    bump: Bump | None = None
    settling: Settling | None = None
    step_timing: StepTiming | None = None
