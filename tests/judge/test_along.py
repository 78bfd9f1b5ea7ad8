"""95 % errors of a normal distribution, held against closed forms and a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2, ncx2, norm

from driftgate.judge.along import distance_quantile, sample_quantile, size_quantile


@pytest.mark.evidence(
    source="library scipy.stats: chi-square, its non-central form, and the normal distribution",
    compares="95 % of the distance in the plane: round, round about a mean, and all on a line",
    tolerance="a thousandth",
)
@pytest.mark.parametrize(
    ("mean", "cov", "expected"),
    [
        ((0, 0), ((1, 0), (0, 1)), np.sqrt(chi2.ppf(0.95, 2))),
        ((3, 0), ((1, 0), (0, 1)), np.sqrt(ncx2.ppf(0.95, 2, 9))),
        ((0, -10), ((1e-4, 0), (0, 1e-4)), 0.01 * np.sqrt(ncx2.ppf(0.95, 2, 1e6))),
        ((0, 0), ((0, 0), (0, 4)), 2 * norm.ppf(0.975)),
        ((0, 0), ((0.5, 0.5), (0.5, 0.5)), norm.ppf(0.975)),
    ],
)
def test_ref_distance_in_the_plane(mean, cov, expected):
    """Where a closed form exists, it is met."""
    found = distance_quantile(np.array([mean], float), np.array([cov], float), 0.95)
    assert found == pytest.approx([expected], rel=1e-3)


@pytest.mark.evidence(
    source="library scipy.stats: the normal distribution",
    compares="95 % of the size of one normal error, without and with a large mean",
    tolerance="1e-9",
)
def test_ref_size_of_one_error():
    """Without a mean 1.96 spreads; about a large mean the one-sided 1.645."""
    found = size_quantile(np.array([0.0, 50.0, -50.0]), np.array([2.0, 1.0, 1.0]), 0.95)
    assert found == pytest.approx([2 * norm.ppf(0.975), 50 + norm.ppf(0.95), 50 + norm.ppf(0.95)], rel=1e-9)


@given(
    st.floats(0.1, 3.0), st.floats(0.02, 1.0), st.floats(0.0, 3.1), st.floats(-2.0, 2.0), st.floats(-2.0, 2.0)
)
def test_law_turning_the_axes_changes_nothing(big, ratio, angle, mx, my):
    """The distance does not depend on the axes in which mean and covariance are given."""
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, -s], [s, c]])
    mean, cov = np.array([mx, my]), np.diag([big**2, (ratio * big) ** 2])
    plain = distance_quantile(mean[None], cov[None], 0.95)
    turned = distance_quantile((turn @ mean)[None], (turn @ cov @ turn.T)[None], 0.95)
    assert turned == pytest.approx(plain, rel=2e-3)


def test_mc_distance_of_a_slanted_distribution():
    """A million draws about a mean agree within 4 standard errors of their quantile."""
    mean, cov, count = np.array([0.3, -0.2]), np.array([[0.04, 0.015], [0.015, 0.01]]), 1_000_000
    drawn = np.random.default_rng(7).multivariate_normal(mean, cov, count)
    sizes = np.hypot(*drawn.T)
    found = distance_quantile(mean[None], cov[None], 0.95)[0]
    # The share below the quantile has standard error sqrt(0.95 * 0.05 / n).
    assert (sizes <= found).mean() == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / count))


def test_law_sample_quantiles_are_values_of_the_sample():
    """Never interpolated, never too small: 95 of 100 values are at most the 95th."""
    values = np.random.default_rng(3).permutation(np.arange(1.0, 101.0))
    assert sample_quantile(values[None], 0.95) == pytest.approx([95.0])
    assert sample_quantile(values[:7][None], 0.95)[0] == values[:7].max()
