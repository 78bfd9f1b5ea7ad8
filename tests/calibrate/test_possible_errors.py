"""Errors predicted from sizes that are estimates: a mixture, judged as what it is."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special, stats

from driftgate.calibrate.component import least
from driftgate.calibrate.estimate import t_widening
from driftgate.calibrate.possible_errors import PossibleErrors
from driftgate.calibrate.size_doubt import Doubt, drawn


def _doubt(freedom: float, count: int = 1) -> Doubt:
    """Return spreads of size 1 that are known with so many degrees of freedom."""
    ones = np.ones(count)
    names = tuple("abc"[:count])
    return drawn(((), np.zeros(0), 1.0), (names, ones, freedom), np.diag(2.0 * ones / freedom), 0.0)


def _errors(draws: np.ndarray) -> PossibleErrors:
    """Return one window whose components have the drawn variances, in units of their middle."""
    wide = np.einsum("nd,de->nde", draws, np.eye(draws.shape[1]))[:, None]
    trace, square = draws.sum(axis=1)[:, None], np.square(draws).sum(axis=1)[:, None]
    return PossibleErrors(np.eye(draws.shape[1])[None], wide, square / trace, trace**2 / square)


@pytest.mark.evidence(
    source="Student's t (from memory)",
    compares="reach of a prediction whose variance is an estimate",
    tolerance="3 % of it",
)
@pytest.mark.parametrize("freedom", [2.0, 4.0, 10.0])
def test_ref_one_size_is_student_t(freedom: float):
    """The 95 % region, the middle and the density are those of t with as many degrees of freedom."""
    found = _errors(_doubt(freedom).draws)
    assert found.widening()[0] == pytest.approx(t_widening(freedom), rel=0.03)
    at = np.array([[0.5], [1.0], [2.0], [4.0]])
    many = PossibleErrors(
        np.repeat(found.lower, 4, axis=0),
        np.repeat(found.wide, 4, axis=1),
        np.repeat(found.scale, 4, axis=1),
        np.repeat(found.freedom, 4, axis=1),
    )
    assert many.log_density(at) == pytest.approx(stats.t(freedom).logpdf(at[:, 0]), abs=0.03)
    inside = stats.chi2(1).cdf(many.as_normal(at))
    assert inside == pytest.approx(2.0 * stats.t(freedom).cdf(at[:, 0]) - 1.0, abs=0.01)


def test_mc_errors_of_the_mixture_count_as_normal_ones():
    """Two components, each of a size known from three runs: squares are chi-square, draw by draw too."""
    doubt = _doubt(2.0, 2)
    found, rng = _errors(doubt.draws), np.random.default_rng(1)
    which = rng.integers(0, len(doubt.draws), 20000)
    error = rng.normal(size=(20000, 2)) * np.sqrt(doubt.draws[which])
    square = np.square(error).sum(axis=1)
    counted = special.chdtri(2.0, found.beyond(square[:, None])[:, 0])
    for level in (0.5, 0.9, 0.95):
        assert np.mean(counted < special.chdtri(2.0, 1.0 - level)) == pytest.approx(level, abs=0.015)
    assert counted.mean() == pytest.approx(2.0, rel=0.05)
    own = found.expected()[:, 0]
    assert own.mean() == pytest.approx(counted.mean(), rel=0.05)
    large = doubt.draws.sum(axis=1)[which] > np.median(doubt.draws.sum(axis=1))
    assert own[doubt.draws.sum(axis=1) > np.median(doubt.draws.sum(axis=1))].mean() == pytest.approx(
        counted[large].mean(), rel=0.08
    )


def test_law_draws_are_even_and_go_together():
    """Each size by itself is as possible as it should be, opposed ones stay so, noises are one."""
    of = np.array([[1.0, -0.9], [-0.9, 1.0]])
    noise = (("walk", "jitter"), np.array([1.0, 3.0]), 9.0)
    doubt, again = (drawn(noise, (("a", "b"), np.ones(2), 2.0), of, 0.0) for _ in range(2))
    assert doubt.draws[:, 1] == pytest.approx(3.0 * doubt.draws[:, 0])
    ratio = 2.0 / np.sort(doubt.draws[:, 2:], axis=0)
    even = (np.arange(len(ratio)) + 0.5) / len(ratio)
    assert stats.chi2(2).sf(ratio) == pytest.approx(np.stack([even, even], axis=1), abs=1e-6)
    assert stats.spearmanr(*doubt.draws[:, 2:].T).statistic < -0.7
    assert np.array_equal(doubt.draws, again.draws)


def test_law_a_spread_that_came_out_as_nothing_may_be_something():
    """Near zero a prediction goes by a share of what is not known of it; else by the estimate."""
    assert least(4.0, 1.0) == 4.0
    assert 0.0 < least(0.0, 1.0) < 1.0
    assert least(0.0, 4.0) == pytest.approx(2.0 * least(0.0, 1.0))
