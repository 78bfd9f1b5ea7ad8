"""Square drives: the published equations, and robots with known errors found again."""

from __future__ import annotations

import math

import numpy as np
import pytest
from square_robot import gyro_end, wheel_end

from driftgate.calibrate.square import heading_bias, heading_scale, square_result, wheel_correction
from driftgate.core.errors import ModelError

BORENSTEIN = pytest.mark.evidence(
    source="Borenstein and Feng 1996, exact kinematics (derived)",
    compares="square path: ends, alpha, beta, wheel factors",
    tolerance="1 µm; 1e-5 deg; 4 %",
)

SIDE_M, TRACK_M = 4.0, 0.34


def _both(ratio: float, track_ratio: float) -> tuple[np.ndarray, np.ndarray]:
    right, left = (wheel_end(ratio, track_ratio, SIDE_M, TRACK_M, way) for way in (False, True))
    return np.array([right, right]), np.array([left, left])


@pytest.mark.evidence(
    source="Borenstein and Feng 1996, eq. 4.17 to 4.20",
    compares="square path: ends to errors",
    tolerance="1e-12 deg",
)
@pytest.mark.parametrize(
    ("alpha_deg", "beta_deg", "right", "left"),
    [(0.3, 0.0, (-1, -1), (-1, 1)), (0.0, 0.3, (-1, -1), (1, -1))],
)
def test_ref_first_order_ends(alpha_deg, beta_deg, right, left):
    """Type A and type B errors give the ends of Borenstein and Feng 1996, equations 4.17 to 4.20."""
    size = 2.0 * SIDE_M * math.radians(alpha_deg + beta_deg)
    ends = [np.tile(size * np.array(way), (2, 1)) for way in (right, left)]
    found = square_result(SIDE_M, *ends)

    assert math.degrees(found.alpha_rad.value) == pytest.approx(alpha_deg, abs=1e-12)
    assert math.degrees(found.beta_rad.value) == pytest.approx(beta_deg, abs=1e-12)
    assert found.pattern_broken == ()


@BORENSTEIN
def test_ref_worked_example():
    """A worked example by exact kinematics: E_d = 1.001, E_b = 1.005 on a square of 4 m.

    Ends and the values of the published equations, from x and from y, were derived apart from this code;
    the average of both lies between them. Tolerances are the last digit given.
    """
    right, left = _both(1.001, 1.005)
    assert right[0] * 1000 == pytest.approx([-151.988, -163.065], abs=1e-3)
    assert left[0] * 1000 == pytest.approx([31.384, -30.658], abs=1e-3)

    found = square_result(SIDE_M, right, left)
    assert found.largest_m == pytest.approx(0.222913, abs=1e-6)
    alpha_x = (right[0, 0] + left[0, 0]) / (-4 * SIDE_M)
    beta_x = (right[0, 0] - left[0, 0]) / (-4 * SIDE_M)
    alpha_y = (right[0, 1] - left[0, 1]) / (-4 * SIDE_M)
    beta_y = (right[0, 1] + left[0, 1]) / (-4 * SIDE_M)
    assert math.degrees(alpha_x) == pytest.approx(0.43188, abs=1e-5)
    assert math.degrees(beta_x) == pytest.approx(0.65665, abs=1e-5)
    assert found.alpha_rad.value == pytest.approx((alpha_x + alpha_y) / 2, rel=1e-12)
    assert found.beta_rad.value == pytest.approx((beta_x + beta_y) / 2, rel=1e-12)

    from_x = wheel_correction(SIDE_M, TRACK_M, alpha_x, beta_x)
    from_y = wheel_correction(SIDE_M, TRACK_M, alpha_y, beta_y)
    assert (from_x.diameter_ratio, from_x.track_ratio) == pytest.approx((1.000979, 1.004822), abs=1e-6)
    assert (from_y.diameter_ratio, from_y.track_ratio) == pytest.approx((1.001035, 1.005296), abs=1e-6)


@BORENSTEIN
@pytest.mark.parametrize(
    ("ratio", "track_ratio", "right_mm", "left_mm"),
    [
        (1.0, 1.005, (-62.022, -63.494), (-62.022, 63.494)),
        (1.001, 1.0, (-92.364, -96.818), (95.690, -91.288)),
    ],
)
def test_ref_single_errors(ratio, track_ratio, right_mm, left_mm):
    """The ends of each error alone, as derived apart from this code, are put down to that error."""
    right, left = _both(ratio, track_ratio)
    assert right[0] * 1000 == pytest.approx(right_mm, abs=1e-3)
    assert left[0] * 1000 == pytest.approx(left_mm, abs=1e-3)
    found = square_result(SIDE_M, right, left)
    fixed = wheel_correction(SIDE_M, TRACK_M, found.alpha_rad.value, found.beta_rad.value)
    # First order: up to 4 % of the correction is left over.
    assert fixed.diameter_ratio - 1 == pytest.approx(ratio - 1, rel=0.04, abs=2e-5)
    assert fixed.track_ratio - 1 == pytest.approx(track_ratio - 1, rel=0.04, abs=2e-4)


@BORENSTEIN
def test_ref_a_straight_side_has_equal_wheels():
    """A bend of zero gives a diameter ratio of one, although its radius is infinite."""
    fixed = wheel_correction(SIDE_M, TRACK_M, 0.01, 0.0)
    assert (fixed.diameter_ratio, fixed.left, fixed.right) == (1.0, 1.0, 1.0)


def test_law_a_second_pass_ends_near_the_mark():
    """Each pass takes out at least nine tenths, as published (10- to 22-fold)."""
    ratio, track_ratio = 1.001, 1.005
    sizes = []
    for _ in range(3):
        found = square_result(SIDE_M, *_both(ratio, track_ratio))
        sizes.append(found.largest_m)
        fixed = wheel_correction(SIDE_M, TRACK_M, found.alpha_rad.value, found.beta_rad.value)
        ratio, track_ratio = ratio / fixed.diameter_ratio, track_ratio / fixed.track_ratio
    assert sizes[1] < 0.1 * sizes[0]
    assert sizes[2] < 0.1 * sizes[1]


@pytest.mark.parametrize(("scale", "bias_deg_s"), [(0.004, 0.0), (0.0, 0.05), (-0.003, 0.04), (0.005, -0.03)])
def test_law_a_gyro_is_found_again(scale, bias_deg_s):
    """Scale and bias put into the error model's own increments come out of the ends of its squares."""
    bias, leg_s, turn_s = math.radians(bias_deg_s), 2.5, 1.2
    right, left = (gyro_end(scale, bias, 1.5, leg_s, turn_s, way) for way in (False, True))
    found = square_result(1.5, np.tile(right, (2, 1)), np.tile(left, (2, 1)))

    # The linearisation leaves a few per cent of either.
    slack = 0.05 * (abs(scale) * math.pi / 2 + abs(bias) * (leg_s + turn_s))
    assert found.alpha_rad.value == pytest.approx(math.pi / 2 * scale / (1 + scale), abs=slack)
    assert heading_scale(found.alpha_rad).value == pytest.approx(scale, abs=slack)
    assert heading_bias(found.beta_rad, 4 * (leg_s + turn_s)).value == pytest.approx(
        bias, abs=slack / (leg_s + turn_s)
    )
    assert found.pattern_broken == ()


def test_mc_intervals_hold_what_they_claim():
    """Of 300 sheets of five noisy drives each way, the 90 % intervals hold the truth in 90 %."""
    rng = np.random.default_rng(20240611)
    alpha, beta, held = 0.004, -0.003, np.zeros(2)
    centre_right = -2 * SIDE_M * (alpha + beta) * np.ones(2)
    centre_left = -2 * SIDE_M * (alpha - beta) * np.array([1.0, -1.0])
    sheets = 300
    for _ in range(sheets):
        ends = [c + 0.02 * rng.standard_normal((5, 2)) for c in (centre_right, centre_left)]
        found = square_result(SIDE_M, *ends)
        for i, (estimate, truth) in enumerate(((found.alpha_rad, alpha), (found.beta_rad, beta))):
            low, high = estimate.interval(0.90)
            held[i] += low <= truth <= high
    # Three standard errors of a share of 0.9 among 300; Welch and Satterthwaite are a shade shy.
    assert held / sheets == pytest.approx([0.90, 0.90], abs=3 * math.sqrt(0.09 / sheets))


def test_law_what_breaks_the_pattern_is_named():
    """Ends that neither error can make are reported for their way round alone."""
    rng = np.random.default_rng(5)
    right = np.array([0.05, -0.05]) + 0.002 * rng.standard_normal((5, 2))
    left = 0.002 * rng.standard_normal((5, 2))
    assert square_result(1.5, right, left).pattern_broken == ("right",)


@pytest.mark.parametrize("side_m", [0.0, -1.0, math.nan])
def test_err_no_square(side_m):
    """A side that is no length is refused."""
    with pytest.raises(ModelError, match="side_m must be above 0"):
        square_result(side_m, np.zeros((2, 2)), np.zeros((2, 2)))


def test_err_one_drive_has_no_scatter():
    """A single drive either way is refused: nothing tells how far to trust it."""
    with pytest.raises(ModelError, match="two runs or more"):
        square_result(1.5, np.zeros((1, 2)), np.zeros((2, 2)))
