"""Bounds for weighted trials: known tails, and an error rate that holds at every look."""

import math

import numpy as np
import pytest

from driftgate.core.errors import ModelError
from driftgate.judge.weighted import (
    fewest_weighted_trials,
    log_evidence_above,
    log_evidence_below,
    weighted_lower_bound,
    weighted_upper_bound,
)

# P(Z > 4): derived, equals scipy's norm.sf(4).
TAIL_4 = 3.167124e-5


def shifted_tail(count: int, shift: float, seed: int) -> np.ndarray:
    """Return weights of the draws beyond 4 from a defensive mixture of N(0, 1) and N(shift, 1), halves."""
    rng = np.random.default_rng(seed)
    z = rng.standard_normal(count) + shift * (rng.random(count) < 0.5)
    weight = 1.0 / (0.5 + 0.5 * np.exp(shift * z - 0.5 * shift * shift))
    return weight[z > 4.0]


@pytest.mark.evidence(
    source="normal and Rayleigh tails (derived)",
    compares="bounds of weighted trials, P(Z > 4)",
    tolerance="3 %; bounds within a third",
)
def test_ref_the_normal_tail_is_between_the_bounds_and_found_with_few_draws():
    """P(Z > 4) = 3.167124e-5: 200 000 weighted draws bound it within a third.

    The tail from the complementary error function. Without tilting, 200 000 draws hold six of them.
    """
    assert pytest.approx(0.5 * math.erfc(4.0 / math.sqrt(2.0)), rel=1e-6) == TAIL_4
    failing = shifted_tail(200_000, 4.12, 5)
    upper = weighted_upper_bound(failing, 200_000, 2.0, 0.95)
    lower = weighted_lower_bound(failing, 200_000, 2.0, 0.95)
    assert failing.sum() / 200_000 == pytest.approx(TAIL_4, rel=0.03)  # 3 standard errors of 1 %
    assert lower < TAIL_4 < upper
    assert lower > 0.67 * TAIL_4


def test_law_no_failures_give_the_rule_of_three_times_weight_and_list():
    """Without a failure the bound is near (3 + ln 2) largest / n; `fewest_weighted_trials` inverts it."""
    none = np.zeros(0)
    assert weighted_upper_bound(none, 100_000, 2.0, 0.95) == pytest.approx(
        2.0 * (math.log(20.0) + math.log(2.0)) / 0.99 / 100_000, rel=0.02
    )
    count = fewest_weighted_trials(1e-4, 1.25, 0.95)
    assert weighted_upper_bound(none, count, 1.25, 0.95) <= 1e-4
    assert weighted_upper_bound(none, count - 1, 1.25, 0.95) > 1e-4


@pytest.mark.parametrize("shift", [0.0, 2.5])
def test_mc_either_bound_misses_in_few_runs_although_one_looks_after_every_batch(shift):
    """P(Z > 2.5) from 400 runs with ten looks each: either bound is ever wrong in at most 5 %.

    At a true rate of 5 %, more than 32 of 400 happen once in 300 times.
    """
    truth = 0.5 * math.erfc(2.5 / math.sqrt(2.0))
    rng = np.random.default_rng(11)
    limit, above, below = math.log(20.0), 0, 0
    for _ in range(400):
        z = rng.standard_normal(2000) + shift * (rng.random(2000) < 0.5)
        weight = 1.0 / (0.5 + 0.5 * np.exp(shift * z - 0.5 * shift * shift))
        looks = [weight[:n][z[:n] > 2.5] for n in range(200, 2001, 200)]
        sizes = range(200, 2001, 200)
        above += any(
            log_evidence_above(w / 2.0, n, truth / 2.0) >= limit for w, n in zip(looks, sizes, strict=True)
        )
        below += any(
            log_evidence_below(w / 2.0, n, truth / 2.0) >= limit for w, n in zip(looks, sizes, strict=True)
        )
    assert above <= 32
    assert below <= 32


def test_law_bounds_close_in_with_more_trials():
    """Ten times the trials bring both bounds nearer to the tail."""
    few, many = shifted_tail(20_000, 4.0, 3), shifted_tail(200_000, 4.0, 3)
    assert weighted_upper_bound(many, 200_000, 2.0, 0.95) < weighted_upper_bound(few, 20_000, 2.0, 0.95)
    assert weighted_lower_bound(many, 200_000, 2.0, 0.95) > weighted_lower_bound(few, 20_000, 2.0, 0.95)


def test_err_weights_beyond_the_largest_are_refused():
    """A weight that cannot be is a fault, not a bound."""
    with pytest.raises(ModelError, match="weights must lie"):
        weighted_upper_bound(np.array([2.1]), 10, 2.0, 0.95)
    with pytest.raises(ModelError, match="weights for"):
        weighted_upper_bound(np.ones(3), 2, 2.0, 0.95)
