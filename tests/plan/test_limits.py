"""Speeds from motor and wheel, and what a step may ask for."""

import math

import numpy as np
import pytest
from plan_cases import case, codes, robot

from driftgate.plan import plan_case
from driftgate.plan.limits import motor_speed_m_s, spot_rate_rad_s, step_limits, traction_m_s2
from driftgate.plan.steps import mechanism_time_s
from driftgate.schema.routine import Actuate

COMMON = pytest.mark.evidence(
    source="common practice, no source",
    compares="speed of a fast drive, time of half a turn",
    tolerance="0.05 in/s; 0.1 ms",
)

INCH = 0.0254


@COMMON
def test_ref_free_speed_of_a_fast_drive():
    """Wheels of 2.75 in at 600 rpm run at 86.4 in/s = 2.19 m/s (common practice, no source)."""
    speed = motor_speed_m_s(robot().drive)

    assert speed / INCH == pytest.approx(86.4, abs=0.05)
    assert speed == pytest.approx(2.19, abs=0.005)


def test_law_gearing_and_load_scale_the_speed():
    """A gear ratio divides the motor's speed, the usable share multiplies it."""
    motor = {"free_speed": "600 rpm", "wheel_diameter": "2.75 in", "usable": "80 %", "gear_ratio": 2.0}

    assert motor_speed_m_s(robot(motor=motor).drive) == pytest.approx(0.4 * motor_speed_m_s(robot().drive))


@COMMON
@pytest.mark.parametrize(("speed", "duration"), [("100 rpm", 0.30), ("66 rpm", 0.4545)])
def test_ref_mechanism_of_half_a_turn(speed, duration):
    """Half a turn takes 0.30 s at 100 rpm and 0.45 s at 66 rpm (common practice, no source)."""
    step = Actuate.model_validate({"do": "actuate", "mechanism": "arm", "travel": "180 deg", "speed": speed})

    assert mechanism_time_s(step) == pytest.approx(duration, abs=1e-4)


def test_law_turning_on_the_spot_runs_at_the_wheels_top_speed():
    """Half the track width times the turn rate is the wheels' speed."""
    drive = robot().drive

    assert spot_rate_rad_s(drive) * drive.track_width / 2 == pytest.approx(motor_speed_m_s(drive))


@pytest.mark.evidence(
    source="3rd CGPM 1901, standard gravity", compares="what friction holds", tolerance="1e-9 m/s²"
)
def test_ref_grip():
    """Friction 0.8 holds 7.845320 m/s^2: standard gravity is 9.80665 m/s^2 (3rd CGPM, 1901)."""
    assert traction_m_s2(robot().drive) == pytest.approx(7.845320, abs=1e-9)


def test_law_curvature_limits_the_speed():
    """On a bend the least of turn rate, lateral acceleration, outer wheel and speed limit counts."""
    limits, _ = step_limits(robot().drive)
    radius = np.array([0.05, 0.3, 0.8, 1e9])

    allowed = limits.path_speed(1 / radius)

    # By hand: 2 pi/s x 0.05 m; sqrt(2 x 0.3); the robot's 1.2 m/s.
    assert allowed[0] == pytest.approx(0.3141592653589793)
    assert allowed[1] == pytest.approx(math.sqrt(0.6))
    assert allowed[2:] == pytest.approx([1.2, 1.2])


def test_law_outer_wheel_limits_a_bend():
    """A motor that just makes the speed limit on the straight is slower by 1 + w / 2R in a bend."""
    motor = {"free_speed": "600 rpm", "wheel_diameter": "2 in", "usable": "50 %"}
    limits, _ = step_limits(robot(motor=motor, limits={"speed": "0.7 m/s"}).drive)
    top = 600 / 60 * math.pi * 2 * INCH / 2

    assert limits.path_speed(np.array(1 / 0.6)) == pytest.approx(min(0.7, top / (1 + 0.15 / 0.6)))


def test_err_step_asks_for_more_than_the_motor_gives():
    """A step's unreachable speed is an error at its key; the plan uses the reachable one."""
    plan = plan_case(case({"do": "advance", "distance": "1 m", "speed": "3 m/s"}))

    assert codes(plan) == ["DG201"]
    assert plan.findings[0].doc_path == ("steps", 0, "speed")
    assert plan.timeline.rate[:, 0].max() <= 1.2 + 1e-12


@pytest.mark.parametrize(
    ("limits", "code", "words"),
    [
        ({"speed": "3 m/s"}, "DG201", "speed limit"),
        ({"turn_rate": "2000 deg/s"}, "DG201", "turn rate limit"),
        ({"acceleration": "9 m/s^2"}, "DG208", "wheels"),
    ],
)
def test_err_robot_promises_too_much(limits, code, words):
    """A robot's limit above its motor or its grip is a warning, and the plan keeps what there is."""
    plan = plan_case(case({"do": "advance", "distance": "2 m"}, drives=robot(limits=limits)))

    assert codes(plan) == []
    assert codes(plan, "warning") == [code]
    assert words in plan.findings[0].message
    assert plan.timeline.rate[:, 0].max() <= motor_speed_m_s(robot().drive) + 1e-12


def test_err_step_asks_for_more_than_the_robot_allows():
    """A speed between the robot's own limit and the motor's is a warning; an acceleration too."""
    step = {"do": "advance", "distance": "1 m", "speed": "1.5 m/s", "acceleration": "8 m/s^2"}
    plan = plan_case(case(step))

    assert codes(plan) == []
    assert sorted(codes(plan, "warning")) == ["DG201", "DG208"]


def test_err_turn_rate_beyond_the_wheels():
    """A turn on the spot faster than the wheels go is an error, and slower ones are kept."""
    slow = {"do": "turn", "to": "90 deg", "turn_rate": "45 deg/s"}
    fast = {"do": "turn", "to": "-90 deg", "turn_rate": "1000 deg/s"}
    plan = plan_case(case(slow, fast))

    assert codes(plan) == ["DG201"]
    assert plan.findings[0].doc_path == ("steps", 1, "turn_rate")
    # 90 deg at 45 deg/s with 900 deg/s^2: 2 s and a ramp of 0.05 s, then 0.1 s to settle.
    assert plan.steps[0].end_s == pytest.approx(2.0 + 0.05 + 0.1)


def test_err_motor_without_speed():
    """A motor with no usable share is an error, not an endless plan."""
    motor = {"free_speed": "600 rpm", "wheel_diameter": "2 in", "usable": "0 %"}
    plan = plan_case(case({"do": "advance", "distance": "0.5 m"}, drives=robot(motor=motor)))

    assert "DG201" in codes(plan)
    assert np.isfinite(plan.timeline.pose).all()


def test_law_grip_limits_a_bend():
    """On a slippery floor the wheels' grip holds the speed in a bend below the centripetal limit."""
    cart = robot()
    drive = cart.drive.model_copy(update={"friction": 0.1})

    # By hand: sqrt(0.1 x 9.80665 x 0.5).
    allowed = step_limits(drive)[0].path_speed(np.array(1 / 0.5))
    assert allowed == pytest.approx(0.7002374, abs=1e-6)


def test_law_advice_names_whose_limit_it_is():
    """Asked for more than the motor gives, a step is told the robot's own limit as the robot's own."""
    drive = robot().drive
    top = motor_speed_m_s(drive)
    assert drive.limits.speed < top
    _, issues = step_limits(drive, speed=2.0 * top)
    (issue,) = [i for i in issues if i.level == "error"]
    assert "cannot be reached" in issue.message
    assert issue.suggestion.endswith("the robot's own limit on its speed")
