"""The robot document: footprint, drive, odometry, sensors, correction, error sources."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from driftgate.schema.base import (
    Acceleration,
    Angle,
    AngleSize,
    AngularAcceleration,
    Distance,
    Duration,
    Id,
    Length,
    Model,
    Point,
    PositiveDuration,
    Probability,
    Size,
    Sourced,
    Speed,
    Text,
    TurnRate,
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
MotorSpeed = Annotated[float, Quantity("turn rate", above=0.0, high=5000.0)]
Mass = Annotated[float, Quantity("mass", above=0.0, high=200.0)]
Frequency = Annotated[float, Quantity("frequency", above=0.0, high=500.0)]

RunOrRobot = Literal["run", "robot"]


class Motor(Model):
    """What limits the top speed: motor, gearing, wheel."""

    free_speed: MotorSpeed
    gear_ratio: Annotated[float, Field(gt=0.0, le=1000.0, description="motor turns per wheel turn")] = 1.0
    wheel_diameter: Distance
    usable: Annotated[
        Probability, Field(description="share of the free speed that is reached under load")
    ] = 0.9


class Limits(Model):
    """Limits that the motion profiles keep unless a step asks for less."""

    speed: Speed
    acceleration: Acceleration
    turn_rate: TurnRate
    turn_acceleration: AngularAcceleration
    centripetal: Acceleration


class Drive(Model):
    """The drive base."""

    type: Literal["differential", "holonomic"]
    motor: Motor
    track_width: Distance
    friction: Annotated[float, Field(gt=0.0, le=3.0, description="wheel on floor, no unit")] = 0.8
    limits: Limits


class Controller(Model):
    """How the drive follows the plan from its believed pose.

    `time_constant` closes heading, and distance unless `distance_time_constant` is given; zero
    means at once. `settle` is added to every motion. A drive stops steering when the believed
    distance ahead falls below `stop_steering`.
    """

    time_constant: Duration = 0.2
    distance_time_constant: Duration | None = None
    stop_steering: Size = 0.3
    settle: Duration = 0.1


class Odometry(Model):
    """Where distance comes from: wheels that only track, or encoders on the driven wheels."""

    distance_from: Literal["tracking wheel", "driven wheels"]
    longest_tick: Annotated[PositiveDuration, Field(description="longest step of the simulation clock")] = (
        0.05
    )


class Spread(Sourced):
    """Common part of a source that is constant over each run."""

    constant_over: RunOrRobot


class DistanceScale(Spread):
    """True distance = measured / (1 + scale): positive reads long."""

    mean: Ratio = 0.0
    spread: RatioSize


class WheelOffset(Spread):
    """How much further left the forward tracking wheel sits than the robot's code believes."""

    mean: Length = 0.0
    spread: Size


class CrabAngle(Spread):
    """Direction of travel against heading, positive to the left; kept when backing."""

    mean: Angle = 0.0
    spread: AngleSize


class HeadingBias(Spread):
    """Gyro rate bias; positive reads too much."""

    mean: BiasRate = 0.0
    spread: BiasRateSize


class HeadingScale(Spread):
    """True turn = measured / (1 + scale)."""

    mean: Ratio = 0.0
    spread: RatioSize


class HeadingLatency(Spread):
    """How old the heading is that a distance increment is laid along."""

    mean: Latency = 0.0
    spread: LatencySize


class DistanceWalk(Sourced):
    """Random walk of the distance."""

    per_root_metre: PerRootMetre
    constant_over: Literal["tick"]


class LateralWalk(Sourced):
    """Random sideways walk."""

    per_root_metre: PerRootMetre
    constant_over: Literal["tick"]


class HeadingWalk(Sourced):
    """Random walk of the heading: with distance, with time (also at rest), with turning."""

    per_root_metre: AnglePerRootMetre = 0.0
    per_root_second: AnglePerRootSecond = 0.0
    per_root_radian: AnglePerRootRadian = 0.0
    constant_over: Literal["tick"]


class LateralSlip(Spread):
    """Outward slip in curves: per radian turned while travelling, and per speed times turn rate."""

    per_turn: PerTurn = 0.0
    per_turn_spread: PerTurnSize = 0.0
    with_speed: Latency = 0.0
    with_speed_spread: LatencySize = 0.0


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


class StepTiming(Sourced):
    """How much longer a step takes than planned, as a share of it."""

    mean: Ratio = 0.0
    spread: RatioSize
    constant_over: Literal["step", "run"]


class ErrorSources(Model):
    """Every error source of dead reckoning; one left out does not act."""

    distance_scale: DistanceScale | None = None
    sideways_scale: DistanceScale | None = None
    distance_walk: DistanceWalk | None = None
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


class RangeBias(Spread):
    """Reading too long by a constant."""

    mean: Length = 0.0
    spread: Size


class RangeScale(Spread):
    """Reading too long by a share of the range."""

    mean: Ratio = 0.0
    spread: RatioSize


class RangeNoise(Sourced):
    """White noise: standard deviation = at_zero + per_range x range."""

    at_zero: Size
    per_range: RatioSize = 0.0
    constant_over: Literal["reading"]


class MountPosition(Sourced):
    """Standard deviation of the sensor's place on the robot, each axis."""

    spread: Size
    constant_over: RunOrRobot


class MountAngle(Sourced):
    """Standard deviation of the direction the sensor looks in."""

    spread: AngleSize
    constant_over: RunOrRobot


class Chance(Sourced):
    """Probability per reading."""

    probability: Probability
    constant_over: Literal["reading"]


class FalseReturn(Chance):
    """Readings that come from nothing on the map, or from behind it.

    They may come in runs of `run_length` readings on average, and lie `distance` from the real
    surface on average (exponentially distributed); without it they lie anywhere that the sensor
    reaches. Independent false returns far from everything are the easy case: real ones cluster, and
    lie near real surfaces.
    """

    run_length: Annotated[float, Field(ge=1.0, le=1000.0)] = 1.0
    distance: Distance | None = None


class RangeErrors(Model):
    """Error sources of one range sensor; one left out does not act."""

    bias: RangeBias | None = None
    scale: RangeScale | None = None
    noise: RangeNoise | None = None
    mount_position: MountPosition | None = None
    mount_angle: MountAngle | None = None
    dropout: Chance | None = None
    short_return: FalseReturn | None = None
    long_return: FalseReturn | None = None


class Mount(Model):
    """Where a sensor sits on the robot (x ahead, y left of the centre) and looks."""

    x: Length
    y: Length
    heading: Angle
    height: Distance


class Reach(Model):
    """Shortest and longest range of a sensor."""

    low: Size
    high: Distance


class Sensor(Model):
    """A range sensor."""

    id: Id
    mount: Mount
    reach: Reach
    rate: Frequency
    phase: Duration = 0.0
    latency: Duration = 0.0
    resolution: Size = 0.0
    echo_limit: Annotated[AngleSize, Field(description="incidence beyond which the echo is lost")] = 1.4
    errors: RangeErrors


class Validity(Model):
    """Which readings are tried at all; a test left out is not made."""

    reference: bool = True
    range: Reach | None = None
    incidence: AngleSize | None = None
    corridor: Size | None = None
    edge_margin: Size = 0.0
    speed: Speed | None = None
    turn_rate: TurnRate | None = None


class Gate(Model):
    """Acceptance test: innovation within so many of its own standard deviations."""

    sigmas: Annotated[float, Field(gt=0.0, le=100.0)]


class Persistence(Model):
    """So many readings in a row must pass the gate before one is used."""

    readings: Annotated[int, Field(ge=1, le=1000)]


class WayBack(Model):
    """A way out of a gate that refuses everything.

    After `refusals` at the gate in a row, all sensors together, the filter's covariance grows by
    `factor`; after `lost_after` more the robot is flagged as lost.
    """

    refusals: Annotated[int, Field(ge=1, le=100_000)]
    factor: Annotated[float, Field(gt=1.0, le=1e6)]
    lost_after: Annotated[int, Field(ge=1, le=100_000)]


class Update(Model):
    """The update law."""

    law: Literal["kalman", "replace", "blend"]
    share: Annotated[Probability, Field(description="for blend: how much of the difference is taken")] = 1.0
    largest_move: Distance | None = None


class FilterNumbers(Model):
    """The filter's own idea of its noise; a number left out is derived from the error sources."""

    start_x: Size | None = None
    start_y: Size | None = None
    start_heading: AngleSize | None = None
    along: PerRootMetre | None = None
    across: PerRootMetre | None = None
    heading_per_root_metre: AnglePerRootMetre | None = None
    heading_per_root_second: AnglePerRootSecond | None = None
    heading_per_root_radian: AnglePerRootRadian | None = None
    range_at_zero: Size | None = None
    range_per_range: RatioSize | None = None
    wall: Annotated[Size, Field(description="extra standard deviation for how the field is built")] = 0.0


class Correction(Model):
    """The correction model. `enabled: false` leaves pure dead reckoning."""

    enabled: bool = True
    when: Annotated[
        Literal["always", "looking"], Field(description="beside the running routine, or only in look steps")
    ] = "always"
    validity: Validity = Validity()
    gate: Gate | None = None
    persistence: Persistence | None = None
    way_back: WayBack | None = None
    update: Update
    filter: FilterNumbers = FilterNumbers()
    compensate_latency: bool = False


class Footprint(Model):
    """The robot's outline seen from above, in its own axes: a rectangle, or a polygon's convex hull."""

    length: Distance | None = None
    width: Distance | None = None
    corners: Annotated[list[Point], Field(min_length=3, max_length=50)] | None = None


class Robot(Model):
    """A robot."""

    kind: Literal["robot"]
    format: Literal[1]
    title: Text
    note: Text | None = None
    footprint: Footprint
    height: Distance = 0.3
    mass: Mass
    drive: Drive
    controller: Controller = Controller()
    odometry: Odometry
    errors: ErrorSources
    sensors: Annotated[list[Sensor], Field(max_length=16)] = []
    correction: Correction
