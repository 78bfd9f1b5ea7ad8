"""The filter's update from one range to a wall, against the worked example and filters written otherwise.

Worked example: a wall x = 3.6 m, the robot at (1, 0.5) m and 10 deg, a beam straight ahead (S. Thrun,
W. Burgard and D. Fox, Probabilistic Robotics, 2005, chapter 7; R. Siegwart and I. Nourbakhsh, 2004,
section 5.6.8; numbers derived, the Jacobian checked symbolically).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.linalg import solve_discrete_are

from driftgate.core.pose import FloatArray
from driftgate.predict.filter import (
    Six,
    Three,
    as_matrix,
    gain_of,
    grow_filter,
    joseph,
    process_noise,
    reset_normal,
    times_h,
)
from driftgate.predict.filter_model import FilterModel
from driftgate.schema.correction import Update
from driftgate.world.beam import expected_range

ON_PAPER = pytest.mark.evidence(
    source="worked on paper",
    compares="filter against full matrices, information form",
    tolerance="1e-6 of it or less",
)

KALMAN = Update(law="kalman")
WALL_X_M = 3.6
NORMAL = (-1.0, 0.0)


def six(matrix: FloatArray) -> Six:
    """Return a covariance in the filter's own shape."""
    m = matrix
    return tuple(np.array([v]) for v in (m[0, 0], m[0, 1], m[0, 2], m[1, 1], m[1, 2], m[2, 2]))  # type: ignore[return-value]


def update(
    pose: FloatArray, p: FloatArray, reading_m: float, sd_m: float, law: Update = KALMAN
) -> tuple[FloatArray, FloatArray, float, float]:
    """Return pose, covariance, innovation and its variance after one reading, by the product's functions."""
    model = expected_range(pose, (0.0, 0.0, 0.0), NORMAL, (WALL_X_M, 0.0))
    h: Three = tuple(np.atleast_1d(v) for v in (model.d_x, model.d_y, model.d_heading))  # type: ignore[assignment]
    before = six(p)
    ph = times_h(before, h)
    s = h[0] * ph[0] + h[1] * ph[1] + h[2] * ph[2] + sd_m**2
    k = gain_of(law, ph, s, h)
    innovation = reading_m - float(model.range_m)
    after = pose + np.array([float(g[0]) for g in k]) * innovation
    return after, as_matrix(joseph(before, k, ph, s)), innovation, float(s[0])


def generic_update(
    pose: FloatArray, p: FloatArray, reading_m: float, sd_m: float
) -> tuple[FloatArray, FloatArray]:
    """Return the same by an extended Kalman filter with numeric Jacobian, in information form."""

    def predicted(z: FloatArray) -> float:
        return float((WALL_X_M - z[0]) / np.cos(z[2]))

    step = 1e-6
    h = np.array(
        [(predicted(pose + step * e) - predicted(pose - step * e)) / (2.0 * step) for e in np.eye(3)]
    )
    information = np.linalg.inv(p) + np.outer(h, h) / sd_m**2
    after = np.linalg.inv(information)
    gain = after @ h / sd_m**2
    return pose + gain * (reading_m - predicted(pose)), after


POSE = np.array([1.0, 0.5, math.radians(10.0)])
COV = np.diag([0.04**2, 0.03**2, math.radians(2.0) ** 2])


@pytest.mark.evidence(
    source="Thrun, Burgard, Fox 2005, ch. 7 (numbers derived)",
    compares="update from one range to a wall",
    tolerance="5e-7",
)
def test_ref_worked_example() -> None:
    """Range, gain, posterior and normalised innovation of the worked example."""
    model = expected_range(POSE, (0.0, 0.0, 0.0), NORMAL, (WALL_X_M, 0.0))
    assert float(model.range_m) == pytest.approx(2.640109, abs=5e-7)
    assert (float(model.d_x), float(model.d_y), float(model.d_heading)) == pytest.approx(
        (-1.015427, 0.0, 0.465522), abs=5e-7
    )
    pose, cov, innovation, s = update(POSE, COV, 2.70, 0.02)
    assert s == pytest.approx(0.002313802, abs=5e-10)
    assert innovation == pytest.approx(0.0598908, abs=5e-8)
    assert innovation**2 / s == pytest.approx(1.550223, abs=2e-6)
    assert (pose - POSE) / innovation == pytest.approx([-0.702170, 0.0, 0.245148], abs=5e-7)
    # The survey's sd of 0.0328545 for the heading is in radians.
    assert np.sqrt(np.diag(cov)) == pytest.approx([0.0214289, 0.03, 0.0328545], abs=5e-8)
    assert cov[0, 2] / math.sqrt(cov[0, 0] * cov[2, 2]) == pytest.approx(0.565723, abs=5e-7)
    assert pose == pytest.approx([0.957946, 0.5, 0.189215], abs=5e-7)


def test_law_joseph_form_is_the_standard_form_at_the_kalman_gain() -> None:
    """With the Kalman gain (I - k h) P (I - k h)' + k R k' equals P - k S k'."""
    full = COV + np.array([[0.0, 2e-4, 3e-4], [2e-4, 0.0, -1e-4], [3e-4, -1e-4, 0.0]])
    pose, cov, innovation, s = update(POSE, full, 2.70, 0.02)
    k = (pose - POSE) / innovation
    assert cov == pytest.approx(full - s * np.outer(k, k), abs=1e-17)


@pytest.mark.parametrize("law", ["replace", "blend"])
def test_law_joseph_form_at_any_gain(law: str) -> None:
    """Replacing and blending leave the covariance that the full matrix product says."""
    full = COV + np.array([[0.0, 2e-4, 3e-4], [2e-4, 0.0, -1e-4], [3e-4, -1e-4, 0.0]])
    pose, cov, innovation, _ = update(POSE, full, 2.70, 0.02, Update(law=law, share="40 %"))
    k = (pose - POSE) / innovation
    share = 1.0 if law == "replace" else 0.4
    # Along the wall's normal, until the expected range is the reading (or a share of the way).
    assert k == pytest.approx([-share * math.cos(POSE[2]), 0.0, 0.0], abs=1e-15)
    model = expected_range(POSE, (0.0, 0.0, 0.0), NORMAL, (WALL_X_M, 0.0))
    h = np.array([float(model.d_x), float(model.d_y), float(model.d_heading)])
    keep = np.eye(3) - np.outer(k, h)
    assert cov == pytest.approx(keep @ full @ keep.T + 0.02**2 * np.outer(k, k), abs=1e-17)


def test_law_normal_incidence_tells_nothing_of_the_heading() -> None:
    """A beam along the wall's normal leaves heading and the coordinate along the wall as they were."""
    pose, cov, _, _ = update(np.array([1.0, 0.5, 0.0]), COV, 2.65, 0.02)
    assert pose[1:] == pytest.approx([0.5, 0.0], abs=1e-15)
    assert (cov[1, 1], cov[2, 2]) == (COV[1, 1], COV[2, 2])


@ON_PAPER
@pytest.mark.parametrize("seed", range(20))
def test_ref_generic_filter(seed: int) -> None:
    """The update is that of an extended Kalman filter written with full matrices in information form."""
    rng = np.random.default_rng(seed)
    root = rng.normal(0.0, 0.03, (3, 3))
    p = root @ root.T + 1e-5 * np.eye(3)
    pose = np.array([rng.uniform(-1.0, 2.5), rng.uniform(-1.0, 1.0), rng.uniform(-0.8, 0.8)])
    reading = (WALL_X_M - pose[0]) / math.cos(pose[2]) + rng.normal(0.0, 0.03)
    ours, cov, _, _ = update(pose, p, reading, 0.015)
    theirs, expected = generic_update(pose, p, reading, 0.015)
    assert ours == pytest.approx(theirs, abs=1e-9)
    assert cov == pytest.approx(expected, rel=1e-6, abs=1e-12)


MODEL = FilterModel((0.0, 0.0, 0.0), 0.02, 0.03, 0.01, 0.02, 0.03, (), (), 0.0, 0.0)


@ON_PAPER
def test_ref_growth_by_full_matrices() -> None:
    """A believed displacement carries the covariance by F P F' + Q."""
    root = np.random.default_rng(1).normal(0.0, 0.03, (3, 3))
    p = root @ root.T
    ds, dl, dth, dt, heading = 0.04, 0.01, 0.03, 0.05, 0.7
    noise = process_noise(MODEL, ds, dl, dth, dt, heading)
    course, length = heading + math.atan2(dl, ds), math.hypot(ds, dl)
    dx, dy = length * math.cos(course), length * math.sin(course)
    found = as_matrix(grow_filter(six(p), np.array([dx]), np.array([dy]), noise))

    f = np.array([[1.0, 0.0, -dy], [0.0, 1.0, dx], [0.0, 0.0, 1.0]])
    c, s = math.cos(course), math.sin(course)
    turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    walk = np.diag([0.02**2 * length, 0.03**2 * length, 0.01**2 * length + 0.02**2 * dt + 0.03**2 * dth])
    assert found == pytest.approx(f @ p @ f.T + turn @ walk @ turn.T, abs=1e-17)


@pytest.mark.evidence(
    source="Simon 2006, example 7.9; library scipy",
    compares="steady state of driving and reading",
    tolerance="5e-7; 1e-12 of it",
)
@pytest.mark.parametrize(
    ("q", "r", "prior", "gain"),
    [
        # D. Simon, Optimal State Estimation (2006), example 7.9 prints 1.62 and 0.62.
        (1.0, 1.0, 1.618034, 0.618034),
        (0.01, 1.0, 0.1051249, 0.0951249),
        (0.5, 2.0, 1.2807764, 0.3903882),
    ],
)
def test_ref_steady_state(q: float, r: float, prior: float, gain: float) -> None:
    """Driving and reading over and over settles where the algebraic Riccati equation says."""
    model = FilterModel((0.0, 0.0, 0.0), math.sqrt(q), 0.0, 0.0, 0.0, 0.0, (), (), 0.0, 0.0)
    noise = process_noise(model, 1.0, 0.0, 0.0, 1.0, 0.0)  # 1 m along x adds q
    h: Three = (np.array([-1.0]), np.zeros(1), np.zeros(1))
    p, k = six(np.zeros((3, 3))), (np.zeros(1), np.zeros(1), np.zeros(1))
    before = 0.0
    for _ in range(200):
        p = grow_filter(p, np.zeros(1), np.zeros(1), noise)
        before = float(p[0][0])
        ph = times_h(p, h)
        s = h[0] * ph[0] + r
        k = gain_of(KALMAN, ph, s, h)
        p = joseph(p, k, ph, s)
    one = np.eye(1)
    assert before == pytest.approx(float(solve_discrete_are(one, one, q * one, r * one)[0, 0]), rel=1e-12)
    assert before == pytest.approx(prior, abs=5e-7)
    assert abs(float(k[0][0])) == pytest.approx(gain, abs=5e-7)


@ON_PAPER
@pytest.mark.parametrize("angle_rad", [0.0, 0.4, math.pi / 2, 2.5])
def test_ref_contact_reset_by_full_matrices(angle_rad: float) -> None:
    """A contact reset keeps the coordinate along the wall and replaces the rest, without correlations."""
    root = np.random.default_rng(2).normal(0.0, 0.03, (3, 3))
    p = root @ root.T
    n = np.array([math.cos(angle_rad), math.sin(angle_rad)])
    t = np.array([n[1], -n[0]])
    found = as_matrix(reset_normal(six(p), (float(n[0]), float(n[1])), 0.004, 0.01))
    expected = np.zeros((3, 3))
    expected[:2, :2] = 0.004**2 * np.outer(n, n) + (t @ p[:2, :2] @ t) * np.outer(t, t)
    expected[2, 2] = 0.01**2
    assert found == pytest.approx(expected, abs=1e-17)
