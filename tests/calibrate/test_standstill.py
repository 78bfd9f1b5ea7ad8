"""The heading rate at a standstill is as well known as it says, whatever the noise of the headings is."""

from __future__ import annotations

import numpy as np
import pytest

from driftgate.calibrate.tracks import bias_at_rest
from driftgate.calibrate.windows import Track

BIAS, EVERY = 0.004, 0.02


def _standing(turned: np.ndarray) -> Track:
    """Return a standstill with such changes of the heading."""
    twist = np.stack([np.zeros_like(turned), np.zeros_like(turned), turned], axis=-1)
    return Track("", np.arange(len(turned) + 1) * EVERY, twist, np.full((len(turned) + 1, 3), np.nan))


@pytest.mark.parametrize("count", [60, 500])
def test_mc_a_noisy_rate_makes_the_heading_walk(count: int):
    """In 95 of 100 standstills the bias lies within 1.96 errors (1000 draws)."""
    rng = np.random.default_rng(count)
    normalised = []
    for _ in range(1000):
        found = bias_at_rest(_standing(BIAS * EVERY + 1e-4 * rng.standard_normal(count)))
        assert found is not None
        normalised.append((found[0] - BIAS) / found[1])
    held = np.mean(np.abs(normalised) < 1.959964)
    assert held == pytest.approx(0.95, abs=4.0 * np.sqrt(0.05 * 0.95 / 1000))


def test_mc_jitter_is_never_said_to_be_better_known_than_it_is():
    """White jitter of the headings: 95 of 100 hold, and the error stays far below that of one difference."""
    rng, count, size, held, errors = np.random.default_rng(5), 500, 1e-3, 0, []
    for _ in range(300):
        jitter = size * rng.standard_normal(count + 1)
        found = bias_at_rest(_standing(BIAS * EVERY + np.diff(jitter)))
        assert found is not None
        held += abs(found[0] - BIAS) < 1.959964 * found[1]
        errors.append(found[1])
    assert held >= 0.95 * 300
    assert np.median(errors) < 0.1 * np.sqrt(2.0) * size / EVERY


def test_law_four_headings_by_hand():
    """In hundredths: three blocks of 1 s turning by 0, 3 and 0: the rate is 1, the walk (1 + 4 + 1) / 2 = 3.

    The line through 0, 0, 3, 3 has the slope (1.5 * 3 + 0.5 * 3) / 5 = 1.2. Student's t of two
    degrees of freedom at 95 % is 4.302653: the error 4.302653 / 1.959964 * sqrt(1.2 * 3 / 3).
    """
    track = Track(
        "", np.arange(4.0), np.array([[0.0, 0.0, a] for a in (0.0, 0.03, 0.0)]), np.full((4, 3), np.nan)
    )
    expected = 0.01 * np.array([1.2, 4.302653 / 1.959964 * np.sqrt(1.2)])
    assert bias_at_rest(track) == pytest.approx(tuple(expected), rel=1e-6)


def test_law_too_short_a_rest_tells_nothing():
    """Less than a second is no standstill to find a bias from."""
    assert bias_at_rest(_standing(np.zeros(30))) is None


@pytest.mark.parametrize("rate_deg_s", [15.0, 90.0, 400.0])
@pytest.mark.parametrize("ramp_s", [EVERY, 0.5])
def test_law_a_turn_before_the_robot_moves_is_no_rest(rate_deg_s: float, ramp_s: float):
    """The wheels count nothing where it turns about their middle: the bias was degrees a second.

    Stood for three seconds, turned on the spot, driven: the bias is that of the three seconds alone.
    """
    rng = np.random.default_rng(7)
    stood = BIAS * EVERY + 1e-5 * rng.standard_normal(150)
    share = np.minimum(EVERY * np.arange(1, 101) / ramp_s, 1.0)
    whole = _standing(np.concatenate([stood, np.deg2rad(rate_deg_s) * EVERY * share, np.zeros(10)]))
    whole.twist[-10:, 0] = 0.01
    found = bias_at_rest(whole)
    assert found is not None
    assert found[0] == pytest.approx(BIAS, abs=4.0 * found[1])
    assert found[1] < 0.1 * BIAS
    alone = bias_at_rest(_standing(stood))
    assert alone is not None
    assert found[1] == pytest.approx(alone[1], rel=1.0)


def test_law_a_gyro_that_is_off_or_coarse_still_stands():
    """A bias of 5 degrees a second, and headings in whole degrees, are no turn."""
    headings = np.round(np.rad2deg(np.deg2rad(5.0) * EVERY * np.arange(301)))
    found = bias_at_rest(_standing(np.diff(np.deg2rad(headings))))
    assert found is not None
    assert found[0] == pytest.approx(np.deg2rad(5.0), rel=0.05)
