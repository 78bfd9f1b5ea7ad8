"""Bounds on probabilities, held to published tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from driftgate.core.errors import ModelError
from driftgate.judge.bounds import (
    bounding_rank,
    interval,
    lower_bound,
    needed_trials,
    plain_rank,
    upper_bound,
    wilson_interval,
    wilson_limit,
)

WILKS = pytest.mark.evidence(
    source="Wilks 1941",
    compares="sample sizes, orders 1 to 5; a verdict on 298 and 299 trials",
    tolerance="exact",
)


@pytest.mark.evidence(
    source="NIST/SEMATECH e-Handbook 7.2.4.1", compares="Wilson limit, 26 of 200", tolerance="5e-6"
)
def test_ref_wilson_one_sided():
    """NIST/SEMATECH e-Handbook 7.2.4.1: 26 of 200, z = -1.645, lower limit 0.09577."""
    assert wilson_limit(26, 200, -1.645) == pytest.approx(0.09577, abs=5e-6)


@pytest.mark.evidence(
    source="NIST/SEMATECH e-Handbook 7.2.4.1", compares="Clopper-Pearson interval, 4 of 20", tolerance="2e-6"
)
def test_ref_clopper_pearson_nist():
    """NIST/SEMATECH e-Handbook 7.2.4.1: 4 of 20, 90 % two-sided, 0.071354 to 0.401029."""
    assert interval(4, 20, 0.90) == pytest.approx((0.071354, 0.401029), abs=2e-6)


@pytest.mark.evidence(
    source="R package GenBinomApps, clopper.pearson.ci",
    compares="Clopper-Pearson limit, 5 of 100000",
    tolerance="1e-10",
)
def test_ref_clopper_pearson_very_small():
    """R package GenBinomApps, clopper.pearson.ci: 5 of 100000, one-sided 95 % upper."""
    assert upper_bound(5, 100_000, 0.95) == pytest.approx(0.0001051275, abs=1e-10)


@pytest.mark.evidence(
    source="Newcombe 1998, table I (from memory)",
    compares="Wilson and Clopper-Pearson, four cases",
    tolerance="5e-5",
)
@pytest.mark.parametrize(
    ("successes", "trials", "wilson", "exact"),
    [
        (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
        (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
        (0, 20, (0.0000, 0.1611), (0.0000, 0.1684)),
        (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
    ],
)
def test_ref_newcombe_table(successes, trials, wilson, exact):
    """Newcombe, Statistics in Medicine 17 (1998), Table I (as remembered): four cases, 95 %."""
    assert wilson_interval(successes, trials, 0.95) == pytest.approx(wilson, abs=5e-5)
    assert interval(successes, trials, 0.95) == pytest.approx(exact, abs=5e-5)


@WILKS
@pytest.mark.parametrize(
    ("required", "confidence", "trials"),
    [
        (0.90, 0.90, 22),
        (0.90, 0.95, 29),
        (0.95, 0.90, 45),
        (0.95, 0.95, 59),
        (0.95, 0.99, 90),
        (0.99, 0.95, 299),
        (0.99, 0.99, 459),
        (0.999, 0.95, 2995),
    ],
)
def test_ref_success_run(required, confidence, trials):
    """Wilks, Ann. Math. Statist. 12 (1941), first order: the success-run sample sizes."""
    assert needed_trials(required, confidence) == trials
    assert lower_bound(trials, trials, confidence) >= required
    assert lower_bound(trials - 1, trials - 1, confidence) < required


@WILKS
def test_ref_wilks_higher_orders():
    """Wilks (1941), orders one to five at 95 %/95 %: 59, 93, 124, 153, 181."""
    assert [needed_trials(0.95, 0.95, f) for f in range(5)] == [59, 93, 124, 153, 181]


@WILKS
@pytest.mark.parametrize(
    ("required", "confidence", "trials"),
    [(0.90, 0.90, 38), (0.90, 0.95, 46), (0.95, 0.95, 93), (0.95, 0.99, 130), (0.99, 0.95, 473)],
)
def test_ref_wilks_both_ends(required, confidence, trials):
    """Wilks (1941), smallest and largest of the sample: the integers of one-sided order two."""
    assert needed_trials(required, confidence, failures=1) == trials


@pytest.mark.evidence(
    source="Bostelman, Hong, Cheok 2015",
    compares="failures allowed at 80 % with 85 % confidence",
    tolerance="exact",
)
@pytest.mark.parametrize(
    ("allowed", "trials", "attained", "one_more"),
    [
        (0, 10, 0.8926, 0.6242),
        (1, 20, 0.9308, 0.7939),
        (3, 30, 0.8773, 0.7448),
        (4, 40, 0.9241, 0.8387),
        (6, 50, 0.8966, 0.8096),
        (8, 60, 0.8732, 0.7868),
    ],
)
def test_ref_vehicle_repetitions(allowed, trials, attained, one_more):
    """Bostelman, Hong and Cheok, TePRA 2015: failures allowed for 80 % at 85 % confidence."""
    assert lower_bound(trials - allowed, trials, 0.85) >= 0.80
    assert lower_bound(trials - allowed - 1, trials, 0.85) < 0.80
    assert lower_bound(trials - allowed, trials, attained) == pytest.approx(0.80, abs=1e-4)
    assert lower_bound(trials - allowed - 1, trials, one_more) == pytest.approx(0.80, abs=1e-4)


@pytest.mark.evidence(
    source="Clopper and Pearson 1934, k = 0 (derived)",
    compares="the bound without a failure or a touch, never zero",
    tolerance="1e-12 to 1e-5",
)
@pytest.mark.parametrize(
    ("trials", "upper", "tolerance"),
    [(1000, 0.00299124, 1e-8), (59, 0.0495, 1e-5), (3_000_000, 9.98577e-7, 1e-12)],
)
def test_ref_no_hits(trials, upper, tolerance):
    """Clopper and Pearson with no hits, 1 - (1 - C)^(1/n) (derived): never zero."""
    assert upper_bound(0, trials, 0.95) == pytest.approx(upper, abs=tolerance)


@given(st.integers(1, 300), st.data(), st.floats(0.5, 0.999))
def test_law_bound_solves_its_equation(trials, data, confidence):
    """At the lower bound the chance of so many successes is exactly 1 - confidence."""
    successes = data.draw(st.integers(1, trials))
    p = lower_bound(successes, trials, confidence)
    tail = math.fsum(
        math.comb(trials, k) * p**k * (1.0 - p) ** (trials - k) for k in range(successes, trials + 1)
    )
    assert tail == pytest.approx(1.0 - confidence, rel=1e-7, abs=1e-12)


@given(st.integers(1, 500), st.data(), st.floats(0.5, 0.999))
def test_law_upper_mirrors_lower(trials, data, confidence):
    """Failures bounded from below are successes bounded from above."""
    successes = data.draw(st.integers(0, trials))
    assert upper_bound(successes, trials, confidence) == pytest.approx(
        1.0 - lower_bound(trials - successes, trials, confidence), abs=1e-12
    )


@given(st.integers(1, 3000), st.floats(0.5, 0.999), st.floats(0.6, 0.99))
def test_law_rank_is_the_bound_read_backwards(trials, share, confidence):
    """The bounding rank is the fewest successes whose lower bound meets the share."""
    rank = bounding_rank(trials, share, confidence)
    if rank is None:
        assert lower_bound(trials, trials, confidence) < share
    else:
        assert lower_bound(rank, trials, confidence) >= share
        assert lower_bound(rank - 1, trials, confidence) < share


def test_mc_rank_covers():
    """The bounding rank's value lies above the 90 % quantile in at least 95 % of 4000 samples."""
    rng = np.random.default_rng(8)
    rank = bounding_rank(100, 0.90, 0.95)
    assert rank is not None
    values = np.sort(rng.random((4000, 100)), axis=1)[:, rank - 1]
    # Exact coverage of this rank is 0.9763; five standard errors of 4000 draws are 0.012.
    assert 0.95 <= (values >= 0.90).mean() <= 0.99


def test_law_plain_rank_has_no_rounding_step():
    """95 % of 4000 is the 3800th value, and of 4001 the 3801st."""
    assert plain_rank(4000, 0.95) == 3800
    assert plain_rank(4001, 0.95) == 3801
    assert plain_rank(10, 0.0) == 1


@pytest.mark.parametrize(
    ("successes", "trials", "confidence"), [(1, 0, 0.9), (-1, 5, 0.9), (6, 5, 0.9), (1, 5, 1.0), (1, 5, 0.0)]
)
def test_err_bad_counts(successes, trials, confidence):
    """Counts that cannot be and confidences outside (0, 1) are refused."""
    with pytest.raises(ModelError, match="must be"):
        lower_bound(successes, trials, confidence)
    with pytest.raises(ModelError, match="must be"):
        upper_bound(successes, trials, confidence)


def test_err_needed_trials_of_certainty():
    """No number of trials shows 100 %."""
    with pytest.raises(ModelError, match="required"):
        needed_trials(1.0, 0.95)
