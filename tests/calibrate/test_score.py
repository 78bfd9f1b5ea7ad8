"""Scores and verdicts on errors whose distribution is known."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from scipy import stats

from driftgate.calibrate.score import (
    FALSE_ALARM,
    alike_count,
    chi_square_bounds,
    effective_count,
    fewest,
    score,
    worst,
)


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


def _words(count: int, size: float, headed: bool = True, among: int = 1, seeds: int = 400) -> Counter[str]:
    """Return how often each verdict comes out of so many errors."""
    words: Counter[str] = Counter()
    for seed in range(seeds):
        error, cov = _errors(count, size, seed)
        if not headed:
            error[:, 2] = np.nan
        found = score(error, cov, float(count), among=among)
        assert found is not None
        words[found.word] += 1
    return words


@pytest.mark.parametrize(("count", "headed"), [(6, True), (8, False), (20, True), (20, False), (200, True)])
def test_mc_a_right_model_is_called_so(count: int, headed: bool):
    """In 95 % of all cases or more, from the fewest errors that make a verdict to hundreds."""
    words = _words(count, 1.0, headed)
    allowed = stats.binom(400, FALSE_ALARM).ppf(0.999)
    assert words["calibrated"] >= 400 - allowed, words
    assert words["cannot say"] == 0


@pytest.mark.parametrize(("size", "word"), [(1.6, "overconfident"), (1.0 / 1.6, "overcautious")])
@pytest.mark.parametrize(("count", "headed"), [(6, True), (10, True), (14, False), (60, True)])
def test_mc_errors_of_another_size_are_named(count: int, headed: bool, size: float, word: str):
    """1.6 times as large or as small as predicted: named more often than not, with 60 in all but a few."""
    words = _words(count, size, headed)
    assert words[word] > (0.5 if count < 60 else 0.97) * 400, words


def test_mc_too_few_to_tell():
    """Four errors say nothing of a model that is right, and of one that is wrong by far still enough."""
    assert _words(4, 1.0)["cannot say"] >= 0.95 * 400 - 3.0 * np.sqrt(400 * 0.05 * 0.95)
    assert _words(4, 1.0)["calibrated"] == 0
    assert _words(4, 4.0)["overconfident"] > 0.95 * 400


def test_mc_scores_share_their_false_alarms():
    """Five scores of one model that is right are all called so in 95 % of the cases."""
    right = 0
    for seed in range(0, 1500, 5):
        scores = [score(*_errors(20, 1.0, seed + i), 20.0, among=5) for i in range(5)]
        right += all(found is not None and found.word == "calibrated" for found in scores)
    assert right >= 300 - stats.binom(300, FALSE_ALARM).ppf(0.999)


@pytest.mark.parametrize(("dimensions", "among", "needed"), [(3, 1, 6), (3, 4, 8), (2, 1, 8), (2, 4, 12)])
def test_law_how_many_errors_make_a_verdict(dimensions: int, among: int, needed: int):
    """With one fewer, sizes of 1.6 or its inverse would be named too seldom: counted by another routine."""
    assert fewest(dimensions, among) == needed
    tail = 0.25 * FALSE_ALARM / among
    for count, enough in ((needed, True), (needed - 1, False)):
        law = stats.chi2(dimensions * count)
        large, small = law.sf(law.isf(tail) / 1.6**2), law.cdf(law.ppf(tail) * 1.6**2)
        assert bool(min(large, small) >= 0.5) is enough


def test_headings_count():
    """Positions as predicted and headings twice as large: the model is overconfident."""
    error, cov = _errors(200)
    white = np.diag(np.diag(cov[0]))
    error = np.random.default_rng(2).normal(size=error.shape) @ np.sqrt(white) * np.array([1.0, 1.0, 2.0])
    found = score(error, np.broadcast_to(white, cov.shape), 200.0)
    assert found is not None
    assert found.word == "overconfident"


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


def test_mc_what_is_constant_all_through_is_one_value():
    """10 mm that stay and 3 mm that come and go, in units of what is predicted: as good as one error."""
    rng = np.random.default_rng(6)
    for _ in range(20):
        series = np.zeros((500, 2))
        for i in range(1, 500):
            series[i] = 0.8 * series[i - 1] + 0.6 * rng.standard_normal(2)
        signed = (10.0 * rng.choice([-1.0, 1.0], 2) + 3.0 * series) / np.hypot(10.0, 3.0)
        assert effective_count(signed) < 2.0


def test_the_worst_word_counts():
    """One overconfident score makes the whole overconfident."""
    assert worst(["cannot say", "calibrated", "cannot say"]) == "calibrated"
    assert worst(["cannot say", "overcautious"]) == "overcautious"
    assert worst(["cannot say"]) == worst([]) == "cannot say"
    assert worst(["overcautious", "overconfident", "calibrated"]) == "overconfident"


def test_few_errors_may_still_be_far_too_large():
    """Windows of one run count as one or two errors: ten times too large is overconfident all the same."""
    error, cov = _errors(20, 10.0, seed=3)
    found = score(error, cov, 2.0)
    assert found is not None
    assert found.word == "overconfident"


@pytest.mark.parametrize("share", [0.0, 0.3, 1.0])
def test_mc_errors_alike_count_as_so_many(share: float):
    """The mean normalised error of ten runs of one robot scatters as that of so many independent ones.

    What is constant over the robot makes `share` of the variance, on two of three axes.
    """
    rng, count, many = np.random.default_rng(2), 10, 6000
    root = np.linalg.cholesky(np.array([[4.0, 1.0, 0.5], [1.0, 2.0, 0.2], [0.5, 0.2, 1.0]]))
    cov, part = root @ root.T, np.diag([1.0, 1.0, 0.0])
    common = share * root @ part @ root.T
    own = np.linalg.cholesky(cov - common + 1e-12 * np.eye(3))
    robot = rng.normal(size=(many, 1, 3)) @ (np.sqrt(share) * root @ part).T
    error = robot + rng.normal(size=(many, count, 3)) @ own.T
    squared = np.einsum("rni,ij,rnj->rn", error, np.linalg.inv(cov), error).mean(axis=1)
    independent = alike_count(cov, common, count)
    # Of N independent ones of three components: 2 * 3 / N.
    assert squared.var() == pytest.approx(6.0 / independent, rel=0.1)
    assert alike_count(cov, np.zeros((3, 3)), count) == pytest.approx(count)
    assert alike_count(cov, cov, count) == pytest.approx(1.0)
