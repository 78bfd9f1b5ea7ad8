"""Curves held to scipy's spline, and to their limits everywhere."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_cases import case, codes, robot
from scipy.interpolate import CubicSpline

from driftgate.plan import plan_case
from driftgate.plan.curve import plan_curve
from driftgate.plan.limits import step_limits
from driftgate.plan.profile import rest_to_rest
from driftgate.plan.spline import fit_spline

SCIPY = pytest.mark.evidence(
    source="library scipy", compares="splines: points, derivatives, tightest radius", tolerance="1e-12; 0.2 %"
)

LIMITS = step_limits(robot().drive)[0]
POINTS = [(0.0, 0.0), (0.7, 0.2), (1.1, 0.9), (1.9, 0.8), (2.4, 1.5)]
SPOTS = st.lists(
    st.tuples(st.floats(-2.0, 2.0), st.floats(-2.0, 2.0)).map(lambda p: (round(p[0], 2), round(p[1], 2))),
    min_size=1,
    max_size=5,
    unique=True,
).filter(lambda spots: (0.0, 0.0) not in spots)


@SCIPY
@pytest.mark.parametrize("end_rad", [None, 0.3])
def test_ref_spline_equals_scipy(end_rad):
    """Points and derivatives are those of scipy's CubicSpline with the same end conditions."""
    points = np.array(POINTS)
    ours = fit_spline(points, 0.4, end_rad)
    last = (2, np.zeros(2)) if end_rad is None else (1, np.array([math.cos(0.3), math.sin(0.3)]))
    theirs = CubicSpline(ours.knot, points, bc_type=((1, np.array([math.cos(0.4), math.sin(0.4)])), last))
    u = np.linspace(0.0, ours.knot[-1], 301)

    for order, got in enumerate(ours.evaluate(u)):
        assert got == pytest.approx(theirs(u, order), abs=1e-12)


def test_law_passes_through_its_points_and_leaves_along_the_heading():
    """The curve goes through every point, starts along the heading and ends along the one asked for."""
    motion = plan_curve((0.0, 0.0, 0.4), POINTS[1:], 0.3, False, LIMITS)
    pose, _ = motion.sample(np.linspace(0.0, motion.duration_s, 4001))

    for point in POINTS:
        assert np.hypot(*(pose[:, :2] - point).T).min() < 1e-3
    assert pose[0] == pytest.approx([0.0, 0.0, 0.4], abs=1e-12)
    assert pose[-1] == pytest.approx([2.4, 1.5, 0.3], abs=1e-12)


def test_law_curvature_is_continuous():
    """Just before and just after each inner point the curvature is the same."""
    spline = fit_spline(np.array(POINTS), 0.4)
    inner = spline.knot[1:-1]
    before, after = (spline.evaluate(inner + offset) for offset in (-1e-9, 1e-9))

    for b, a in zip(before, after, strict=True):
        assert b == pytest.approx(a, abs=1e-6)


def test_law_natural_end_has_no_curvature():
    """Without an end heading the curve ends straight, as a natural spline does."""
    spline = fit_spline(np.array(POINTS), 0.4)

    assert spline.evaluate(spline.knot[-1:])[2][0] == pytest.approx([0.0, 0.0], abs=1e-12)


@pytest.mark.evidence(
    source="Lynch and Park 2017, 9.2 (from memory)",
    compares="rest to rest: duration, peak speed; a straight curve",
    tolerance="1e-6; 1 ms",
)
def test_ref_straight_curve_is_the_trapezoid():
    """A curve straight ahead takes the time of the rest-to-rest profile."""
    motion = plan_curve((0.0, 0.0, 0.0), [(0.8, 0.0), (2.0, 0.0)], None, False, LIMITS)

    assert motion.length_m == pytest.approx(2.0, abs=1e-12)
    # The table has a node every 5 mm: the corner of the profile lies within one cell.
    expected = rest_to_rest(2.0, LIMITS.speed_m_s, LIMITS.acceleration_m_s2).duration_s
    assert motion.duration_s == pytest.approx(expected, abs=0.001)


@pytest.mark.evidence(
    source="worked on paper", compares="mean, area and length of simple things", tolerance="exact to 10 nm"
)
def test_ref_arc_length_by_fine_chords():
    """The length is that of a polyline of 200 000 chords through the same curve."""
    motion = plan_curve((0.0, 0.0, 0.4), POINTS[1:], None, False, LIMITS)
    place = motion.spline.evaluate(np.linspace(0.0, motion.u[-1], 200_001))[0]

    assert motion.length_m == pytest.approx(np.hypot(*np.diff(place, axis=0).T).sum(), abs=1e-8)


@settings(max_examples=40, deadline=None)
@given(SPOTS, st.floats(-3.0, 3.0), st.booleans())
def test_law_limits_are_kept_everywhere(spots, heading, backwards):
    """Speed, acceleration, turn rate and lateral acceleration stay within the limits, on any curve."""
    motion = plan_curve((0.0, 0.0, heading), spots, None, backwards, LIMITS)
    if motion.tightest_radius_m < 0.05:
        return  # such curves are refused; their speed is a crawl, not a law
    t = np.linspace(0.0, motion.duration_s, 5001)
    pose, rate = motion.sample(t)
    speed = np.abs(rate[:, 0])

    # Within a cell of 5 mm the curvature may peak a little above its ends and middle.
    assert speed.max() <= LIMITS.speed_m_s * (1 + 1e-9)
    assert np.abs(rate[:, 2]).max() <= LIMITS.turn_rate_rad_s * 1.01
    assert np.abs(rate[:, 2] * speed).max() <= LIMITS.lateral_m_s2 * 1.01
    assert np.abs(np.diff(speed)).max() <= LIMITS.acceleration_m_s2 * t[1] * (1 + 1e-6) + 1e-12
    assert (rate[:, 0] * (-1 if backwards else 1) >= 0).all()
    assert np.abs(np.diff(pose[:, 2])).max() <= LIMITS.turn_rate_rad_s * 1.01 * t[1] + 1e-9


def test_law_backwards_curve_is_the_turned_robot():
    """Backing along a curve is driving it with the heading turned by half a turn."""
    ahead = plan_curve((0.0, 0.0, 0.4), POINTS[1:], None, False, LIMITS)
    back = plan_curve((0.0, 0.0, 0.4 - math.pi), POINTS[1:], None, True, LIMITS)
    t = np.linspace(0.0, ahead.duration_s, 101)

    assert back.sample(t)[0] + [0, 0, math.pi] == pytest.approx(ahead.sample(t)[0], abs=1e-9)
    assert back.sample(t)[1] * [-1, 1, 1] == pytest.approx(ahead.sample(t)[1], abs=1e-9)


def test_law_heading_runs_on_from_many_turns():
    """A heading that is not wrapped at the start is continued, not wrapped."""
    motion = plan_curve((0.0, 0.0, 0.4 + 6 * math.pi), POINTS[1:], None, False, LIMITS)

    assert motion.sample(np.array([0.0]))[0][0, 2] == pytest.approx(0.4 + 6 * math.pi)


def test_err_curve_too_tight_names_radius_and_place():
    """A point right beside the robot asks for a turn tighter than the drive can make."""
    plan = plan_case(case({"do": "curve", "through": [["0.97 m", "1.02 m"], ["0.5 m", "1 m"]]}))

    assert "DG203" in codes(plan)
    finding = next(f for f in plan.findings if f.code == "DG203")
    assert finding.doc_path == ("steps", 0, "through")
    assert "radius of" in finding.message
    assert "m along it" in finding.message


def test_err_curve_point_given_twice():
    """A point that lies on the one before it is named, and the rest of the curve is planned."""
    through = [["1 m", "1 m"], ["1.5 m", "1.1 m"], ["1.5 m", "1.1 m"], ["2 m", "1.3 m"]]
    plan = plan_case(case({"do": "curve", "through": through}))

    assert [f.doc_path for f in plan.findings] == [("steps", 0, "through", 0), ("steps", 0, "through", 2)]
    assert plan.steps[0].end_pose[:2] == pytest.approx((2.0, 1.3))


@SCIPY
def test_ref_tightest_radius_is_that_of_scipy():
    """The radius reported is the smallest of a dense sampling of scipy's spline."""
    motion = plan_curve((0.0, 0.0, 0.4), POINTS[1:], None, False, LIMITS)
    points, knot = np.array(POINTS), motion.spline.knot
    ends = ((1, np.array([math.cos(0.4), math.sin(0.4)])), (2, np.zeros(2)))
    spline = CubicSpline(knot, points, bc_type=ends)
    u = np.linspace(0.0, knot[-1], 100_001)
    (x1, y1), (x2, y2) = spline(u, 1).T, spline(u, 2).T
    radius = np.hypot(x1, y1) ** 3 / np.maximum(np.abs(x1 * y2 - y1 * x2), 1e-9)

    assert motion.tightest_radius_m == pytest.approx(radius.min(), rel=2e-3)
    place = spline(u[np.argmin(radius)])
    assert motion.tightest_point == pytest.approx(tuple(place), abs=0.02)


def test_err_curve_that_folds_back():
    """A point straight behind, without a turn, makes the curve fold back on itself: refused."""
    plan = plan_case(case({"do": "curve", "through": [["0.4 m", "1 m"]]}))

    assert codes(plan) == ["DG203"]
