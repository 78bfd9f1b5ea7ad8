"""The robot document: footprint, drive, controller, odometry; the rest comes from its own modules."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from driftgate.schema.base import (
    Acceleration,
    AngularAcceleration,
    Distance,
    Duration,
    Model,
    Point,
    PositiveDuration,
    Probability,
    Size,
    Speed,
    Text,
    TurnRate,
)
from driftgate.schema.correction import Correction
from driftgate.schema.drift import ErrorSources
from driftgate.schema.quantity import Quantity
from driftgate.schema.sensor import Sensor

MotorSpeed = Annotated[float, Quantity("turn rate", above=0.0, high=5000.0)]
Mass = Annotated[float, Quantity("mass", above=0.0, high=200.0)]


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
