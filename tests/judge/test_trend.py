"""Change points of binomial nights: the exact test, its false alarms, and that it finds what was planted."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from driftgate.core.errors import ModelError
from driftgate.judge.trend import likelihood_ratio, shifts, split_p_value

SCIPY = pytest.mark.evidence(
    source="library scipy", compares="Fisher's exact test, G statistic", tolerance="1e-9 of it"
)


@SCIPY
@pytest.mark.parametrize(
    ("s_1", "n_1", "s_2", "n_2"),
    [(9, 10, 3, 12), (0, 5, 5, 5), (480, 500, 930, 1000), (500, 500, 499, 500), (0, 30, 0, 20), (7, 7, 9, 9)],
)
def test_ref_split_is_twice_the_smaller_hypergeometric_tail(s_1, n_1, s_2, n_2):
    """The p value of one split is twice the smaller one-sided p value of Fisher's exact test in scipy."""
    table = [[s_1, n_1 - s_1], [s_2, n_2 - s_2]]
    tails = [stats.fisher_exact(table, alternative=side)[1] for side in ("less", "greater")]
    assert split_p_value(s_1, n_1, s_2, n_2) == pytest.approx(min(1.0, 2.0 * min(tails)), rel=1e-9)


@SCIPY
def test_ref_likelihood_ratio_is_the_g_statistic():
    """Twice the log likelihood ratio is the G statistic of the two by two table, by scipy."""
    table = np.array([[90, 10], [70, 30]])
    expected = stats.chi2_contingency(table, correction=False, lambda_="log-likelihood")[0]
    assert likelihood_ratio(90, 100, 70, 100) == pytest.approx(expected, rel=1e-12)


def test_mc_false_alarms_stay_below_the_level():
    """Of 2000 histories in which nothing changes, no more than the level names a change."""
    rng = np.random.default_rng(20261126)
    level, histories = 0.05, 2000
    named = 0
    for _ in range(histories):
        successes = rng.binomial(200, 0.95, 8).tolist()
        named += bool(shifts([200] * 8, successes, [True] * 8, level))
    # Five standard errors above the level would be chance once in millions.
    assert named / histories <= level + 5.0 * (level * (1 - level) / histories) ** 0.5
    assert named > 0  # the test is not dead


def test_mc_a_planted_change_is_found_where_it_was_planted():
    """From 97 to 94 % over 2000 trials a night: found in all histories, at the very night in most."""
    rng = np.random.default_rng(7)
    found, at_night = 0, 0
    for _ in range(100):
        p = [0.97] * 6 + [0.94] * 5
        successes = rng.binomial(2000, p).tolist()
        changes = shifts([2000] * 11, successes, [True] * 11, 0.001)
        found += len(changes) >= 1
        at_night += [change.at for change in changes] == [6]
    assert found == 100
    assert at_night >= 80


def test_law_two_changes_are_told_apart():
    """Worse on the fourth night, mended on the seventh: both are named, in order."""
    successes = [970, 968, 971, 900, 905, 902, 969, 972, 970]
    found = shifts([1000] * 9, successes, [True] * 9, 0.001)
    assert [(change.at, change.worse) for change in found] == [(3, True), (6, False)]


def test_law_a_change_lies_where_inputs_changed():
    """Where the inputs stayed as they were nothing can have changed, whatever the numbers look like."""
    successes = [970, 968, 900, 905]
    assert shifts([1000] * 4, successes, [False] * 4, 0.01) == ()
    (only,) = shifts([1000] * 4, successes, [False, True, False, False], 0.01)
    assert only.at == 1


def test_law_equal_nights_show_nothing():
    """Nights without a failure are no change."""
    assert shifts([500] * 5, [500] * 5, [True] * 5, 0.05) == ()
    assert shifts([], [], [], 0.05) == ()


def test_err_counts_that_cannot_be():
    """More successes than trials, and columns of different lengths, are refused."""
    with pytest.raises(ModelError, match="from 0 to trials"):
        shifts([10], [11], [False], 0.05)
    with pytest.raises(ModelError, match="one length"):
        shifts([10], [9, 9], [False], 0.05)
