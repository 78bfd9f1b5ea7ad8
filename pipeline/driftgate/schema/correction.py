"""The robot document: the correction model."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from driftgate.schema.base import AngleSize, Distance, Id, Model, Probability, Size, Speed, TurnRate
from driftgate.schema.drift import (
    AnglePerRootMetre,
    AnglePerRootRadian,
    AnglePerRootSecond,
    PerRootMetre,
    RatioSize,
)
from driftgate.schema.sensor import Reach

Stage = Literal["validity", "gate", "persistence"]


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
    """So many readings of one surface in a row must pass the stages before this one, for one to be used.

    The gate should be one of them. Without it readings are counted whatever they say: the first ones of each
    surface are held back, and no false one that comes later (DG153).
    """

    readings: Annotated[int, Field(ge=1, le=1000)]


class SensorPair(Model):
    """Two sensors that look the same way, side by side.

    Where both meet one surface at one instant, the difference of their readings is a fix of the
    heading, and their mean is one of the position; otherwise each is used alone.
    """

    sensors: Annotated[list[Id], Field(min_length=2, max_length=2)]


class WayBack(Model):
    """A way out of a gate that refuses everything.

    After `refusals` at the gate in a row, all sensors together, the filter's covariance grows by
    `factor`; after `lost_after` more the robot is flagged as lost.
    """

    refusals: Annotated[int, Field(ge=1, le=100_000)]
    factor: Annotated[float, Field(gt=1.0, le=1e6)]
    lost_after: Annotated[int, Field(ge=1, le=100_000)]


class Update(Model):
    """The update law.

    A fix moves the belief by no more than `largest_move`: neither its place, nor by turning the
    furthest point of the robot's outline. One that would is scaled down, place and heading alike.
    """

    law: Literal["kalman", "replace", "blend"]
    share: Annotated[Probability, Field(description="for blend: how much of the difference is taken")] = 1.0
    largest_move: Annotated[
        Distance | None,
        Field(description="how far one fix may move the robot, or by turning any point of its outline"),
    ] = None


class FilterNumbers(Model):
    """The filter's own idea of its noise; a number left out is derived from the error sources.

    Of what is constant over a run that is the root of mean squared plus spread squared: a mean in the robot
    file is one that the robot does not correct.
    """

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
    consider: Annotated[
        bool,
        Field(
            description="what stays the same over a run (bias, scale, mounts, walls) is taken as such, "
            "not as new noise with every reading"
        ),
    ] = True
    range_bias: Annotated[
        Size | None, Field(description="considered: how far a sensor reads long or short at every range")
    ] = None
    range_scale: Annotated[RatioSize | None, Field(description="considered: and by what share of it")] = None
    mount_angle: Annotated[
        AngleSize | None, Field(description="considered: how far off the direction is that a sensor looks in")
    ] = None
    mount_aside: Annotated[
        Size | None, Field(description="considered: and how far aside of its axis a sensor sits")
    ] = None
    constants_hold: Annotated[
        Distance | None,
        Field(
            description="considered: after so long a way a surface may stand off otherwise; left out: never"
        ),
    ] = None
    wall: Annotated[
        Size | None,
        Field(description="how far a wall may stand off the map; considered, or added to the noise"),
    ] = None
    wall_tilt: Annotated[
        AngleSize | None,
        Field(description="how far a wall may be turned; considered, or what limits a pair's heading"),
    ] = None


class Correction(Model):
    """The correction model. `enabled: false` leaves pure dead reckoning."""

    enabled: bool = True
    when: Annotated[
        Literal["always", "looking"],
        Field(description="beside the running routine, or only in look steps; a step's `fixes` overrules it"),
    ] = "always"
    expect_from: Annotated[
        Literal["belief", "plan"],
        Field(description="which surface a beam should meet: as seen from the belief, or as planned"),
    ] = "belief"
    order: Annotated[
        list[Stage], Field(min_length=3, max_length=3, description="order in which readings are tested")
    ] = ["validity", "gate", "persistence"]
    validity: Validity = Validity()
    gate: Gate | None = None
    persistence: Persistence | None = None
    pairs: Annotated[list[SensorPair], Field(max_length=8)] = []
    way_back: WayBack | None = None
    update: Update
    filter: FilterNumbers = FilterNumbers()
    compensate_latency: bool = False
