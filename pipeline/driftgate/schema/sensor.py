"""The robot document: range sensors and their error sources."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from driftgate.schema.base import (
    Angle,
    AngleSize,
    Distance,
    Duration,
    Id,
    Length,
    Model,
    Probability,
    Size,
    Sourced,
)
from driftgate.schema.drift import Ratio, RatioSize, RunOrRobot, Spread
from driftgate.schema.fitted import Fitted, FittedAngle, FittedChance, FittedLength, FittedRatio
from driftgate.schema.quantity import Quantity

BeamWidth = Annotated[float, Quantity("angle", low=0.0, high=1.05)]
Frequency = Annotated[float, Quantity("frequency", above=0.0, high=500.0)]


class RangeBias(Spread):
    """Reading too long by a constant."""

    mean: Length = 0.0
    spread: Size
    fitted: FittedLength | None = None


class RangeScale(Spread):
    """Reading too long by a share of the range."""

    mean: Ratio = 0.0
    spread: RatioSize
    fitted: FittedRatio | None = None


class RangeNoise(Sourced):
    """White noise: standard deviation = at_zero + per_range x range."""

    at_zero: Size
    per_range: RatioSize = 0.0
    constant_over: Literal["reading"]
    fitted: Fitted | None = None


class MountPosition(Sourced):
    """Standard deviation of the sensor's place on the robot, each axis."""

    spread: Size
    constant_over: RunOrRobot


class MountAngle(Sourced):
    """How much further left the sensor looks than its mount says: mean and standard deviation."""

    mean: Angle = 0.0
    spread: AngleSize
    constant_over: RunOrRobot
    fitted: FittedAngle | None = None


class MountHeight(Sourced):
    """Standard deviation of the sensor's height above the floor."""

    spread: Size
    constant_over: RunOrRobot


class MountPitch(Sourced):
    """How far the sensor looks upwards; a beam that looks down meets the floor."""

    mean: Angle = 0.0
    spread: AngleSize
    constant_over: RunOrRobot


class Chance(Sourced):
    """Probability per reading."""

    probability: Probability
    constant_over: Literal["reading"]
    fitted: FittedChance | None = None


class FalseReturn(Chance):
    """Readings that come from nothing on the map, or from behind it.

    They may come in runs of `run_length` readings on average, and lie `distance` from the real
    surface on average (exponentially distributed); without it they lie anywhere that the sensor
    reaches. Independent false returns far from everything are the easy case: real ones cluster, and
    lie near real surfaces.
    """

    run_length: Annotated[float, Field(ge=1.0, le=1000.0)] = 1.0
    distance: Distance | None = None


class ShortReturn(FalseReturn):
    """A false return nearer than the real surface.

    Its distance may be counted from the sensor instead, as the published beam model has it: what passes close
    in front is met more often than what passes further away.
    """

    distance_from: Literal["surface", "sensor"] = "surface"


class RandomReturn(Chance):
    """Readings from nowhere, whatever is there: anywhere in the sensor's reach, or always the same, `at`.

    With a probability of 100 % and `at` the sensor is stuck.
    """

    at: Distance | None = None


class RangeErrors(Model):
    """Error sources of one range sensor; one left out does not act. False returns act one after another.

    A reading is false on the near side with probability s (`short_return`); of the others that met
    something l are `long_return`; of all r become `random_return`, and of all d are lost (`dropout`). So of
    the readings that meet something (1-d)(1-r)s are short, (1-d)(1-r)(1-s)l long, (1-d)r random and
    (1-d)(1-r)(1-s)(1-l) right. The probabilities of false ones may add up to 100 %.
    """

    bias: RangeBias | None = None
    scale: RangeScale | None = None
    noise: RangeNoise | None = None
    mount_position: MountPosition | None = None
    mount_angle: MountAngle | None = None
    mount_height: MountHeight | None = None
    mount_pitch: MountPitch | None = None
    dropout: Chance | None = None
    short_return: ShortReturn | None = None
    long_return: FalseReturn | None = None
    random_return: RandomReturn | None = None


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
    random_phase: Annotated[
        bool, Field(description="the first reading falls anywhere in an interval, anew each run")
    ] = False
    beam_width: Annotated[
        BeamWidth, Field(description="full angle of the cone, in which the nearest surface answers")
    ] = 0.0
    latency: Duration = 0.0
    resolution: Size = 0.0
    echo_limit: Annotated[AngleSize, Field(description="incidence beyond which the echo is lost")] = 1.4
    errors: RangeErrors
