"""Restricted likelihood of variance components, held to textbook formulas and to simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from driftgate.calibrate.component import as_known_together, component
from driftgate.calibrate.mixed import Block, fit_mixed, left_possible, of_each
from driftgate.core.errors import ModelError

GROUPS, SIZE = 6, 5


def _one_way(values: np.ndarray) -> list[Block]:
    """Return groups of readings that share a group's own deviation."""
    n = values.shape[1]
    parts = np.array([np.eye(n), np.ones((n, n))])
    return [Block(row, np.ones((n, 1)), 1e-12 * np.eye(n), parts) for row in values]


def _fit(values: np.ndarray):
    return fit_mixed(_one_way(values), np.array([1e6]), np.zeros(1), np.ones(2))


@pytest.mark.evidence(
    source="Searle, Casella, McCulloch 1992 (from memory)",
    compares="restricted likelihood, balanced one-way layout",
    tolerance="1e-4 to 1e-3 of it",
)
def test_ref_balanced_one_way_analysis_of_variance():
    """In the balanced one-way layout REML gives the sums of squares of the analysis of variance.

    Within: MSW; between: (MSB - MSW) / n; the mean's standard error sqrt(MSB / (a n)) with a - 1 degrees
    of freedom; variances 2 MSW^2 / (a (n - 1)) and so on (Searle, Casella and McCulloch, Variance
    Components, 1992, chapter 3, from memory; the sums of squares are worked out here).
    """
    rng = np.random.default_rng(1)
    y = rng.normal(0.0, 1.0, (GROUPS, SIZE)) + rng.normal(0.0, 2.0, (GROUPS, 1))
    within = np.square(y - y.mean(axis=1, keepdims=True)).sum() / (GROUPS * (SIZE - 1))
    between = SIZE * np.square(y.mean(axis=1) - y.mean()).sum() / (GROUPS - 1)
    found = _fit(y)

    assert found.variance == pytest.approx([within, (between - within) / SIZE], rel=1e-4)
    assert found.estimate(0).value == pytest.approx(y.mean(), rel=1e-6)
    assert found.estimate(0).error == pytest.approx(math.sqrt(between / (GROUPS * SIZE)), rel=1e-4)
    assert found.estimate(0).freedom == pytest.approx(GROUPS - 1, rel=1e-3)
    of_within = 2.0 * within**2 / (GROUPS * (SIZE - 1))
    of_between = 2.0 / SIZE**2 * (between**2 / (GROUPS - 1) + within**2 / (GROUPS * (SIZE - 1)))
    assert found.of_variance == pytest.approx([of_within, of_between], rel=1e-3)


@pytest.mark.parametrize("between", [0.0, 0.3, 2.0])
def test_mc_intervals_hold_what_they_claim(between: float):
    """Of 200 layouts the 90 % intervals hold mean and both standard deviations in 90 % at least."""
    rng = np.random.default_rng(7)
    layouts, held = 200, np.zeros(3)
    for _ in range(layouts):
        y = 1.0 + rng.normal(0.0, 1.0, (GROUPS, SIZE)) + rng.normal(0.0, between, (GROUPS, 1))
        found = _fit(y)
        low, high = found.estimate(0).interval(0.90)
        held[0] += low <= 1.0 <= high
        for i, (truth, freedom) in enumerate(((1.0, GROUPS * (SIZE - 1.0)), (between, GROUPS - 1.0))):
            size = component(float(found.variance[i]), float(found.of_variance[i]), freedom, 0.90)
            held[i + 1] += size.low <= truth <= size.high
    assert np.all(held / layouts >= 0.90 - 3.0 * math.sqrt(0.09 / layouts)), held / layouts


@pytest.mark.evidence(
    source="NIST/SEMATECH e-Handbook 1.3.6.7.4",
    compares="intervals of a standard deviation, of a variance component",
    tolerance="1e-6 to 1e-4 of it",
)
def test_ref_component_without_other_noise_is_chi_square():
    """A variance seen by itself has the interval of chi-square: 5 degrees of freedom, 0.831 and 12.833."""
    size = component(4.0, 2.0 * 16.0 / 5.0, 5.0, 0.95)
    assert size.low == pytest.approx(2.0 * math.sqrt(5.0 / 12.8325), rel=1e-4)
    assert size.high == pytest.approx(2.0 * math.sqrt(5.0 / 0.831212), rel=1e-4)
    # What a prediction draws reaches as far as the interval.
    assert size.sd * math.sqrt(size.freedom / _lower(size.freedom)) == pytest.approx(size.high, rel=1e-6)


def _lower(freedom: float) -> float:
    from scipy import stats

    return float(stats.chi2(freedom).ppf(0.025))


def test_law_what_drowns_in_noise_may_be_nothing_or_as_large_as_the_noise_hides():
    """A component estimated as zero has an interval from zero to what would have shown."""
    size = component(0.0, 2.0 * 1.0 / 5.0, 5.0, 0.95)
    assert size.low == 0.0
    assert 0.0 < size.sd < size.high
    assert size.high == pytest.approx(math.sqrt(5.0 / 0.831212 - 1.0), rel=1e-4)


def _alike(rng: np.random.Generator, runs: int) -> list[Block]:
    """Return runs in which two constants act nearly alike, and each differs by 1 from run to run."""
    ways = np.array([[1.0, 0.9], [1.0, 1.1], [1.0, 0.95], [1.0, 1.05]])
    found = []
    for _ in range(runs):
        error = ways @ rng.normal(0.0, 1.0, 2) + rng.normal(0.0, 0.3, len(ways))
        parts = np.array([np.outer(column, column) for column in ways.T])
        found.append(Block(error, ways, 0.09 * np.eye(len(ways)), parts))
    return found


def test_mc_spreads_known_together_predict_their_sum_and_not_twice_that():
    """What a further run differs by where both act: the 95 % interval holds it, and is hardly too wide.

    Each spread drawn as wide as it may be by itself makes an interval a fifth wider.
    """
    rng, runs, draws = np.random.default_rng(5), 6, 2000
    widths: dict[str, list[float]] = {"apart": [], "together": []}
    held = []
    for _ in range(60):
        fit = fit_mixed(_alike(rng, runs), np.full(2, 1e3), np.zeros(2), np.ones(2))
        own = tuple(component(float(v), float(o), runs - 1.0, 0.95)
                    for v, o in zip(fit.variance, fit.of_variance, strict=True))  # fmt: skip
        both = as_known_together(own, fit.variance, fit.between_variances, runs - 1.0, 0.95)
        assert [(part.low, part.high) for part in both] == [(part.low, part.high) for part in own]
        for name, parts in (("apart", own), ("together", both)):
            drawn = sum(
                part.sd * np.sqrt(part.freedom / rng.chisquare(part.freedom, draws)) * rng.normal(size=draws)
                for part in parts
            )
            widths[name].append(float(np.percentile(np.abs(drawn), 95.0)))
        held.append(math.erf(widths["together"][-1] / math.sqrt(2.0) / math.sqrt(2.0)))
    # A sum of variance 2 known from six runs: Student's t of five degrees of freedom.
    right = 2.571 * math.sqrt(2.0)
    assert 0.93 <= np.mean(held) <= 0.98
    assert np.median(widths["together"]) < 1.2 * right
    assert np.median(widths["apart"]) > 1.1 * np.median(widths["together"])


def test_law_spreads_that_do_not_trade_places_stay_as_they_are():
    """Nothing is changed where one is not too small when the other is too large."""
    parts = component(1.0, 0.4, 5.0, 0.95), component(2.0, 1.6, 5.0, 0.95)
    for between in (0.0, 0.3):
        cov = np.array([[0.4, between], [between, 1.6]])
        assert as_known_together(parts, np.array([1.0, 2.0]), cov, 5.0, 0.95) == parts


def test_err_nothing_to_fit_on():
    """No errors at all are refused."""
    empty = Block(np.zeros(0), np.zeros((0, 1)), np.zeros((0, 0)), np.zeros((2, 0, 0)))
    with pytest.raises(ModelError, match="no errors to fit on"):
        fit_mixed([empty], np.array([1.0]), np.zeros(1), np.ones(2))


def _near_nothing(seed: int, variance: float = 1.0):
    """Return windows of one component, some that show it well and many that hardly do, and their fit."""
    rng = np.random.default_rng(seed)
    share = np.concatenate([np.full(6, 1.0), np.full(60, 0.05)])
    known = np.full(66, 0.3)
    error = rng.normal(0.0, np.sqrt(variance * share + known))
    block = Block(error, np.zeros((66, 1)), np.diag(known), np.diag(share)[None])
    prior, at, usual = np.array([1.0]), np.zeros(1), np.array([1.0])
    return (block, prior, at, usual), fit_mixed([block], prior, at, usual)


def test_law_the_upper_end_is_where_the_likelihood_has_fallen_so_far():
    """Of one component: twice the log-likelihood has fallen by the quantile of chi-square."""
    wanted = stats.chi2(1).ppf(0.95)
    for seed in range(20):
        (block, prior, at, usual), found = _near_nothing(seed)
        far = left_possible([block], prior, at, usual, found, 0, 0.01, 0.95)
        v = far * np.diag(block.parts[0]) + np.diag(block.known)
        deviance = float(np.sum(np.log(v) + block.error**2 / v))
        v0 = found.variance[0] * np.diag(block.parts[0]) + np.diag(block.known)
        fall = deviance - float(np.sum(np.log(v0) + block.error**2 / v0))
        assert 0.98 * wanted < fall
        assert far > found.variance[0]


def test_mc_an_estimate_near_nothing_reaches_far_enough():
    """Where windows show a component very unlike, an end from the estimate's own variance is too low."""
    plain = reaching = 0
    for seed in range(120):
        (block, prior, at, usual), found = _near_nothing(1000 + seed, 0.6)
        one, of_one = float(found.variance[0]), float(found.of_variance[0])
        size = component(one, of_one, 65.0, 0.95)
        plain += size.high**2 < 0.6
        far = left_possible([block], prior, at, usual, found, 0, size.high**2, 0.95)
        reaching += component(one, of_one, 65.0, 0.95, far).high ** 2 < 0.6
    # At 2.5 % nominal 3 of 120, and no more than this in 999 of 1000 cases.
    most = stats.binom(120, 0.025).ppf(0.999)
    assert plain > most
    assert reaching <= most


@pytest.mark.evidence(
    source="Searle, Casella, McCulloch 1992 (from memory)",
    compares="each group's own deviation, balanced one-way layout",
    tolerance="1e-6 of it",
)
def test_ref_each_group_is_drawn_towards_the_mean():
    """Balanced one-way layout: a group's own mean, shrunk by n v / (n v + w) towards that of all.

    What is not known of it: v w / (n v + w) of its own, and the mean's error times what was shrunk (Searle,
    Casella and McCulloch, Variance Components, 1992, section 3.4, from memory; checked by simulation below).
    """
    within, between = 1.0, 0.7
    y = np.random.default_rng(3).normal(0.0, 1.5, (GROUPS, SIZE))
    share = SIZE * between / (SIZE * between + within)
    of_mean = (within + SIZE * between) / (GROUPS * SIZE)
    found = of_each(
        _one_way(y), np.array([1e6]), np.zeros(1), np.array([within, between]), np.array([between])
    )
    for row, (mean, cov) in zip(y, found, strict=True):
        assert mean[0] == pytest.approx(y.mean() + share * (row.mean() - y.mean()), rel=1e-6)
        expected = between * within / (SIZE * between + within) + (1.0 - share) ** 2 * of_mean
        assert cov[0, 0] == pytest.approx(expected, rel=1e-6)


def test_mc_what_is_not_known_of_a_group_is_as_stated():
    """A line for each group, whose height differs: errors of height and slope scatter as their covariance."""
    rng, total, count = np.random.default_rng(4), 0.0, 0
    x = np.arange(6.0)
    design = np.stack([np.ones(6), x], axis=-1)
    parts = np.array([np.eye(6), np.ones((6, 6))])
    for _ in range(150):
        heights = 1.0 + rng.normal(0.0, 0.8, 5)
        blocks = [
            Block(h + 0.5 * x + rng.normal(0.0, 0.6, 6), design, 1e-12 * np.eye(6), parts) for h in heights
        ]
        found = of_each(blocks, np.full(2, 1e3), np.zeros(2), np.array([0.36, 0.64]), np.array([0.64, 0.0]))
        for height, (mean, cov) in zip(heights, found, strict=True):
            off = mean - [height, 0.5]
            total += float(off @ np.linalg.solve(cov, off))
            count += 1
    # Groups of one layout share the slope: about as independent as layouts.
    assert total / count == pytest.approx(2.0, abs=5.0 * math.sqrt(4.0 / 150))
