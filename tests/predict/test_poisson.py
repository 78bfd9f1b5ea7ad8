"""Counts of bumps, held to scipy's Poisson distribution."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import pdtr

from driftgate.predict.streams import poisson_count


@pytest.mark.evidence(
    source="library scipy",
    compares="rate interval, paired test, Poisson counts, gated mean",
    tolerance="1e-9 to 1e-6 of it",
)
@pytest.mark.parametrize("expected", [0.01, 0.4, 3.0, 20.0])
def test_ref_inversion_equals_scipy(expected):
    """A uniform just below P(count <= k) gives at most k, one just above gives more (scipy.special.pdtr)."""
    k = np.arange(int(expected + 5.0 * np.sqrt(expected)) + 1)
    below = pdtr(k, expected)
    reached = below[below < 1.0 - 1e-9]

    assert np.all(poisson_count(reached * (1.0 - 1e-12) - 1e-13, expected) <= k[: len(reached)])
    assert np.all(poisson_count(reached + 1e-10, expected) > k[: len(reached)])


def test_mc_mean_and_variance():
    """Mean and variance are both the expected count, within 5 standard errors."""
    uniform = np.random.default_rng(11).random(40_000)
    count = poisson_count(uniform, 1.7)

    assert count.mean() == pytest.approx(1.7, abs=5.0 * np.sqrt(1.7 / 40_000))
    # Fourth central moment of a Poisson variable: m (1 + 3 m).
    assert count.var() == pytest.approx(1.7, abs=5.0 * np.sqrt((1.7 * (1.0 + 3.0 * 1.7) - 1.7**2) / 40_000))
