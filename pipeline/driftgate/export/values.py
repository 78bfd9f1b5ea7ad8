"""What is handed over to the robot's own code, as plain values.

Every class here is a C struct of the same fields in the same order (`driftgate.export.c_types`), an object
of the JSON file (`driftgate.export.as_json`) and of its schema; the text beside a field stands in all three.
Lengths are in metres, angles in radians, times in seconds; a limit that is not set is infinite.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Annotated, NamedTuple

from driftgate.sight.values import Reason


class About(NamedTuple):
    """What a field means; for an array inside its struct how long it is."""

    text: str
    length: str = ""
    endless: bool = False  # may be infinite


class StepKind(IntEnum):
    """What a step does."""

    DRIVE = 0
    CURVE = 1
    TURN = 2
    FACE = 3
    ADVANCE = 4
    ROTATE = 5
    ARC = 6
    SIDESTEP = 7
    SQUARE_UP = 8
    PAUSE = 9
    LOOK = 10
    ACTUATE = 11
    CHECKPOINT = 12


class StepLaw(IntEnum):
    """What a step closes: absolute steps steer the believed pose, relative ones close on increments."""

    DRIVE = 0
    CURVE = 1
    GLIDE = 2
    TURN = 3
    FACE = 4
    RELATIVE = 5
    STAND = 6
    CONTACT = 7


class TestStage(IntEnum):
    """A stage of acceptance."""

    __test__ = False  # no test, whatever a test runner makes of its name

    VALIDITY = 0
    GATE = 1
    PERSISTENCE = 2


class UpdateLaw(IntEnum):
    """How an accepted reading moves the belief."""

    KALMAN = 0
    REPLACE = 1
    BLEND = 2


@dataclass(frozen=True)
class Struct:
    """Base of what is handed over."""


@dataclass(frozen=True)
class Pose(Struct):
    """A pose in the field frame."""

    x_m: Annotated[float, About("[m]")]
    y_m: Annotated[float, About("[m]")]
    heading_rad: Annotated[float, About("counter-clockwise from +x, not wrapped [rad]")]


@dataclass(frozen=True)
class Covariance(Struct):
    """The filter's covariance of x, y and heading, field axes."""

    xx: Annotated[float, About("[m^2]")]
    xy: Annotated[float, About("[m^2]")]
    xh: Annotated[float, About("[m rad]")]
    yy: Annotated[float, About("[m^2]")]
    yh: Annotated[float, About("[m rad]")]
    hh: Annotated[float, About("[rad^2]")]


@dataclass(frozen=True)
class Step(Struct):
    """One step of the routine, repetitions unrolled."""

    name: Annotated[str, About("the step's name, empty without one")]
    label: Annotated[str, About("what it does, for people")]
    kind: Annotated[StepKind, About("what it does")]
    law: Annotated[StepLaw, About("what it closes")]
    backwards: Annotated[bool, About("it travels against its heading")]
    fixes: Annotated[int, About("bit i: readings of sensor i that arrive in this step may be fixes")]
    begin_s: Annotated[float, About("on the routine's clock [s]")]
    end_s: Annotated[float, About("settling included [s]")]
    settle_s: Annotated[float, About("how long it stands at its end [s]")]
    start: Annotated[Pose, About("planned pose where it begins")]
    end: Annotated[Pose, About("planned pose where it ends")]
    target_x_m: Annotated[float, About("drive, curve, face: the point; else 0 [m]")]
    target_y_m: Annotated[float, About("[m]")]
    target_rad: Annotated[float, About("turn: the heading; else 0 [rad]")]
    amount: Annotated[float, About("relative steps: distance [m] or angle [rad], signed; else 0")]
    radius_m: Annotated[float, About("arc: its radius; else 0 [m]")]
    way: Annotated[float, About("length [m], or turning on the spot angle [rad], of its speed profile")]
    peak: Annotated[float, About("largest speed of the profile [m/s or rad/s]")]
    acceleration: Annotated[float, About("of both ramps; 0 where it follows path points [m/s^2 or rad/s^2]")]
    ramp_s: Annotated[float, About("duration of each ramp [s]")]
    cruise_s: Annotated[float, About("time at the largest speed [s]")]
    path_first: Annotated[int, About("curve: index of its first path point")]
    path_count: Annotated[int, About("curve: number of its path points; else 0")]
    contact: Annotated[int, About("square-up: index of its contact; else -1")]
    mechanism: Annotated[str, About("mechanism that moves in or beside it, empty for none")]
    mechanism_s: Annotated[float, About("how long the mechanism moves [s]")]


@dataclass(frozen=True)
class PathPoint(Struct):
    """A point of a curve, on the step's own clock."""

    time_s: Annotated[float, About("since the step began [s]")]
    pose: Annotated[Pose, About("planned pose")]
    speed_m_s: Annotated[float, About("ahead positive [m/s]")]
    turn_rate_rad_s: Annotated[float, About("[rad/s]")]


@dataclass(frozen=True)
class Contact(Struct):
    """Squaring up against a surface."""

    surface: Annotated[int, About("index of the surface")]
    travel_m: Annotated[float, About("planned way to the touch [m]")]
    speed_m_s: Annotated[float, About("[m/s]")]
    reach_m: Annotated[float, About("from the robot's origin to the bumper [m]")]
    half_width_m: Annotated[float, About("half of the bumper's width [m]")]
    middle_left_m: Annotated[float, About("where its middle lies, to the left of the origin [m]")]
    push_s: Annotated[float, About("planned pushing after the touch [s]")]
    late_s: Annotated[float, About("how much longer it goes on if it has not touched [s]")]
    resets: Annotated[bool, About("the touch is taken as a fix")]
    reset_position_m: Annotated[
        float, About("standard deviation along the normal after a reset, if the wall is no worse [m]")
    ]
    reset_heading_rad: Annotated[float, About("and of the heading [rad]")]
    swing_m: Annotated[
        float, About("unseen way along the surface for each radian that it turns while coming flush [m/rad]")
    ]
    swing_believed_m: Annotated[
        float, About("and for each radian that it believed to be off the plan before [m/rad]")
    ]


@dataclass(frozen=True)
class Sensor(Struct):
    """A range sensor, with the limits that its readings must keep to."""

    id: Annotated[str, About("as in the robot file")]
    mount_x_m: Annotated[float, About("ahead of the robot's origin [m]")]
    mount_y_m: Annotated[float, About("left of it [m]")]
    mount_rad: Annotated[float, About("direction it looks in, from straight ahead [rad]")]
    mount_height_m: Annotated[float, About("above the floor [m]")]
    half_width_rad: Annotated[float, About("half of its cone's angle; 0: a line [rad]")]
    low_m: Annotated[float, About("shortest expected range: its reach and the range test [m]")]
    high_m: Annotated[float, About("longest expected range [m]")]
    incidence_rad: Annotated[float, About("largest incidence: its echo limit and the incidence test [rad]")]
    reach_m: Annotated[float, About("its own reach [m]")]
    echo_limit_rad: Annotated[float, About("its own echo limit [rad]")]
    rate_hz: Annotated[float, About("readings per second [Hz]")]
    phase_s: Annotated[float, About("first echo on the routine's clock [s]")]
    random_phase: Annotated[bool, About("the first echo falls anywhere in an interval instead")]
    latency_s: Annotated[float, About("from echo to arrival [s]")]
    resolution_m: Annotated[float, About("step of its readings; 0: none [m]")]
    at_zero_m: Annotated[float, About("filter: standard deviation of a reading at range 0 [m]")]
    per_range: Annotated[float, About("filter: and what is added per metre of range [m/m]")]
    bias_m: Annotated[float, About("filter, considered: how far it reads long all through a run [m]")]
    scale: Annotated[float, About("filter, considered: and by what share of the range")]
    angle_rad: Annotated[float, About("filter, considered: how far off it looks [rad]")]
    aside_m: Annotated[float, About("filter, considered: how far aside of its axis it sits [m]")]


@dataclass(frozen=True)
class Pair(Struct):
    """Two sensors side by side; the first is the earlier one in the robot file."""

    first: Annotated[int, About("index of a sensor")]
    second: Annotated[int, About("index of the other")]


@dataclass(frozen=True)
class Surface(Struct):
    """A surface of the map that the robot carries: a wall, or one face of a structure."""

    id: Annotated[str, About("as in the field map; /2 is the third face, counted from 0")]
    owner: Annotated[int, About("the same for all faces of one thing")]
    ax_m: Annotated[float, About("one end; the free side is on the left of a -> b [m]")]
    ay_m: Annotated[float, About("[m]")]
    bx_m: Annotated[float, About("the other end [m]")]
    by_m: Annotated[float, About("[m]")]
    normal_x: Annotated[float, About("unit normal into the free side")]
    normal_y: Annotated[float, About("")]
    low_m: Annotated[float, About("height it begins at [m]")]
    high_m: Annotated[float, About("and ends at [m]")]
    reference: Annotated[bool, About("a fix may be taken from it")]
    mover_first: Annotated[int, About("filter, considered: index of the first of what moves it")]
    mover_count: Annotated[int, About("how many do")]


@dataclass(frozen=True)
class Mover(Struct):
    """A constant that may move a surface off the map: it shifts it, or turns it about a point."""

    constant: Annotated[int, About("its index")]
    turns: Annotated[bool, About("it turns; else it shifts")]
    size: Annotated[float, About("one standard deviation [m or rad]")]
    x: Annotated[float, About("the direction, of length 1, or the point [m]")]
    y: Annotated[float, About("[m]")]


@dataclass(frozen=True)
class StartPart(Struct):
    """By how much one standard deviation of a constant moves the start: what the robot is placed against."""

    constant: Annotated[int, About("its index, -1 for none that the filter considers")]
    x_m: Annotated[float, About("[m]")]
    y_m: Annotated[float, About("[m]")]
    rad: Annotated[float, About("[rad]")]


@dataclass(frozen=True)
class Obstacle(Struct):
    """A thing that may stand in a sight line: a structure, or a loose element at its mapped place."""

    id: Annotated[str, About("as in the field map")]
    owner: Annotated[int, About("that of the surfaces which are its own; -1 for none")]
    disc: Annotated[bool, About("a disc; else it has sides")]
    x_m: Annotated[float, About("centre of the disc [m]")]
    y_m: Annotated[float, About("[m]")]
    radius_m: Annotated[float, About("[m]")]
    side_first: Annotated[int, About("index of its first side")]
    side_count: Annotated[int, About("number of its sides")]
    begin_s: Annotated[float, About("it is there from then, on the routine's clock [s]", endless=True)]
    end_s: Annotated[float, About("until then, that instant included [s]", endless=True)]
    low_m: Annotated[float, About("height it begins at [m]")]
    high_m: Annotated[float, About("and ends at [m]")]


@dataclass(frozen=True)
class Side(Struct):
    """One side of an obstacle."""

    ax_m: Annotated[float, About("[m]")]
    ay_m: Annotated[float, About("[m]")]
    bx_m: Annotated[float, About("[m]")]
    by_m: Annotated[float, About("[m]")]


@dataclass(frozen=True)
class PlannedReading(Struct):
    """A reading that falls due on the plan, in the order of time."""

    echo_s: Annotated[float, About("when it is taken, on the routine's clock [s]")]
    arrival_s: Annotated[float, About("when it arrives [s]")]
    sensor: Annotated[int, About("index of the sensor")]
    step: Annotated[int, About("index of the step that it arrives in")]
    surface: Annotated[int, About("surface that the planned sight line meets, -1 for none")]
    reason: Annotated[Reason, About("why the plan has no fix there, or that it may be one")]
    speed_m_s: Annotated[float, About("planned speed when it arrives [m/s]")]
    turn_rate_rad_s: Annotated[float, About("planned turn rate then, signed [rad/s]")]


@dataclass(frozen=True)
class Control(Struct):
    """How the drive follows the plan."""

    holonomic: Annotated[bool, About("the drive can go sideways")]
    speed_m_s: Annotated[float, About("largest speed [m/s]")]
    acceleration_m_s2: Annotated[float, About("largest acceleration [m/s^2]")]
    turn_rate_rad_s: Annotated[float, About("largest turn rate [rad/s]")]
    turn_acceleration_rad_s2: Annotated[float, About("largest turn acceleration [rad/s^2]")]
    centripetal_m_s2: Annotated[float, About("largest acceleration across the path [m/s^2]")]
    track_width_m: Annotated[float, About("between the wheels [m]")]
    heading_time_constant_s: Annotated[float, About("of closing the heading; 0: at once [s]")]
    distance_time_constant_s: Annotated[float, About("of closing the distance [s]")]
    stop_steering_m: Annotated[float, About("nearer to its target a drive steers no more [m]")]
    settle_s: Annotated[float, About("added to every motion [s]")]


@dataclass(frozen=True)
class Correction(Struct):
    """The correction: order of its stages, limits, gate, persistence, way back, update, filter."""

    enabled: Annotated[bool, About("off: dead reckoning alone")]
    order: Annotated[tuple[TestStage, ...], About("order in which a reading is tested", "3")]
    expect_planned: Annotated[bool, About("the expected surface is the plan's, not the belief's")]
    compensate_latency: Annotated[bool, About("a reading is compared with the belief of its echo")]
    reference_only: Annotated[bool, About("only reference surfaces give fixes")]
    corridor_m: Annotated[float, About("margin that must be free beside a sight line; negative: no test [m]")]
    edge_margin_m: Annotated[float, About("least distance of the hit from the surface's ends [m]")]
    speed_m_s: Annotated[float, About("largest planned speed [m/s]", endless=True)]
    turn_rate_rad_s: Annotated[float, About("largest planned turn rate [rad/s]", endless=True)]
    gate_sigmas: Annotated[float, About("innovation in its own standard deviations; 0: no gate")]
    persistence: Annotated[int, About("so many readings in a row before one is used; 0 or 1: each is")]
    way_back_refusals: Annotated[int, About("refusals in a row that widen the filter; 0: no way back")]
    way_back_factor: Annotated[float, About("by which its covariance then grows")]
    lost_after: Annotated[int, About("so many refusals more, and the robot is lost")]
    law: Annotated[UpdateLaw, About("update law")]
    share: Annotated[float, About("how much of the difference is taken; 1 unless the law is blend")]
    largest_move_m: Annotated[float, About("limit of what one fix moves; 0: no limit [m]")]
    outline_reach_m: Annotated[float, About("furthest point of the robot's outline from its origin [m]")]
    considers: Annotated[bool, About("filter: what is the same all through a run is taken as such")]
    constants: Annotated[int, About("filter: how many, of each sensor bias, scale, angle and aside first")]
    constants_hold_m: Annotated[
        float, About("filter: over such a way a wall stays off alike [m]", endless=True)
    ]
    wall_m: Annotated[
        float, About("filter: how far a wall may stand off the map; if not considered: noise [m]")
    ]
    wall_tilt_rad: Annotated[float, About("filter: how far it may be turned, likewise [rad]")]
    start_x_m: Annotated[float, About("filter: standard deviation of the start [m]")]
    start_y_m: Annotated[float, About("[m]")]
    start_heading_rad: Annotated[float, About("[rad]")]
    along_per_root_m: Annotated[float, About("filter: walk along the course, driving ahead [m/sqrt(m)]")]
    across_per_root_m: Annotated[float, About("filter: walk across it [m/sqrt(m)]")]
    sideways_along_per_root_m: Annotated[float, About("the same, driving sideways [m/sqrt(m)]")]
    sideways_across_per_root_m: Annotated[float, About("[m/sqrt(m)]")]
    turn_ahead_per_root_rad: Annotated[float, About("filter: what turns add ahead, travelling [m/sqrt(rad)]")]
    turn_left_per_root_rad: Annotated[float, About("and to the left [m/sqrt(rad)]")]
    turn_left_s_per_root_rad: Annotated[float, About("and there for each m/s [s/sqrt(rad)]")]
    heading_per_root_m: Annotated[float, About("filter: walk of the heading [rad/sqrt(m)]")]
    heading_per_root_s: Annotated[float, About("[rad/sqrt(s)]")]
    heading_per_root_rad: Annotated[float, About("[rad/sqrt(rad)]")]


@dataclass(frozen=True)
class Routine(Struct):
    """A routine for one side of the field, and everything that corrects the pose along it."""

    name: Annotated[str, About("of its files and identifiers")]
    title: Annotated[str, About("as in the routine file, in plain ASCII")]
    side: Annotated[str, About("'as written' or 'mirrored'")]
    fingerprint: Annotated[str, About("the first 8 digits of the fingerprint, for a display")]
    version: Annotated[str, About("version of driftgate that wrote it")]
    start: Annotated[Pose, About("where the robot is put down")]
    duration_s: Annotated[float, About("planned duration [s]")]
    time_limit_s: Annotated[float, About("[s]")]
    control: Annotated[Control, About("drive")]
    correction: Annotated[Correction, About("correction")]
    steps: Annotated[tuple[Step, ...], About("in order")]
    path: Annotated[tuple[PathPoint, ...], About("points of its curves")]
    contacts: Annotated[tuple[Contact, ...], About("of its square-ups")]
    sensors: Annotated[tuple[Sensor, ...], About("in the order of the robot file")]
    pairs: Annotated[tuple[Pair, ...], About("sensors side by side")]
    surfaces: Annotated[tuple[Surface, ...], About("of the map that the robot carries")]
    movers: Annotated[tuple[Mover, ...], About("of its surfaces")]
    start_parts: Annotated[tuple[StartPart, ...], About("what moves the start")]
    obstacles: Annotated[tuple[Obstacle, ...], About("what may stand in a sight line")]
    sides: Annotated[tuple[Side, ...], About("of obstacles")]
    readings: Annotated[tuple[PlannedReading, ...], About("that fall due")]
