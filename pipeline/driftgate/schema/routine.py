"""The routine document: start, steps, checkpoints, final tolerance."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from driftgate.schema.accepted import Accepted
from driftgate.schema.base import (
    Acceleration,
    Angle,
    AngleSize,
    Distance,
    Duration,
    Id,
    Length,
    Model,
    Point,
    PoseIn,
    PoseSpread,
    PositiveAngle,
    PositiveDuration,
    Probability,
    Size,
    Speed,
    Text,
    TurnRate,
)

Points = Annotated[int, Field(ge=0, le=100_000)]


class StartSpread(PoseSpread):
    """How exactly the robot is put down, in field axes, about what it is placed against."""

    constant_over: Literal["run"]


class PoseOff(Model):
    """How far off its mark the robot stands in every run, in field axes."""

    x: Length = 0.0
    y: Length = 0.0
    heading: Angle = 0.0


class Start(Model):
    """Where the robot is put down.

    `off` is the mean of the placement error: a mark or a jig that is not where the routine has it. The
    robot's filter takes the start for as much worse known, unless its `filter.start_x` and the like say
    otherwise.
    """

    pose: PoseIn
    placed_against: Annotated[list[Id], Field(max_length=2)] = []
    spread: StartSpread
    off: PoseOff | None = None


class Band(Model):
    """A lopsided or one-sided tolerance; a side left out is free."""

    low: Length | None = None
    high: Length | None = None


class AngleBand(Model):
    """A lopsided or one-sided tolerance of the heading; a side left out is free."""

    low: Angle | None = None
    high: Angle | None = None


class Tolerance(Model):
    """Where the true pose must be; one size means plus or minus. At least one axis."""

    x: Distance | Band | None = None
    y: Distance | Band | None = None
    along: Distance | Band | None = None
    across: Distance | Band | None = None
    radial: Distance | None = None
    heading: PositiveAngle | AngleBand | None = None
    relative_to: Id | None = None


class Beside(Model):
    """A mechanism that moves beside a motion: a fixed `time`, or `travel` over `speed`."""

    mechanism: Id
    time: PositiveDuration | None = None
    travel: Distance | PositiveAngle | None = None
    speed: Speed | TurnRate | None = None


FixSensors = Annotated[list[Id], Field(min_length=1, max_length=16)]


class Step(Model):
    """What every step may have."""

    name: Id | None = None
    fixes: Annotated[
        Literal["all", "none"] | FixSensors | None,
        Field(description="range sensors whose readings may be fixes in this step; else as the robot says"),
    ] = None


class MotionStep(Step):
    """What every motion may have."""

    speed: Speed | None = None
    acceleration: Acceleration | None = None
    turn_rate: TurnRate | None = None
    beside: Beside | None = None
    may_touch: Annotated[list[Id], Field(max_length=20)] = []


class DriveTo(MotionStep):
    """Absolute: drive straight to a point; a differential drive must face it (or face away, backwards)."""

    do: Literal["drive"]
    to: Point
    backwards: bool = False


class Curve(MotionStep):
    """Absolute: a smooth curve from here through the points; ends along `end_heading` if given."""

    do: Literal["curve"]
    through: Annotated[list[Point], Field(min_length=1, max_length=50)]
    end_heading: Angle | None = None
    backwards: bool = False


class TurnTo(MotionStep):
    """Absolute: turn on the spot to a heading, the short way round."""

    do: Literal["turn"]
    to: Angle


class Face(MotionStep):
    """Absolute: turn on the spot to look at a point (or away from it, backwards)."""

    do: Literal["face"]
    point: Point
    backwards: bool = False


class Advance(MotionStep):
    """Relative: drive so far straight ahead; a negative distance backs."""

    do: Literal["advance"]
    distance: Length


class Rotate(MotionStep):
    """Relative: rotate by an angle on the spot, counter-clockwise positive."""

    do: Literal["rotate"]
    angle: Angle


class Arc(MotionStep):
    """Relative: drive an arc; `angle` positive turns left. Backwards keeps the side, not the turn."""

    do: Literal["arc"]
    radius: Distance
    angle: Angle
    backwards: bool = False


class Sidestep(MotionStep):
    """Relative, holonomic drives only: move sideways, left positive."""

    do: Literal["sidestep"]
    distance: Length


class Reset(Model):
    """Take the wall as a fix, without gate or limit: standard deviations of normal coordinate and heading.

    The believed coordinate along the wall's normal and the believed heading become those of a robot that lies
    flush; neither gate nor `largest_move` has a say, since the robot is there wherever it believed to be.
    A filter that considers the wall takes neither for less than the wall itself may be off by.
    """

    position: Size
    heading: AngleSize


class SquareUp(Step):
    """Contact: drive straight into a wall until the bumper lies flush, then push for a while.

    `late` is how much longer than planned the robot goes on if it has not touched.
    """

    do: Literal["square-up"]
    against: Id
    speed: Speed
    backwards: bool = False
    push: Duration = 0.3
    late: Duration = 0.5
    reset: Reset | None = None


class Pause(Step):
    """Stand still."""

    do: Literal["pause"]
    time: PositiveDuration


class Look(Step):
    """Stand still so that the range sensors average."""

    do: Literal["look"]
    time: PositiveDuration


class Actuate(Step):
    """Move a mechanism, standing: a fixed `time`, or `travel` over `speed`."""

    do: Literal["actuate"]
    mechanism: Id
    time: PositiveDuration | None = None
    travel: Distance | PositiveAngle | None = None
    speed: Speed | TurnRate | None = None


class Checkpoint(Step):
    """A moment at which the true pose must be inside a tolerance. Takes no time.

    Where it succeeds, the loose elements that it `takes` are on the robot from then on, and no
    longer on the field.
    """

    do: Literal["checkpoint"]
    name: Id
    within: Tolerance
    required: Probability
    points: Points = 0
    after: Annotated[list[Id], Field(max_length=50)] = []
    takes: Annotated[list[Id], Field(max_length=20)] = []


class Repeat(Step):
    """Do the steps so many times over."""

    do: Literal["repeat"]
    times: Annotated[int, Field(ge=1, le=1000)]
    steps: Annotated[list[AnyStep], Field(min_length=1, max_length=500)]


AnyStep = Annotated[
    DriveTo
    | Curve
    | TurnTo
    | Face
    | Advance
    | Rotate
    | Arc
    | Sidestep
    | SquareUp
    | Pause
    | Look
    | Actuate
    | Checkpoint
    | Repeat,
    Field(discriminator="do"),
]


class Final(Model):
    """The tolerance at the end of the routine, and how often the robot may touch what it should not."""

    within: Tolerance
    required: Probability
    points: Points = 0
    contact_allowed: Probability = 0.0


class Routine(Model):
    """A routine."""

    kind: Literal["routine"]
    format: Literal[1]
    title: Text
    note: Text | None = None
    robot: Text
    field: Text
    also_on: Annotated[
        list[Text], Field(max_length=20, description="further field maps to judge on as the true field")
    ] = []
    mirror: bool = False
    time_limit: PositiveDuration
    start: Start
    steps: Annotated[list[AnyStep], Field(min_length=1, max_length=500)]
    final: Final
    accepted: Annotated[list[Accepted], Field(max_length=50)] = []


Repeat.model_rebuild()
