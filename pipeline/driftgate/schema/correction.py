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
    """A way out of a gate that refuses everything: the filter grows less sure of itself until readings pass.

    Refusals are counted in a row, over all sensors together: one reading of any sensor that passes begins the
    count anew, so that with one good sensor the others may be refused for ever.
    """

    refusals: Annotated[
        int,
        Field(
            ge=1,
            le=100_000,
            description="after so many in a row, of all sensors together; and each time again",
        ),
    ]
    factor: Annotated[
        float,
        Field(
            gt=1.0,
            le=1e6,
            description="the filter's covariance grows by it: 4 doubles the spread it believes in",
        ),
    ]
    lost_after: Annotated[
        int,
        Field(ge=1, le=100_000, description="so many more in a row, and the robot says that it is lost"),
    ]


class Update(Model):
    """The update law: how far a fix moves the belief, and which way.

    Under `replace` and `blend` a single reading moves the place along the normal of the surface and never
    turns the belief; the heading is corrected by the `pairs` alone, and drifts without one. A fix moves the
    belief by no more than `largest_move`: neither its place, nor by turning the furthest point of the
    robot's outline. One that would is scaled down, place and heading alike.
    """

    law: Annotated[
        Literal["kalman", "replace", "blend"],
        Field(
            description="kalman: place and heading, each by how well it is known; replace: along the wall's "
            "normal until the reading fits; blend: a share of that. These two turn the heading by pairs alone"
        ),
    ]
    share: Annotated[Probability, Field(description="for blend: how much of the difference is taken")] = 1.0
    largest_move: Annotated[
        Distance | None,
        Field(
            description="how far one fix of a reading may move the robot, or by turning any point of its "
            "outline; a square-up's 'reset' is not limited"
        ),
    ] = None


class FilterNumbers(Model):
    """The filter's own idea of its noise; a number left out is derived from the error sources.

    Of what is constant over a run that is the root of mean squared plus spread squared: a mean in the robot
    file is one that the robot does not correct.
    """

    start_x: Annotated[
        Size | None,
        Field(
            description="how far off the filter believes the start to be; left out: the routine's spread and "
            "off, root of the sum of squares. For a wrong pose that the robot does not know of, say less here"
        ),
    ] = None
    start_y: Size | None = None
    start_heading: AngleSize | None = None
    along: Annotated[
        PerRootMetre | None,
        Field(
            description="noise along the course; left out: distance walk and rare slips, and the constant "
            "distance scale as noise that comes to the same after 2 m"
        ),
    ] = None
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
