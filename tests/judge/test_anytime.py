"""Bounds that hold at every look, held to published values and to exact crossing probabilities."""

from __future__ import annotations

import math

import numpy as np
import pytest
from crossing import crossing_probability
from hypothesis import given, settings
from hypothesis import strategies as st

from driftgate.core.errors import ModelError
from driftgate.judge import bounds
from driftgate.judge.anytime import (
    bounding_rank,
    fails,
    gate_concentration,
    howard_interval,
    log_mixture,
    lower_bound,
    needed_trials,
    passes,
    robbins_interval,
    tuned_concentration,
    upper_bound,
)
from driftgate.judge.sampling import planned_looks

HOWARD = pytest.mark.evidence(
    source="Howard et al. 2021, tests of the library confseq",
    compares="anytime-valid intervals and their tuning",
    tolerance="1e-5",
)
ROBBINS = pytest.mark.evidence(
    source="Robbins 1970 (derived)",
    compares="anytime-valid intervals; chance to exclude the truth",
    tolerance="1e-6; 5e-5",
)


@HOWARD
@pytest.mark.parametrize(
    ("successes", "trials", "tuned", "interval"),
    [
        (700, 1000, 100, (0.651629, 0.745949)),
        (15, 50, 50, (0.129556, 0.511896)),
        (5, 50, 50, (0.013021, 0.269264)),
        (1, 50, 50, (0.0, 0.13489)),
        (100, 200, 1, (0.328923, 0.671076)),
        (1, 2, 50, (0.0, 1.0)),
    ],
)
def test_ref_howard_intervals(successes, trials, tuned, interval):
    """Howard et al. (2021), values of the authors' library confseq, uniform_boundaries_unittest.cpp."""
    assert howard_interval(successes, trials, 0.95, tuned) == pytest.approx(interval, abs=1e-5)


@HOWARD
def test_ref_howard_tuning():
    """Howard et al. (2021), same library: rho is 12.60056 for variance-time 100 at 5 %."""
    # rho = (concentration + 1) p (1 - p), and 400 trials at p = 1/2 have variance-time 100.
    assert 0.25 * (tuned_concentration(400, 0.05) + 1.0) == pytest.approx(12.60056, abs=1e-5)


@ROBBINS
@pytest.mark.parametrize(
    ("successes", "trials", "interval"),
    [
        (0, 59, (0.0, 0.113231)),
        (0, 100, (0.0, 0.073284)),
        (0, 300, (0.0, 0.028593)),
        (3, 100, (0.001526, 0.129720)),
        (50, 1000, (0.028235, 0.080171)),
    ],
)
def test_ref_robbins_intervals(successes, trials, interval):
    """Robbins (1970), uniform mixture at 5 %; values derived (Ville on the Beta(1, 1) mixture)."""
    assert robbins_interval(successes, trials, 0.95) == pytest.approx(interval, abs=1e-6)


@ROBBINS
@pytest.mark.parametrize(("p", "crossing"), [(0.01, 0.0169), (0.05, 0.0207), (0.2, 0.0354), (0.5, 0.0370)])
def test_ref_robbins_crossing(p, crossing):
    """Looking after every one of 2000 trials the uniform mixture excludes the truth this often (derived)."""
    looks = range(1, 2001)
    # The product is a likelihood ratio: one count excluded means all further out are.
    low = dict.fromkeys(looks, -1)
    high = {n: n + 1 for n in looks}
    from scipy.special import betaln

    for n in looks:
        s = np.arange(n + 1)
        log = betaln(s + 1, n - s + 1) - s * math.log(p) - (n - s) * math.log1p(-p)
        kept = np.flatnonzero(log < -math.log(0.05))
        low[n], high[n] = kept[0] - 1, kept[-1] + 1
    found = crossing_probability(p, looks, lambda n, s: (s <= low[n]) | (s >= high[n]))
    assert found == pytest.approx(crossing, abs=5e-5)


@pytest.mark.parametrize("required", [0.5, 0.9, 0.99, 0.999])
@pytest.mark.parametrize("below", [1.0, 0.98])
def test_law_false_passes_stay_below_alpha(required, below):
    """With a true probability at or below the requirement, any look passes in at most 5 % of runs (exact)."""
    looks = planned_looks(200_000)
    least = {n: bounding_rank(n, required, 0.95) or n + 1 for n in looks}
    found = crossing_probability(required * below, looks, lambda n, s: s >= least[n])
    assert found <= 0.05
    if below == 1.0:
        # Not so careful either that it were of no use.
        assert found > 0.005


@pytest.mark.parametrize("required", [0.5, 0.9, 0.99])
@pytest.mark.parametrize("tolerances", [1, 20])
def test_law_false_failures_stay_below_their_share(required, tolerances):
    """With a true probability at the requirement, any look fails in at most alpha / m of runs (exact)."""
    looks, confidence = planned_looks(200_000), 1.0 - 0.05 / tolerances
    most = {n: n - (bounding_rank(n, 1.0 - required, confidence) or n + 1) for n in looks}
    assert not fails(most[4096] + 1, 4096, required, confidence)
    assert fails(most[4096], 4096, required, confidence)
    found = crossing_probability(required, looks, lambda n, s: s <= most[n])
    assert 0.001 / tolerances < found <= 0.05 / tolerances


def test_law_peeking_at_an_exact_bound_is_what_this_avoids():
    """Clopper-Pearson at the same looks passes far more than 5 % of runs at exactly the requirement."""
    looks = planned_looks(200_000)
    least = {n: bounds.bounding_rank(n, 0.9, 0.95) or n + 1 for n in looks}
    assert crossing_probability(0.9, looks, lambda n, s: s >= least[n]) > 0.15


@pytest.mark.parametrize("truth", [0.3, 0.88, 0.9])
def test_law_mixture_is_a_supermartingale_below_its_point(truth):
    """The one-sided ratio grows on average in no step, at the tested point and below it."""
    weight = gate_concentration(0.05)
    for n in (1, 7, 60):
        for s in range(n + 1):
            now = math.exp(log_mixture(s, n, 0.9, weight, "above"))
            after = [math.exp(log_mixture(s + k, n + 1, 0.9, weight, "above")) for k in (0, 1)]
            mean = (1.0 - truth) * after[0] + truth * after[1]
            assert mean <= now * (1.0 + 1e-9)
            if truth == 0.9:
                assert mean == pytest.approx(now, rel=1e-9)


def test_law_two_sided_mixture_is_none():
    """Without the cut the ratio is a martingale at the point only, and grows below it."""
    weight = gate_concentration(0.05)
    now = math.exp(log_mixture(0, 7, 0.9, weight, "both"))
    after = [math.exp(log_mixture(k, 8, 0.9, weight, "both")) for k in (0, 1)]
    assert 0.1 * after[0] + 0.9 * after[1] == pytest.approx(now, rel=1e-9)
    assert 0.7 * after[0] + 0.3 * after[1] > now


@given(st.integers(1, 5000), st.data(), st.sampled_from([0.5, 0.9, 0.95, 0.999]))
@settings(max_examples=150, deadline=None)
def test_law_bounds_lie_around_the_share_and_outside_the_exact_ones(trials, data, confidence):
    """A bound for every look is no tighter than one for a single look, and mirrors the other side."""
    successes = data.draw(st.integers(0, trials))
    low, high = lower_bound(successes, trials, confidence), upper_bound(successes, trials, confidence)
    assert 0.0 <= low <= successes / trials <= high <= 1.0
    if confidence >= 0.9:
        assert low <= bounds.lower_bound(successes, trials, confidence) + 1e-12
        assert high >= bounds.upper_bound(successes, trials, confidence) - 1e-12
    assert high == pytest.approx(1.0 - lower_bound(trials - successes, trials, confidence), abs=1e-12)


@given(st.integers(1, 20_000), st.data(), st.floats(0.01, 0.99999), st.sampled_from([0.9, 0.95, 0.999]))
@settings(max_examples=150, deadline=None)
def test_law_tests_have_one_edge(trials, data, required, confidence):
    """More successes never undo a pass, and less required never does: so bound, rank and test agree."""
    successes = data.draw(st.integers(0, trials))
    passed = passes(successes, trials, required, confidence)
    if passed:
        assert passes(min(trials, successes + 1), trials, required, confidence)
        for less in np.linspace(0.001, required, 12):
            assert passes(successes, trials, float(less), confidence)
    low, rank = lower_bound(successes, trials, confidence), bounding_rank(trials, required, confidence)
    if abs(low - required) > 1e-12:
        assert passed == (low > required)
    assert passed == (rank is not None and successes >= rank)


@pytest.mark.parametrize(("required", "trials"), [(0.9, 133), (0.99, 573), (0.999, 3464)])
def test_pin_needed_trials(required, trials):
    """The fewest trials that show a requirement when none fails."""
    assert needed_trials(required, 0.95) == trials
    assert passes(trials, trials, required, 0.95)
    assert not passes(trials - 1, trials - 1, required, 0.95)


def test_law_ends_of_the_range():
    """Certainty is never shown, one failure disproves it, and nothing required always holds."""
    assert not passes(10**6, 10**6, 1.0, 0.95)
    assert fails(10**6 - 1, 10**6, 1.0, 0.95)
    assert not fails(10**6, 10**6, 1.0, 0.95)
    assert passes(0, 1, 0.0, 0.95)
    assert (lower_bound(0, 9, 0.95), upper_bound(9, 9, 0.95)) == (0.0, 1.0)
    # Confidences that nobody asks for must not break the tuning.
    assert 0.0 < lower_bound(9, 10, 0.01) <= upper_bound(9, 10, 0.01) < 1.0


@pytest.mark.parametrize(("successes", "trials", "confidence"), [(1, 0, 0.9), (6, 5, 0.9), (1, 5, 1.0)])
def test_err_bad_counts(successes, trials, confidence):
    """Counts that cannot be and confidences outside (0, 1) are refused."""
    for bound in (lower_bound, upper_bound, robbins_interval):
        with pytest.raises(ModelError, match="must be"):
            bound(successes, trials, confidence)
    with pytest.raises(ModelError, match="must be"):
        passes(successes, trials, 0.9, confidence)


def test_err_needed_trials_of_certainty():
    """No number of trials shows 100 %."""
    with pytest.raises(ModelError, match="required"):
        needed_trials(1.0, 0.95)
