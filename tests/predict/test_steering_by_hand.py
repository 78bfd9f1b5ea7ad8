"""What the controller asks of one tick and where it leads, in plain numbers."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest

from driftgate.core.pose import compose, exp, inverse
from driftgate.plan.values import Law
from driftgate.predict.increments import drift_constants
from driftgate.predict.linear import steering_rows
from driftgate.predict.trial_moments import moment_trials
from driftgate.predict.trial_motion import Command, Poses, TickPlan, move_tick, rest_tick, steer, tick_plans

from .scenes import prepared, robot

# Where the plan is: at (1, 2), 0.5 rad, 20 mm on; of a difference 0.9 are left after the tick, 0.04 were
# closed on average, and 0.8 of a distance are left.
TICK = TickPlan(
    x=1.0, y=2.0, heading=0.5, moved_x=0.017, moved_y=0.01, ds=0.02, dl=0.003, dth=0.01, dt=0.02,
    left=0.9, closed=0.04, distance_left=0.8, remaining=1.2, remaining_after=1.18, travelling=True,
)  # fmt: skip
OFF = 0.03, -0.05, 0.07
STOP_M = 0.3


def asked(step: dict[str, Any], drive: str = "differential", **tick: Any) -> tuple[Command, Any]:
    """Return what is asked of the tick by the law of a step, with the belief off the plan by OFF."""
    machine = robot(drive=drive, controller={"time_constant": "0.2 s", "stop_steering": f"{STOP_M!r} m"})
    case = prepared([step], machine)
    planned = case.plan.steps[0]
    poses = Poses(*(np.full(1, v) for v in (*OFF, 9.0, 9.0, 9.0)))
    return steer(planned, dataclasses.replace(TICK, **tick), machine.controller, poses), planned


def values(command: Command) -> list[float]:
    """Return way ahead, way aside, turn, and the part of it before the way."""
    return [
        float(np.broadcast_to(v, 1)[0])
        for v in (command.ahead, command.left, command.turn, command.turn_before)
    ]


CURVE = {"do": "curve", "through": [["1 m", "0.3 m"], ["2 m", "0 m"]]}


@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize("remaining_m", [1.2, 0.31, 0.29])
def test_law_a_curve_closes_way_and_heading(backwards: bool, remaining_m: float) -> None:
    """A fifth of the way that the belief is ahead is left out; heading and a bearing to the side are closed.

    Near the end only the way is.
    """
    step = (
        {**CURVE, "through": [["-1 m", "0.3 m"], ["-2 m", "0 m"]], "backwards": True} if backwards else CURVE
    )
    way_m = -0.02 if backwards else 0.02
    command, planned = asked(step, remaining=remaining_m, ds=way_m)
    assert planned.law is Law.CURVE
    course = 0.5 + (math.pi if backwards else 0.0)
    off_m, bearing = math.hypot(OFF[0], OFF[1]), math.atan2(OFF[1], OFF[0])
    ahead, left = off_m * math.cos(bearing - course), off_m * math.sin(bearing - course)
    along = way_m + (1.0 - 0.8) * (ahead if backwards else -ahead)
    off = OFF[2] + math.atan2(left, STOP_M)
    steers = [-0.1 * off, -0.04 * off] if remaining_m > STOP_M else [0.0, 0.0]
    assert values(command) == pytest.approx([along, 0.003, *steers], abs=1e-15)


@pytest.mark.parametrize("backwards", [False, True])
def test_law_a_drive_closes_the_bearing_of_its_target(backwards: bool) -> None:
    """Its distance becomes the plan's and 0.8 of what it was more; the heading follows the bearing."""
    x, y = (-1.0, 0.0) if backwards else (2.2, 2.6)
    start = {"do": "drive", "to": [f"{x!r} m", f"{y!r} m"], "backwards": backwards}
    machine = robot(controller={"time_constant": "0.2 s", "stop_steering": f"{STOP_M!r} m"})
    heading = math.degrees(math.atan2(y, x) + (math.pi if backwards else 0.0))
    planned = prepared([start], machine, start=(0.0, 0.0, heading)).plan.steps[0]
    assert planned.law is Law.DRIVE
    at = math.atan2(y - 2.0, x - 1.0)
    tick = dataclasses.replace(TICK, heading=at + (math.pi if backwards else 0.0))
    poses = Poses(*(np.full(1, v) for v in (*OFF, 9.0, 9.0, 9.0)))
    command = steer(planned, tick, machine.controller, poses)
    rx, ry = x - 1.0 - OFF[0], y - 2.0 - OFF[1]
    off = math.remainder(at + OFF[2] - math.atan2(ry, rx), math.tau)
    ahead = math.hypot(rx, ry) * math.cos(0.96 * off)
    move = ahead - (1.18 + 0.8 * (ahead - 1.2))
    assert values(command) == pytest.approx(
        [-move if backwards else move, 0.003, -0.1 * off, -0.04 * off], abs=1e-12
    )


def test_law_a_turn_closes_its_heading_and_a_relative_step_nothing() -> None:
    """A turn by the belief's heading, a rotation by increments alone."""
    command, planned = asked({"do": "turn", "to": "90 deg"})
    assert planned.law is Law.TURN
    assert values(command) == pytest.approx([0.02, 0.003, -0.1 * 0.07, -0.04 * 0.07], abs=1e-15)
    command, planned = asked({"do": "advance", "distance": "1 m"})
    assert planned.law is Law.RELATIVE
    assert values(command) == [0.02, 0.003, 0.0, 0.0]


def test_law_facing_a_point_closes_its_believed_bearing() -> None:
    """Off the plan by OFF, the point bears otherwise: that much of the heading is no difference."""
    command, planned = asked({"do": "face", "point": ["1 m", "3 m"]})
    assert planned.law is Law.FACE
    change = math.atan2(3.0 - 2.0 - OFF[1], 1.0 - 1.0 - OFF[0]) - math.atan2(3.0 - 2.0, 1.0 - 1.0)
    off = OFF[2] - change
    assert values(command) == pytest.approx([0.02, 0.003, -0.1 * off, -0.04 * off], abs=1e-15)


def test_law_a_holonomic_drive_closes_both_coordinates_and_its_heading() -> None:
    """The plan's way less a fifth of the difference, in the axes that the belief has on the way."""
    command, planned = asked({"do": "drive", "to": ["2 m", "1 m"]}, drive="holonomic")
    assert planned.law is Law.GLIDE
    wx, wy = 0.017 - 0.2 * OFF[0], 0.01 - 0.2 * OFF[1]
    course = 0.5 + OFF[2] - 0.04 * OFF[2]
    way, bearing = math.hypot(wx, wy), math.atan2(wy, wx) - course
    wanted = [way * math.cos(bearing), way * math.sin(bearing), -0.1 * OFF[2], -0.04 * OFF[2]]
    assert values(command) == pytest.approx(wanted, abs=1e-15)


DRIFT = {
    "distance_scale": 0.02,
    "sideways_scale": -0.03,
    "heading_bias": 0.3,
    "heading_scale": 0.04,
    "wheel_offset": 0.02,
    "crab_angle": 0.05,
}
WALK, TICK_S = (0.001, 0.002, 0.004), 0.03


@pytest.mark.parametrize("travelling", [True, False])
def test_law_a_tick_moves_belief_and_truth_along_arcs(travelling: bool) -> None:
    """Each turned by what the controller turns before the way, then along the arc of the rest of its turn.

    The truth's increments are the measured ones, put right. Where only heading changes the truth stays in its
    place, and the wheel beside the middle rolls.
    """
    constants = drift_constants(lambda key: np.full(1, DRIFT[key]) if key in DRIFT else None)
    plan = exp(np.array([0.02, 0.003, 0.01]))
    moved = compose(np.array([0.0, 0.0, 0.5]), plan)
    tick = dataclasses.replace(TICK, moved_x=moved[0], moved_y=moved[1], travelling=travelling)
    truth = np.array([-0.02, 0.04, 0.06])
    p = Poses(*(np.full(1, v) for v in (*OFF, *truth)))
    command = Command(*(np.full(1, v) for v in (0.023, 0.004, -0.007, -0.003)))
    walk = tuple(np.full(1, v) for v in WALK)
    way = move_tick(tick, command, p, constants, np.full(1, TICK_S), walk)  # type: ignore[arg-type]

    turn = (0.01 - 0.007 - 0.3 * TICK_S + WALK[2]) / 1.04
    at = np.array([1.0, 2.0, 0.5])
    rolled = 0.023 if travelling else 0.023 - 0.02 * turn
    begin = at + OFF + (0.0, 0.0, -0.003)
    believed = compose(begin, exp(np.array([rolled, 0.004, 0.01])))
    ends = at + np.array([moved[0], moved[1], 0.01])
    assert [float(v[0]) for v in (p.bx, p.by)] == pytest.approx((believed - ends)[:2], abs=1e-12)
    assert float(p.bh[0]) == pytest.approx(OFF[2] - 0.007, abs=1e-15)
    assert [float(v[0]) for v in way] == pytest.approx((believed - begin)[:2], abs=1e-12)
    if travelling:
        ahead, left = (0.023 + WALK[0]) / 1.02 + 0.02 * turn, 0.004 / 0.97
        c, s = math.cos(0.05), math.sin(0.05)
        before, rest = -0.003 / 1.04, turn + 0.007 / 1.04
        increment = np.array([c * ahead - s * left, s * ahead + c * left + WALK[1], rest])
        real = compose(at + truth + (0.0, 0.0, before), exp(increment)) - ends
        assert [float(v[0]) for v in (p.xx, p.xy)] == pytest.approx(real[:2], abs=1e-12)
    else:
        assert [float(v[0]) for v in (p.xx, p.xy)] == pytest.approx(truth[:2], abs=0.0)
    assert float(p.xh[0]) == pytest.approx(truth[2] + turn - 0.01, abs=1e-15)


def test_law_at_rest_the_gyro_turns_the_belief_alone() -> None:
    """By its bias over the time, less its walk."""
    constants = drift_constants(lambda key: np.full(1, DRIFT[key]) if key in DRIFT else None)
    p = Poses(*(np.full(1, v) for v in (*OFF, 0.1, 0.2, 0.3)))
    rest_tick(p, constants, np.full(1, TICK_S), tuple(np.full(1, v) for v in WALK))  # type: ignore[arg-type]
    found = [float(v[0]) for v in (p.bx, p.by, p.bh, p.xx, p.xy, p.xh)]
    assert found == pytest.approx([OFF[0], OFF[1], OFF[2] + 0.3 * TICK_S - WALK[2], 0.1, 0.2, 0.3], abs=1e-15)


def test_law_a_moment_as_it_is_told() -> None:
    """Truth against what is wanted, along and across its heading too; e and t in their own axes."""
    case = prepared([{"do": "advance", "distance": "1 m"}], robot(), start=(0.3, 0.2, 30.0))
    (moment,) = case.moments
    p = Poses(*(np.full(2, v) for v in (*OFF, -0.02, 0.04, 0.06)))
    wanted = np.array([0.01, 0.02]), np.array([-0.03, 0.0]), np.array([0.1, 0.0])
    clock_s, touched = np.array([3.0, 4.0]), np.array([True, False])
    found = moment_trials(moment, p, clock_s, touched, wanted)
    error = [np.array([-0.02 - x, 0.04 - y, 0.06 - h]) for x, y, h in zip(*wanted, strict=True)]
    assert found.error == pytest.approx(np.array(error), abs=1e-15)
    for i, e in enumerate(error):
        course = math.atan2(e[1], e[0]) - math.radians(30.0) - wanted[2][i]
        assert found.along[i] == pytest.approx(math.hypot(*e[:2]) * math.cos(course), abs=1e-15)
        assert found.across[i] == pytest.approx(math.hypot(*e[:2]) * math.sin(course), abs=1e-15)
    plan = np.array(moment.pose)
    truth, belief = plan + np.array([-0.02, 0.04, 0.06]), plan + OFF
    assert found.estimation[0] == pytest.approx(compose(inverse(belief), truth), abs=1e-12)
    assert found.tracking[0] == pytest.approx(compose(inverse(plan), belief), abs=1e-12)
    assert (found.clock_s.tolist(), found.touched.tolist()) == ([3.0, 4.0], [True, False])


@pytest.mark.parametrize(
    "step",
    [
        {"do": "drive", "to": ["1 m", "0 m"]},
        {"do": "drive", "to": ["-1 m", "0 m"], "backwards": True},
        CURVE,
        {"do": "turn", "to": "90 deg"},
        {"do": "face", "point": ["0.3 m", "1 m"]},
    ],
)
def test_law_what_is_steered_on_is_the_slope_of_what_is_asked(step: dict[str, Any]) -> None:
    """The heading difference that the exact controller closes, by place and heading of the belief."""
    machine = robot(controller={"time_constant": "0.2 s", "stop_steering": f"{STOP_M!r} m"})
    case = prepared([step], machine)
    plan, planned = case.plan, case.plan.steps[0]
    span = slice(int(plan.timeline.first_tick[0]), int(plan.timeline.first_tick[1]))
    rows, _, _ = steering_rows(plan, planned, span, machine.controller)
    assert rows is not None
    ticks = tick_plans(plan, machine.controller, np.ones(span.stop, dtype=bool))
    small = 1e-7
    for k in (2, span.stop // 2, span.stop - 1):
        found = []
        for axis in range(3):
            sides = []
            for sign in (1.0, -1.0):
                off = np.zeros(6)
                off[axis] = sign * small
                command = steer(planned, ticks[k], machine.controller, Poses(*(np.full(1, v) for v in off)))
                # What is closed of a difference in one tick.
                sides.append(float(np.broadcast_to(command.turn, 1)[0]) / (ticks[k].left - 1.0))
            found.append((sides[0] - sides[1]) / (2.0 * small))
        assert found == pytest.approx(rows[k].tolist(), abs=1e-6)
