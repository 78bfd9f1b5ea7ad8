"""The mixture over the number of slips."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from driftgate.calibrate.slips import MOST, as_normal, log_counts, log_mixture, log_normal


def test_counts_are_poisson():
    """Where more than four slips do not happen, the law of rare events (scipy.stats.poisson)."""
    found = np.exp(log_counts(0.01, np.array([5.0, 40.0])))
    for row, expected in zip(found, (0.05, 0.4), strict=True):
        assert row == pytest.approx(stats.poisson.pmf(np.arange(MOST + 1), expected), rel=1e-3, abs=1e-5)
    assert found.sum(axis=1) == pytest.approx([1.0, 1.0])


def test_normal_density():
    """Against scipy.stats.multivariate_normal."""
    rng = np.random.default_rng(1)
    root = rng.normal(size=(3, 3))
    cov = root @ root.T
    error = rng.normal(size=(5, 3))
    expected = stats.multivariate_normal(cov=cov).logpdf(error)
    assert log_normal(error, np.broadcast_to(cov, (5, 3, 3))) == pytest.approx(expected)


def test_mixture_is_a_density():
    """It integrates to one, and its shares say which part an error is of."""
    quiet, one = np.array([[[1e-4]]]), np.array([[[0.04]]])
    logs = log_counts(0.02, np.array([10.0]))

    def density(x: float) -> float:
        return float(np.exp(log_mixture(np.array([[x]]), quiet, one, logs)[0][0]))

    total = integrate.quad(density, -3.0, 3.0, points=[-0.05, 0.0, 0.05], limit=400)[0]
    assert total == pytest.approx(1.0, abs=1e-6)
    near, far = (log_mixture(np.array([[x]]), quiet, one, logs)[1][0] for x in (0.0, 0.3))
    assert near[0] > 0.95
    assert far[0] < 1e-6
    assert far[1] > 0.6


@pytest.mark.parametrize("size", [1, 2, 3])
def test_mc_errors_that_slip_are_chi_square_once_taken_as_normal(size: int):
    """Errors of the mixture, most of them without a slip: their distances have the chi-square distribution.

    By the whole covariance they have not, since nearly all lie well inside the 95 % region. And slips of no
    size change nothing.
    """
    rng = np.random.default_rng(size)
    count, rate = 4000, 0.05
    length = rng.uniform(0.5, 4.0, count)
    quiet = np.diag([4e-6, 9e-6, 1e-5][:size]) * rng.uniform(0.5, 2.0, (count, 1, 1))
    course = rng.uniform(0.0, 2.0 * np.pi, count)
    along = np.stack([np.cos(course), np.sin(course), np.zeros(count)], axis=-1)[:, :size]
    one = 0.05**2 * along[:, :, None] * along[:, None, :]
    slips = rng.poisson(rate * length)
    error = np.einsum("kij,kj->ki", np.linalg.cholesky(quiet), rng.normal(size=(count, size)))
    error += (0.05 * np.sqrt(slips) * rng.normal(size=count))[:, None] * along
    logs = log_counts(rate, length)
    found = as_normal(error, quiet, one, logs)
    assert stats.kstest(found, stats.chi2(size).cdf).pvalue > 1e-3
    whole = quiet + (rate * length)[:, None, None] * one
    plain = np.einsum("ki,ki->k", error, np.linalg.solve(whole, error[:, :, None])[:, :, 0])
    assert stats.kstest(plain, stats.chi2(size).cdf).pvalue < 1e-6
    # With slips of no size only the quadrature is left.
    alone = as_normal(error, quiet, 0.0 * one, logs)
    own = np.einsum("ki,ki->k", error, np.linalg.solve(quiet, error[:, :, None])[:, :, 0])
    near = own < 30.0
    assert alone[near] == pytest.approx(own[near], rel=1e-3, abs=1e-6)
