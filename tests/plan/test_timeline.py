"""The timeline: knots, ticks, twists, and every reading that falls due."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_cases import case, robot, sensor

from driftgate.core.pose import compose, exp
from driftgate.plan import plan_case
from driftgate.plan.values import Law

LENGTHS = st.floats(-0.6, 0.6).map(lambda v: f"{v:.3f} m")
ANGLES = st.floats(-200.0, 200.0).map(lambda v: f"{v:.2f} deg")
STEPS = st.one_of(
    LENGTHS.map(lambda d: {"do": "advance", "distance": d}),
    ANGLES.map(lambda a: {"do": "rotate", "angle": a}),
    ANGLES.map(lambda a: {"do": "turn", "to": a}),
    st.tuples(st.floats(0.05, 1.0), ANGLES, st.booleans()).map(
        lambda v: {"do": "arc", "radius": f"{v[0]:.3f} m", "angle": v[1], "backwards": v[2]}
    ),
    st.tuples(LENGTHS, LENGTHS).map(lambda p: {"do": "curve", "through": [list(p)]}),
    st.tuples(LENGTHS, LENGTHS).map(lambda p: {"do": "face", "point": list(p)}),
    st.tuples(LENGTHS, LENGTHS).map(lambda p: {"do": "drive", "to": list(p)}),
    st.just({"do": "pause", "time": "0.37 s"}),
    st.just({"do": "checkpoint", "name": "here", "within": {"radial": "5 cm"}, "required": "90 %"}),
)
SENSORS = [
    sensor("a"),
    sensor("b", rate="15 Hz", phase="7 ms", latency="33 ms"),
    sensor("c", rate="20 Hz", latency="50 ms"),
]


@settings(max_examples=60, deadline=None)
@given(st.lists(STEPS, min_size=1, max_size=8))
def test_law_any_routine_is_one_unbroken_motion(steps):
    """Steps join in time and pose, time runs on, and the twists chain to the poses."""
    plan = plan_case(case(*steps, at=(2.0, 1.5, 20.0), drives=robot(sensors=SENSORS)))
    tl = plan.timeline

    assert plan.steps[0].begin_s == 0.0
    for before, after in zip(plan.steps[:-1], plan.steps[1:], strict=True):
        assert after.begin_s == before.end_s
        assert after.start_pose == before.end_pose
    assert plan.duration_s == pytest.approx(sum(s.end_s - s.begin_s for s in plan.steps))
    assert tl.time_s[0] == 0.0
    assert tl.time_s[-1] == plan.duration_s
    assert (np.diff(tl.time_s) > 0).all()
    assert np.diff(tl.time_s).max(initial=0.0) <= 0.05 * (1 + 1e-9)
    assert tl.first_tick[-1] == tl.step.size
    for s in plan.steps:
        first, end = tl.first_tick[s.index], tl.first_tick[s.index + 1]
        assert tl.time_s[first] == s.begin_s
        assert tl.time_s[end] == s.end_s
        assert tl.pose[end] == pytest.approx(s.end_pose, abs=1e-12)
        assert (tl.step[first:end] == s.index).all()
    assert compose(tl.pose[:-1], exp(tl.twist)) == pytest.approx(tl.pose[1:], abs=1e-12)
    assert (tl.moving == np.array([s.law is not Law.STAND for s in plan.steps])[tl.step]).all()
    assert (tl.rate[0] == 0).all()


def test_law_finer_ticks_leave_the_knots_where_they_are():
    """Halving the longest tick adds knots between; time and pose of the others stay as they are."""
    steps = [
        {"do": "drive", "to": ["2 m", "1 m"]},
        {"do": "curve", "through": [["2.5 m", "1.5 m"]]},
        {"do": "turn", "to": "-30 deg"},
    ]
    odometry = {"distance_from": "tracking wheel", "longest_tick": "0.01 s"}
    coarse = plan_case(case(*steps, drives=robot(sensors=SENSORS))).timeline
    fine = plan_case(case(*steps, drives=robot(sensors=SENSORS, odometry=odometry))).timeline

    bounds = coarse.readings.knot
    at = np.searchsorted(fine.time_s, coarse.time_s[bounds])
    assert (fine.time_s[at] == coarse.time_s[bounds]).all()
    assert (fine.pose[at] == coarse.pose[bounds]).all()
    assert (fine.readings.knot == at).all()
    assert np.diff(fine.time_s).max() <= 0.01 * (1 + 1e-9)


def test_law_twist_over_time_is_the_rate_in_steady_motion():
    """While cruising straight, the twist of a tick over its duration is the body rate."""
    tl = plan_case(case({"do": "drive", "to": ["3 m", "1 m"]})).timeline
    cruise = (tl.rate[:-1, 0] > 1.2 - 1e-9) & (tl.rate[1:, 0] > 1.2 - 1e-9)

    assert cruise.sum() > 10
    assert (tl.twist[:, 0] / np.diff(tl.time_s))[cruise] == pytest.approx(1.2)


def test_law_reading_schedule_by_hand():
    """Sensors at 20 Hz and 15 Hz with phase and latency give exactly the readings counted by hand."""
    tl = plan_case(case({"do": "pause", "time": "1 s"}, drives=robot(sensors=SENSORS))).timeline
    r = tl.readings
    counts = np.bincount(r.sensor)

    # a: 0, 0.05 ... 1.00: 21.  b: arrivals 0.040 + k/15 <= 1: k = 0..14: 15.  c: 0.05 ... 1.00: 20.
    assert counts.tolist() == [21, 15, 20]
    b = r.sensor == 1
    assert tl.time_s[r.echo_knot[b]] == pytest.approx(0.007 + np.arange(15) / 15, abs=1e-9)
    assert tl.time_s[r.knot[b]] == pytest.approx(0.040 + np.arange(15) / 15, abs=1e-9)
    assert (np.diff(r.knot) >= 0).all()


def test_law_readings_at_one_instant_keep_the_order_of_the_file():
    """At an instant shared by two sensors the first in the file comes first; arrivals are merged."""
    tl = plan_case(case({"do": "pause", "time": "1 s"}, drives=robot(sensors=SENSORS))).timeline
    r = tl.readings
    shared = r.knot[r.sensor == 2]

    # Sensor c arrives a period after its echo: on the very knots of sensor a, but the first.
    assert shared.tolist() == r.knot[r.sensor == 0][1:].tolist()
    same = np.flatnonzero(np.diff(r.knot) == 0)
    assert (r.sensor[same] < r.sensor[same + 1]).all()


def test_law_a_reading_belongs_to_the_step_that_ends_with_it():
    """A reading on a step boundary belongs to the step that ends there; the first step owns time zero."""
    steps = [
        {"do": "checkpoint", "name": "begin", "within": {"radial": "5 cm"}, "required": "90 %"},
        {"do": "pause", "time": "0.5 s"},
        {"do": "checkpoint", "name": "half", "within": {"radial": "5 cm"}, "required": "90 %"},
        {"do": "look", "time": "0.5 s"},
    ]
    tl = plan_case(case(*steps, drives=robot(sensors=[sensor()]))).timeline
    r = tl.readings

    # Echoes at 0, 0.05, ..., 1.0: eleven up to 0.5 s in the pause, ten after it.
    assert r.step.tolist() == [1] * 11 + [3] * 10
    assert r.ordinal.tolist() == [*range(11), *range(10)]


def test_law_latency_beyond_the_end_drops_the_reading():
    """What would arrive after the routine has ended is no reading."""
    late = robot(sensors=[sensor(latency="0.3 s")])
    tl = plan_case(case({"do": "pause", "time": "0.25 s"}, drives=late)).timeline

    assert tl.readings.knot.size == 0


def test_law_touch_has_a_knot():
    """A knot falls on the touch of a square-up, where the nominal pose turns flush in the next tick."""
    plan = plan_case(case({"do": "square-up", "against": "east", "speed": "0.3 m/s"}, at=(3.0, 1.5, 4.0)))
    touch = plan.contacts[0].travel_m / 0.3

    k = int(np.argmin(np.abs(plan.timeline.time_s - touch)))
    assert plan.timeline.time_s[k] == pytest.approx(touch, abs=1e-12)
    assert plan.timeline.pose[k, 2] == pytest.approx(np.radians(4.0))
    assert plan.timeline.pose[k + 1, 2] == 0.0
    assert plan.timeline.rate[k, 0] == pytest.approx(0.3)
    assert plan.timeline.rate[k + 1, 0] == 0.0


def test_law_fast_turns_get_shorter_ticks():
    """However long the ticks may be, none turns by more than a radian or so."""
    odometry = {"distance_from": "tracking wheel", "longest_tick": "100 s"}
    plan = plan_case(case({"do": "rotate", "angle": "3000 deg"}, drives=robot(odometry=odometry)))

    assert np.abs(plan.timeline.twist[:, 2]).max() <= 1.0 + 1e-9
