"""A square-up against the real wall, held to a robot that is stepped towards it and bisected onto it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from driftgate.core.pose import FloatArray, compose
from driftgate.plan.values import Contact, PlannedStep
from driftgate.predict import Prepared, covariance, prepare, run_trials
from driftgate.predict.contact_linear import contact_jump
from driftgate.predict.increments import DRIFT_KEYS, drift_constants
from driftgate.predict.trial_contact import Approach, ContactEnd, reset_belief, square_up, true_line
from driftgate.predict.trial_motion import Poses
from driftgate.schema.case import Case
from driftgate.schema.robot import Robot
from driftgate.schema.routine import PoseOff
from driftgate.world.carry import edge_middle

from .outcomes import ENGINES, known
from .scenes import GUESS, field_map, mark, prepared, robot, routine

Pose = tuple[float, float, float]
SPEED_M_S, PUSH_S, LATE_S = 0.4, 0.25, 0.5
# The ends of the real wall, 1 degree off the plan's, and 5 mm nearer in the middle.
WALL = ((1.985, -1.0), (2.005, 1.0))
HALF_M = 0.15
WALLS = {0.0: "east", 90.0: "north", 180.0: "west", -90.0: "south"}


def planned(heading_deg: float, backwards: bool) -> tuple[PlannedStep, Contact]:
    """Return the step and the contact of a square-up from (1, 0) against a wall at x = 2 m."""
    step = {"do": "square-up", "against": "east", "speed": f"{SPEED_M_S!r} m/s", "push": f"{PUSH_S!r} s"}
    case = prepared(
        [{**step, "late": f"{LATE_S!r} s", "backwards": backwards}],
        robot(correction={"enabled": False}),
        believed=field_map(x=(-2.0, 2.0), y=(-1.0, 1.0)),
        start=(1.0, 0.0, heading_deg),
    )
    return case.plan.steps[0], case.plan.contacts[0]


def corners(pose: Pose, sign: float) -> list[tuple[float, float]]:
    """Return the two corners of the bumper that leads, the one on the robot's left first."""
    return [compose(pose, (sign * HALF_M, side, 0.0))[:2] for side in (HALF_M, -HALF_M)]


def before_wall(point: tuple[float, float]) -> float:
    """Return how far a point is from the wall's line, on the free side positive."""
    (ax, ay), (bx, by) = WALL
    return ((bx - ax) * (point[1] - ay) - (by - ay) * (point[0] - ax)) / math.hypot(bx - ax, by - ay)


def bisected(start: Pose, way: Pose, sign: float) -> tuple[float, Pose]:
    """Return the share of a way along a straight line at which a corner touches, and where the robot ends.

    The body turns at once by what it turns on the way; it pivots about the corner that touched.
    """
    heading = start[2] + way[2]

    def after(share: float) -> Pose:
        return start[0] + share * way[0], start[1] + share * way[1], heading

    low, high = 0.0, 2.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        clear = min(map(before_wall, corners(after(middle), sign))) > 0.0
        low, high = (middle, high) if clear else (low, middle)
    x, y, _ = after(high)
    fixed = min(corners((x, y, heading), sign), key=before_wall)
    # Flush: the bumper along the wall, the robot on its free side.
    (ax, ay), (bx, by) = WALL
    flush = math.atan2(by - ay, bx - ax) - math.pi / 2.0 + (math.pi if sign < 0.0 else 0.0)
    turn = math.remainder(flush - heading, math.tau)
    c, s = math.cos(turn), math.sin(turn)
    dx, dy = x - fixed[0], y - fixed[1]
    return high, (fixed[0] + c * dx - s * dy, fixed[1] + s * dx + c * dy, heading + turn)


CONSTANTS = {
    "distance_scale": 0.02,
    "sideways_scale": -0.03,
    "heading_bias": 0.02,
    "heading_scale": 0.04,
    "crab_angle": 0.05,
}
WALK = (0.004, 0.006, 0.03)
APPROACH_S, REST_S = 2.0, 0.6


def driven(
    machine: Robot, step: PlannedStep, contact: Contact, truth: Pose, belief: Pose
) -> tuple[Poses, ContactEnd]:
    """Return where one trial ends, and what the contact left behind; poses are off the plan's."""
    constants = drift_constants(
        lambda key: np.full(1, CONSTANTS.get(key, 0.0)) if key in DRIFT_KEYS else None
    )
    (ax, ay), (bx, by) = WALL
    line = true_line(*(np.full(1, v) for v in (ax, ay, bx, by)))
    poses = Poses(*(np.full(1, v) for v in (*belief, *truth)))
    times = np.full(1, APPROACH_S), np.full(1, REST_S)
    walk = tuple(np.full(1, v) for v in WALK)
    return poses, square_up(machine, step, contact, line, poses, constants, times, walk)  # type: ignore[arg-type]


def way_of(step: PlannedStep, contact: Contact, truth: Pose) -> tuple[Pose, Pose]:
    """Return where a trial starts, and the displacement and turn of its planned travel.

    A measured way that is 2 % long, walks added before the scale, and a crab angle; the gyro's bias over the
    approach less its walk, over its scale; the displacement is along the middle of the turn.
    """
    sign = -1.0 if step.backwards else 1.0
    start = tuple(a + b for a, b in zip(step.start_pose, truth, strict=True))
    turn = (-0.02 * APPROACH_S + WALK[2]) / 1.04
    ahead = (sign * contact.travel_m + WALK[0]) / 1.02
    course = start[2] + 0.5 * turn
    dx = math.cos(course + 0.05) * ahead - math.sin(course) * WALK[1]
    dy = math.sin(course + 0.05) * ahead + math.cos(course) * WALK[1]
    return (start[0], start[1], start[2]), (dx, dy, turn)


@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize("off_deg", [-4.0, 4.0])
def test_law_a_crooked_robot_pivots_about_the_corner_that_touches(off_deg: float, backwards: bool) -> None:
    """Truth, share of the way, time lost and belief are those of the robot that is bisected onto the wall."""
    step, contact = planned(180.0 if backwards else 0.0, backwards)
    assert (contact.travel_m, contact.reach_m) == pytest.approx((0.85, HALF_M), abs=1e-12)
    sign = -1.0 if backwards else 1.0
    truth, belief = (0.012, -0.034, math.radians(off_deg)), (-0.021, 0.013, math.radians(3.0))
    start, way = way_of(step, contact, truth)
    share, (x, y, heading) = bisected(start, way, sign)
    poses, end = driven(robot(), step, contact, truth, belief)
    assert end.touched.tolist() == [True]
    assert float(end.approach.share[0]) == pytest.approx(share, abs=1e-9)
    found = (poses.xx[0], poses.xy[0], poses.xh[0])
    ends = tuple(a - b for a, b in zip((x, y, heading), step.end_pose, strict=True))
    assert found == pytest.approx(ends, abs=1e-9)
    late_s = max(share - 1.0, 0.0) * contact.travel_m / SPEED_M_S
    assert float(end.late_s[0]) == pytest.approx(late_s, abs=1e-9)


@pytest.mark.parametrize(
    ("more", "sees"),
    [
        ({}, (True, False)),
        ({"drive": "holonomic"}, (True, True)),
        ({"distance_from": "driven wheels"}, (False, False)),
    ],
)
@pytest.mark.parametrize("backwards", [False, True])
def test_law_what_the_belief_makes_of_a_contact(
    more: dict[str, Any], sees: tuple[bool, bool], backwards: bool
) -> None:
    """The way rolled, then of the pivot's swing what the wheels see; encoders go on through the push."""
    step, contact = planned(180.0 if backwards else 0.0, backwards)
    sign = -1.0 if backwards else 1.0
    truth, belief = (0.012, -0.034, math.radians(-4.0)), (-0.021, 0.013, math.radians(3.0))
    start, way = way_of(step, contact, truth)
    share, (x, y, heading) = bisected(start, way, sign)
    poses, _ = driven(robot(**more), step, contact, truth, belief)
    # The swing of the origin, in the axes of the robot as it touched.
    touched = start[2] + way[2]
    sx, sy = x - start[0] - share * way[0], y - start[1] - share * way[1]
    seen = math.cos(touched) * sx + math.sin(touched) * sy, math.cos(touched) * sy - math.sin(touched) * sx
    ahead = sign * share * contact.travel_m + seen[0] * 1.02
    if not sees[0]:
        ahead = sign * (max(share, 1.0) * contact.travel_m + SPEED_M_S * PUSH_S)
    left = seen[1] * (1.0 - 0.03) if sees[1] else 0.0
    turn = math.remainder(heading - touched, math.tau) * 1.04 + 0.02 * REST_S
    before = tuple(a + b for a, b in zip(step.start_pose, belief, strict=True))
    bx, by, _ = compose((before[0], before[1], before[2]), (ahead, left, 0.0))
    ends = bx - step.end_pose[0], by - step.end_pose[1], before[2] + turn - step.end_pose[2]
    assert (poses.bx[0], poses.by[0], poses.bh[0]) == pytest.approx(ends, abs=1e-9)


def test_law_a_trial_that_does_not_get_there_stops_where_it_is() -> None:
    """0.3 m short of the wall, 0.5 s at 0.4 m/s are 0.2 m of it: not flush, and all that time lost."""
    step, contact = planned(0.0, False)
    truth = (-0.3, 0.0, 0.1)
    start, way = way_of(step, contact, truth)
    poses, end = driven(robot(), step, contact, truth, (0.0, 0.0, 0.0))
    longest = 1.0 + LATE_S * SPEED_M_S / contact.travel_m
    wanted = start[0] + longest * way[0], start[1] + longest * way[1], start[2] + way[2]
    ends = tuple(a - b for a, b in zip(wanted, step.end_pose, strict=True))
    assert (poses.xx[0], poses.xy[0], poses.xh[0]) == pytest.approx(ends, abs=1e-12)
    assert (end.touched.tolist(), end.late_s.tolist()) == ([False], [pytest.approx(LATE_S, abs=1e-12)])


def test_law_on_the_way_a_trial_stays_where_it_touched() -> None:
    """Of 1 m and 0.2 rad, halfway; beyond a touch at 0.6 no further; inside the wall not at all."""
    line = [np.zeros(1), np.zeros(1), np.full(1, 0.1), np.ones(1), np.full(1, 0.5), np.full(1, 0.2)]
    way = Approach(*line, np.full(1, 0.6))
    assert [float(v[0]) for v in way.at(0.5)] == pytest.approx([0.5, 0.25, 0.2], abs=1e-12)
    assert [float(v[0]) for v in way.at(0.9)] == pytest.approx([0.6, 0.3, 0.22], abs=1e-12)
    inside = Approach(*line, np.full(1, -0.3))
    assert [float(v[0]) for v in inside.at(0.9)] == pytest.approx([0.0, 0.0, 0.1], abs=1e-12)


@pytest.mark.parametrize("heading_deg", [0.0, 90.0, 180.0, -90.0])
def test_law_a_crooked_wall_is_met_late_where_it_is_further_off(heading_deg: float) -> None:
    """35 mm out at its left end and in at its right, 2 m from its middle: 10.5 mm at 0.6 m to the left.

    The linear model goes by the middle of the bumper, and by the tilt where its tangent is 1e-4 more.
    """
    step = {"do": "square-up", "against": WALLS[heading_deg], "speed": f"{SPEED_M_S!r} m/s", "late": "0.5 s"}
    c, s = round(math.cos(math.radians(heading_deg))), round(math.sin(math.radians(heading_deg)))

    def turned(ahead: float, left: float) -> tuple[float, float]:
        return c * ahead - s * left, s * ahead + c * left

    square = {"south": (-2.0, -2.0), "east": (2.0, -2.0), "north": (2.0, 2.0), "west": (-2.0, 2.0)}
    moved = {turned(2.0, 2.0): turned(2.035, 2.0), turned(2.0, -2.0): turned(1.965, -2.0)}
    x, y = turned(1.0, 0.6)
    case = prepared(
        [step],
        robot(correction={"enabled": False}),
        believed=field_map(corners=square),
        true=field_map(corners={name: moved.get(corner, corner) for name, corner in square.items()}),
        start=(x, y, heading_deg),
    )
    late_s = 0.6 * 0.035 / 2.0 / SPEED_M_S
    clock_s = covariance(case).moments[-1].clock_mean_s
    assert clock_s == pytest.approx(case.plan.duration_s + late_s, abs=2e-4 * late_s)


@pytest.mark.parametrize(("inside_m", "touches"), [(0.003, True), (-0.003, False)])
def test_law_the_pivot_may_touch_something(inside_m: float, touches: bool) -> None:
    """Turned by 4 degrees it pivots about its left corner: the right swings on, into a peg or by it.

    The peg, of 2 mm, stands 3 mm off the wall; on the way there no part of the robot comes near it.
    """
    off = math.radians(-4.0)
    # The left corner leads; straight on along the heading it has.
    way = (2.0 - 1.0 - HALF_M * (math.cos(off) - math.sin(off))) / math.cos(off)
    corner_y = way * math.sin(off) + HALF_M * (math.sin(off) + math.cos(off))
    right_y = corner_y - 2.0 * HALF_M
    peg = {
        "id": "peg",
        "shape": {"circle": {"radius": "2 mm"}},
        "at": {"x": "1.997 m", "y": f"{right_y + inside_m!r} m"},
        "scatter": {"x": "0 mm", "y": "0 mm", "heading": "0 deg", "constant_over": "run", **GUESS},
    }
    step = {
        "do": "square-up",
        "against": "east",
        "speed": f"{SPEED_M_S!r} m/s",
        "push": "0 s",
        "late": "0.5 s",
    }
    document = routine([step], start=(1.0, 0.0, 0.0))
    start = document.start.model_copy(update={"off": PoseOff.model_validate({"heading": "-4 deg"})})
    field = field_map(x=(-2.0, 2.0), y=(-1.0, 1.0), elements=[peg])
    machine = robot(correction={"enabled": False})
    case = prepare(Case(document.model_copy(update={"start": start}), machine, field, field))
    found = run_trials(case, 2, 1)
    assert found.moments[-1].error[0] == pytest.approx([0.0, corner_y - HALF_M, 0.0], abs=1e-9)
    assert found.touch_step.tolist() == [0 if touches else -1] * 2


def after_contact(
    case: Prepared, off: FloatArray, offset_m: float = 0.0, tilt_rad: float = 0.0, ahead_m: float = 0.0
) -> FloatArray:
    """Return the deviations of belief and truth that one exact trial ends with.

    It starts with those given; the real wall is displaced, and `ahead_m` puts the truth further on.
    """
    step, contact = case.plan.steps[0], case.plan.contacts[0]
    edge = next(e for e in case.believed.edges if e.id == contact.wall)
    middle, normal = np.array(edge_middle(edge)), np.array(edge.normal)
    c, s = math.cos(tilt_rad), math.sin(tilt_rad)
    ends = []
    for end in (np.array(edge.a), np.array(edge.b)):
        arm = end - middle
        ends += [*(middle + offset_m * normal + (c * arm[0] - s * arm[1], s * arm[0] + c * arm[1]))]
    nothing = drift_constants(lambda key: np.zeros(1))
    on = off.copy()
    on[3:5] -= ahead_m * normal
    poses = Poses(*(np.full(1, v) for v in on))
    approach_s = np.full(1, contact.travel_m / contact.speed_m_s)
    walk = np.zeros(1), np.zeros(1), np.zeros(1)
    line = true_line(*(np.full(1, v) for v in ends))
    end = square_up(case.case.robot, step, contact, line, poses, nothing, (approach_s, np.zeros(1)), walk)
    assert end.touched.all()
    if step.source.reset is not None:  # type: ignore[union-attr]
        reset_belief(poses, edge, end.touched)
    return np.array([poses.bx, poses.by, poses.bh, poses.xx, poses.xy, poses.xh])[:, 0]


@pytest.mark.parametrize("more", [{}, {"drive": "holonomic"}, {"distance_from": "driven wheels"}])
@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("reset", [False, True])
@pytest.mark.parametrize("heading_deg", [0.0, -90.0])
def test_law_the_linear_contact_is_the_slope_of_the_exact_one(
    more: dict[str, Any], late: bool, reset: bool, heading_deg: float
) -> None:
    """By each deviation that dead reckoning alone would give, and by the wall's offset and tilt.

    About a truth 1 mm before its plan or behind it: there the encoders of driven wheels change over.
    """
    c, s = round(math.cos(math.radians(heading_deg))), round(math.sin(math.radians(heading_deg)))
    step = {"do": "square-up", "against": WALLS[heading_deg], "speed": "0.4 m/s", "push": "0.25 s"}
    if reset:
        step["reset"] = {"position": "2 mm", "heading": "0.2 deg"}  # type: ignore[assignment]
    case = prepared(
        [step],
        robot(correction={"enabled": False}, **more),
        believed=field_map(x=(-2.0, 2.0), y=(-2.0, 2.0)),
        # 0.4 m to the left of the middle.
        start=(c - 0.4 * s, s + 0.4 * c, heading_deg),
    )
    planned, contact = case.plan.steps[0], case.plan.contacts[0]
    edge = next(e for e in case.believed.edges if e.id == contact.wall)
    jump = contact_jump(case.case.robot, planned, contact, edge, late)
    # On the way a heading that is off moves the place to the left.
    reckoned = np.eye(6)
    for first in (0, 3):
        reckoned[first : first + 2, first + 2] = 0.85 * np.array([-s, c])
    ahead_m = -1e-3 if late else 1e-3
    small = 1e-6
    slopes = [
        (
            after_contact(case, small * row, ahead_m=ahead_m)
            - after_contact(case, -small * row, ahead_m=ahead_m)
        )
        / (2.0 * small)
        for row in np.eye(6)
    ]
    found = np.array(slopes).T
    assert found == pytest.approx(jump.matrix @ reckoned, abs=2e-3)
    for column, kind in ((jump.offset, "offset_m"), (jump.tilt, "tilt_rad")):
        above, below = (
            after_contact(case, np.zeros(6), ahead_m=ahead_m, **{kind: side * small}) for side in (1.0, -1.0)
        )
        assert (above - below) / (2.0 * small) == pytest.approx(column, abs=2e-3)
    assert after_contact(case, np.zeros(6)) == pytest.approx(jump.known, abs=1e-12)


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(("behind_m", "rolled_on_m"), [(0.04, 0.04), (-0.04, 0.0)])
def test_law_encoders_of_a_late_robot_go_on_to_the_touch(
    engine: str, behind_m: float, rolled_on_m: float
) -> None:
    """40 mm behind they count 40 mm more; ahead of its plan the robot is held, and they go on to its end.

    Through a push of 0.25 s at 0.4 m/s both go on.
    """
    document = routine(
        [{"do": "square-up", "against": "east", "speed": "0.4 m/s", "push": "0.25 s"}, mark("wall")]
    )
    off = PoseOff.model_validate({"x": f"{-behind_m!r} m"})
    start = document.start.model_copy(update={"off": off})
    field = field_map(x=(-2.0, 1.15), y=(-2.0, 2.0))
    machine = robot(correction={"enabled": False}, distance_from="driven wheels")
    case = prepare(Case(document.model_copy(update={"start": start}), machine, field, field))
    found = known(case, engine)["wall"]
    assert (found.x[0], found.t[0]) == pytest.approx((0.0, rolled_on_m + 0.1), abs=1e-9)
