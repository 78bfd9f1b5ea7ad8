"""Motions held to geometry done another way, and to their own derivative."""

import math

import numpy as np
import pytest
from plan_cases import robot

from driftgate.core.pose import compose, exp
from driftgate.plan.curve import plan_curve
from driftgate.plan.limits import step_limits
from driftgate.plan.motions import AHEAD, BACK, LEFT, ArcMotion, Push, Straight, Turn
from driftgate.plan.profile import rest_to_rest

START = (1.0, -0.5, 0.7)
PROFILE = rest_to_rest(0.9, 1.1, 2.3)
LIMITS = step_limits(robot().drive)[0]

MOTIONS = {
    "ahead": Straight(START, AHEAD, PROFILE),
    "back": Straight(START, BACK, PROFILE),
    "left": Straight(START, LEFT, PROFILE),
    "askew": Straight(START, (0.6, -0.8), PROFILE),
    "turn left": Turn(START, 0.9, PROFILE),
    "turn right": Turn(START, -0.9, PROFILE),
    "arc": ArcMotion(START, 0.4, 1.0, 1.0, PROFILE),
    "arc right": ArcMotion(START, 0.4, -1.0, 1.0, PROFILE),
    "arc back": ArcMotion(START, 0.4, 1.0, -1.0, PROFILE),
    "arc right back": ArcMotion(START, 0.4, -1.0, -1.0, PROFILE),
    "curve": plan_curve(START, [(1.8, 0.4), (2.6, 0.1)], None, False, LIMITS),
    "curve back": plan_curve(START, [(0.4, -1.2), (0.1, -1.9)], 0.5, True, LIMITS),
}


@pytest.mark.parametrize("name", MOTIONS)
def test_law_rates_are_the_derivative_of_the_pose(name):
    """Body rates integrated by small exponentials lead along the sampled poses."""
    motion = MOTIONS[name]
    count = 4000
    t = np.linspace(0.0, motion.duration_s, count + 1)
    pose, _ = motion.sample(t)
    _, middle = motion.sample(0.5 * (t[1:] + t[:-1]))
    at = np.array(START)
    for k in range(count):
        at = compose(at, exp(middle[k] * t[1]))

    # The midpoint rule is off by the third derivative of the pose: millionths at this step.
    assert at == pytest.approx(pose[-1], abs=2e-5)
    assert np.abs(np.diff(pose, axis=0)).max() < 0.002


@pytest.mark.parametrize("name", MOTIONS)
def test_law_starts_and_ends_at_rest(name):
    """A motion starts at its start pose, and rests at both ends and beyond."""
    motion = MOTIONS[name]
    pose, rate = motion.sample(np.array([0.0, motion.duration_s, motion.duration_s + 5.0]))

    assert pose[0] == pytest.approx(START, abs=1e-12)
    assert pose[2] == pytest.approx(pose[1], abs=1e-12)
    assert rate == pytest.approx(np.zeros((3, 3)), abs=1e-7)


@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize("ahead", [1.0, -1.0])
def test_law_arc_keeps_its_centre(side, ahead):
    """Every pose of an arc has the same centre, on the same side forwards and backwards."""
    motion = ArcMotion(START, 0.4, side, ahead, PROFILE)
    pose, _ = motion.sample(np.linspace(0.0, motion.duration_s, 50))
    centre = pose[:, :2] + 0.4 * side * np.column_stack([-np.sin(pose[:, 2]), np.cos(pose[:, 2])])

    assert centre == pytest.approx(np.tile(centre[0], (50, 1)), abs=1e-12)
    assert pose[-1, 2] - pose[0, 2] == pytest.approx(side * ahead * 0.9 / 0.4)


def test_law_quarter_arc_by_hand():
    """A left quarter of 0.4 m from the origin ends at (0.4, 0.4); backwards at (-0.4, 0.4)."""
    profile = rest_to_rest(0.4 * math.pi / 2, 1.0, 1.0)
    ends = [
        ArcMotion((0.0, 0.0, 0.0), 0.4, 1.0, ahead, profile).sample(np.array([99.0]))[0][0]
        for ahead in (1.0, -1.0)
    ]

    assert ends[0] == pytest.approx([0.4, 0.4, math.pi / 2], abs=1e-12)
    assert ends[1] == pytest.approx([-0.4, 0.4, -math.pi / 2], abs=1e-12)


def test_law_push_goes_at_constant_speed_and_lies_flush():
    """Until the touch a push moves at its speed, from then on it lies flush and still."""
    flush = (1.5, 0.0, 0.0)
    push = Push((1.0, 0.0, 0.05), AHEAD, 0.25, 2.0, 0.3, flush)
    pose, rate = push.sample(np.array([1.0, 2.0, 2.1, 2.3]))

    assert push.duration_s == pytest.approx(2.3)
    assert pose[0] == pytest.approx([1.0 + 0.25 * math.cos(0.05), 0.25 * math.sin(0.05), 0.05])
    assert pose[1, 2] == 0.05
    assert pose[2:].tolist() == [list(flush)] * 2
    assert rate[:, 0].tolist() == [0.25, 0.25, 0.0, 0.0]


def test_law_push_without_pushing_ends_flush():
    """With no time to push the end of the approach is flush."""
    push = Push((1.0, 0.0, 0.05), AHEAD, 0.25, 2.0, 0.0, (1.5, 0.0, 0.0))

    assert push.sample(np.array([2.0]))[0][0].tolist() == [1.5, 0.0, 0.0]
