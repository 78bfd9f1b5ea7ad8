"""Scores and verdicts on errors whose distribution is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from driftgate.calibrate.score import chi_square_bounds, effective_count, score, worst


def _errors(count: int, size: float = 1.0, seed: int = 1):
    rng = np.random.default_rng(seed)
    root = np.array([[0.02, 0.0, 0.0], [0.01, 0.05, 0.0], [0.0, 0.004, 0.003]])
    cov = np.broadcast_to(root @ root.T, (count, 3, 3))
    return size * rng.normal(size=(count, 3)) @ root.T, cov


def test_a_right_model():
    """Shares inside are the levels, the normalised error is three, the likelihood that of the normal law."""
    error, cov = _errors(4000)
    found = score(error, cov, 4000.0)
    assert found is not None
    assert found.inside == pytest.approx((0.50, 0.68, 0.90, 0.95), abs=0.025)
    assert found.normalised_bounds[0] < found.normalised < found.normalised_bounds[1]
    assert found.predicted_m / found.rms_m == pytest.approx(1.0, abs=0.05)
    assert found.nll == pytest.approx(-stats.multivariate_normal(cov=cov[0]).logpdf(error).mean())
    assert found.word == "calibrated"


@pytest.mark.parametrize(("size", "word"), [(1.7, "overconfident"), (0.5, "overcautious")])
def test_wrong_models(size: float, word: str):
    """Errors that are larger or smaller than predicted."""
    error, cov = _errors(400, size)
    found = score(error, cov, 200.0)
    assert found is not None
    assert found.word == word


def test_too_few_to_tell():
    """Five errors that happen to be large are no verdict."""
    error, cov = _errors(5, 1.3, seed=3)
    found = score(error, cov, 2.0)
    assert found is not None
    assert found.word == "cannot say"


def test_headings_may_be_unknown():
    """Without headings the position alone is scored."""
    error, cov = _errors(500)
    error[7, 2] = np.nan
    found = score(error, cov, 500.0)
    assert found is not None
    assert found.dimensions == 2
    assert found.heading_rms_rad is None
    assert found.normalised == pytest.approx(2.0, abs=0.3)


def test_a_wide_model_covers_but_is_not_likely():
    """Coverage alone proves nothing: the wide model's shares are higher, its likelihood is not."""
    error, cov = _errors(500)
    right, wide = score(error, cov, 500.0), score(error, 9.0 * cov, 500.0)
    assert right is not None
    assert wide is not None
    assert wide.inside[-1] > right.inside[-1]
    assert wide.nll > right.nll + 1.0
    assert wide.word == "overcautious"


def test_nothing_to_score():
    """No errors, no score."""
    assert score(np.zeros((0, 3)), np.zeros((0, 3, 3)), 0.0) is None


@pytest.mark.evidence(
    source="Bar-Shalom, Li, Kirubarajan 2001, 5.4.2",
    compares="regions of mean normalised errors",
    tolerance="5e-5 to 1e-4",
)
def test_ref_chi_square_bounds():
    """Bar-Shalom, Li and Kirubarajan (2001), section 5.4.2: 50 runs of two components, [1.5, 2.6]."""
    assert chi_square_bounds(50.0, 2) == pytest.approx((1.4844, 2.5912), abs=1e-4)
    assert chi_square_bounds(100.0, 3) == pytest.approx((2.5391, 3.4987), abs=1e-4)


def test_dependent_series_count_less():
    """A first-order autoregressive series with coefficient a counts (1 - a) / (1 + a) of its length."""
    rng = np.random.default_rng(2)
    white = rng.normal(size=20000)
    series = np.zeros(20000)
    for i in range(1, 20000):
        series[i] = 0.8 * series[i - 1] + white[i]
    assert effective_count(white) == pytest.approx(20000, rel=0.1)
    assert effective_count(series) == pytest.approx(20000 / 9.0, rel=0.2)


def test_the_worst_word_counts():
    """One overconfident score makes the whole overconfident."""
    assert worst(["calibrated", "cannot say"]) == "cannot say"
    assert worst(["overcautious", "overconfident", "calibrated"]) == "overconfident"


def test_few_errors_may_still_be_far_too_large():
    """Windows of one run count as one or two errors: ten times too large is overconfident all the same."""
    error, cov = _errors(20, 10.0, seed=3)
    found = score(error, cov, 2.0)
    assert found is not None
    assert found.word == "overconfident"
