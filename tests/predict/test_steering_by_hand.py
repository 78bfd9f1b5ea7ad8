"""What the controller asks of one tick, from bearings and distances in plain numbers."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest

from driftgate.plan.values import Law
from driftgate.predict.trial_motion import Command, Poses, TickPlan, steer

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
