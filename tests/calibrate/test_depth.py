"""Errors held against a sample: ranks that hold whatever the shape, and a density that is one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from driftgate.calibrate.depth import Regions, alike_share
from driftgate.calibrate.score import LEVELS, region_point

COV = np.array([[4.0, 1.5, 0.3], [1.5, 1.0, 0.1], [0.3, 0.1, 0.25]])


def two_piles(rng: np.random.Generator, count: int) -> np.ndarray:
    """Return draws of which a tenth lies 40 standard deviations off, in a pile of its own."""
    found = rng.multivariate_normal(np.zeros(3), COV, count)
    found[rng.random(count) < 0.1, 0] += 80.0
    return found


def test_law_a_true_prediction_has_nominal_coverage_whatever_its_shape():
    """Of draws in two piles as many are inside each region as it says, and their mean square is 3 or 2.

    The ranks are of 4000 draws and the errors 4000: four standard errors of the difference of two shares.
    """
    rng = np.random.default_rng(3)
    sample, errors = two_piles(rng, 8000), two_piles(rng, 4000)
    for size in (2, 3):
        squared = Regions(sample[:, :size], COV[:size, :size]).squared(errors[:, :size])
        for level in LEVELS:
            share = float(np.mean(squared <= region_point(level, size)))
            assert share == pytest.approx(level, abs=4.0 * math.sqrt(2.0 * level * (1.0 - level) / 4000))
        assert squared.mean() == pytest.approx(size, abs=4.0 * math.sqrt(2.0 * 2.0 * size / 4000))


def test_law_the_second_pile_is_inside_and_the_gap_between_them_is_not():
    """By the covariance of the whole the gap would be the middle: the region is in two pieces."""
    rng = np.random.default_rng(4)
    regions = Regions(two_piles(rng, 8000), COV)
    pile, gap = regions.squared(np.array([[80.0, 0.0, 0.0], [40.0, 0.0, 0.0]]))
    assert pile < region_point(0.95, 3)
    assert gap > region_point(0.999, 3)


def test_law_density_of_a_normal_sample_is_the_normal_density():
    """The mean log-density of errors is that of `scipy.stats`, to 0.1: far out it falls within a ball."""
    rng = np.random.default_rng(5)
    sample, errors = (rng.multivariate_normal(np.zeros(3), COV, n) for n in (16_000, 4000))
    found = Regions(sample, 2.0 * COV).log_density(errors)
    assert found.mean() == pytest.approx(multivariate_normal(cov=COV).logpdf(errors).mean(), abs=0.1)


def test_law_an_error_beyond_all_draws_is_as_rare_as_half_a_draw():
    """It is outside of every region; one that is no number, too, and one in the sample does not spoil it."""
    rng = np.random.default_rng(6)
    sample = rng.normal(size=(2000, 2))
    sample[::50, 1] = np.nan
    far = Regions(sample, np.eye(2)).squared(np.array([[1e6, 0.0], [np.nan, 0.0], [0.0, 0.0]]))
    # A hundredth of the draws ranked is further out than anything known.
    assert far[0] == pytest.approx(-2.0 * math.log(20.5 / 1001.0))
    assert far[1] == pytest.approx(-2.0 * math.log(20.5 / 1001.0))
    assert far[2] < region_point(0.5)


@pytest.mark.parametrize("share", [0.0, 0.3, 1.0])
def test_law_alike_share_of_pairs_is_that_of_what_they_have_in_common(share: float):
    """Of normal errors squared it is the square of the share of the variance; four standard errors.

    Two errors with a correlation r have squares with a correlation r squared (Isserlis' theorem).
    """
    rng = np.random.default_rng(7)
    count = 20_000
    common, own, other = rng.normal(size=(3, count, 1))
    pair = [math.sqrt(share) * common + math.sqrt(1.0 - share) * mine for mine in (own, other)]
    squared = [np.square(one[:, 0]) for one in pair]
    found = alike_share(squared[0], squared[1], math.inf)
    assert found == pytest.approx(share**2, abs=4.0 * math.sqrt(8.0 / count))


def test_law_the_region_counts_where_squares_hardly_go_together():
    """A mishap that all runs share, and no more: what is outside is alike, and the larger share is taken."""
    rng = np.random.default_rng(8)
    out = rng.random(20_000) < 0.1
    squares = [np.where(out, 7.0, 6.0 * rng.random(20_000)) for _ in range(2)]
    assert alike_share(*squares, 6.5) == pytest.approx(1.0)
    assert alike_share(*squares, math.inf) < 0.6
