"""Differences over paired trials: against reference libraries, laws, and simulation."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from made_cases import moment, moment_trials, trials_of
from scipy.stats import binomtest, norm

from driftgate.core.errors import ModelError
from driftgate.judge.bounds import wilson_interval
from driftgate.judge.outcomes import joined, moment_change, outcomes_of, same_runs, success_change
from driftgate.judge.paired import (
    SECTIONS,
    discordant_p_value,
    mean_difference,
    pair_counts,
    power_to_see,
    quantile_difference,
    section_bounds,
    smallest_visible_loss,
    smallest_visible_shift,
    success_difference,
)


@pytest.mark.evidence(
    source="library scipy",
    compares="rate interval, paired test, Poisson counts, gated mean",
    tolerance="1e-9 to 1e-6 of it",
)
@pytest.mark.parametrize(("worse", "better"), [(0, 0), (1, 0), (6, 0), (3, 9), (40, 61), (500, 500)])
def test_ref_discordant_test_is_the_binomial_test(worse, better):
    """The p-value is that of scipy.stats.binomtest at 1/2 on the discordant pairs."""
    expected = binomtest(worse, worse + better).pvalue if worse + better else 1.0
    assert discordant_p_value(worse, better) == pytest.approx(expected, rel=1e-9)
    assert discordant_p_value(better, worse) == discordant_p_value(worse, better)


@pytest.mark.evidence(
    source="Newcombe 1998, method 10 (from memory)",
    compares="interval of a paired difference",
    tolerance="5e-5",
)
def test_ref_paired_interval():
    """The example 36, 12, 2, 0 gives 0.0569 to 0.3404, as method 10 does in Newcombe (1998), from memory."""
    found = success_difference(36, 2, 12, 0, 0.95)
    assert found.value == pytest.approx(0.2)
    assert found.low == pytest.approx(0.0569, abs=5e-5)
    assert found.high == pytest.approx(0.3404, abs=5e-5)


def test_law_paired_interval_turns_with_the_sides():
    """Now and before swapped gives the mirrored interval; more confidence gives a wider one."""
    one, other = success_difference(70, 9, 4, 17, 0.9), success_difference(70, 4, 9, 17, 0.9)
    assert (one.low, one.high) == pytest.approx((-other.high, -other.low))
    wide = success_difference(70, 9, 4, 17, 0.99)
    assert wide.low < one.low < one.value < one.high < wide.high


def test_law_weak_correlation_is_corrected_away():
    """With 2, 1, 1, 1 the corrected numerator is max(0, 2 - 1 - 5/2) = 0: as if independent."""
    found = success_difference(2, 1, 1, 1, 0.95)
    low, high = wilson_interval(3, 5, 0.95)
    assert found.high == pytest.approx(np.hypot(high - 0.6, 0.6 - low))
    assert found.low == -found.high


@pytest.mark.parametrize("shared", [0.0, 0.9])
def test_mc_paired_interval_covers(shared):
    """The 95 % interval covers the true difference in 95 % of the runs, with and without common luck."""
    rng = np.random.default_rng(5)
    runs, trials, truth = 2000, 300, 0.85 - 0.9
    luck = rng.random((runs, trials))
    other = np.where(rng.random((runs, trials)) < shared, luck, rng.random((runs, trials)))
    before, now = luck < 0.9, other < 0.85
    hits = 0
    for old, new in zip(before, now, strict=True):
        found = success_difference(*pair_counts(old, new), 0.95)
        hits += found.low <= truth <= found.high
    # Three standard errors of a share over 2000 runs are 1.5 %.
    assert 0.93 <= hits / runs <= 0.985


@pytest.mark.parametrize(("pairs", "background"), [(400, 0.0), (400, 0.02), (3000, 0.01)])
def test_mc_power_is_that_of_the_test(pairs, background):
    """At the smallest visible loss the test sees it in nine runs of ten."""
    rng = np.random.default_rng(7)
    seen_each = round(background * pairs)
    loss = smallest_visible_loss(pairs, seen_each, seen_each, 0.95)
    # One discordant pair more than was seen is allowed for.
    share = (seen_each + 0.5) / pairs
    runs = 3000
    table = rng.multinomial(pairs, [share + loss, share, 1.0 - 2.0 * share - loss], size=runs)
    seen = sum(w > b and discordant_p_value(int(w), int(b)) <= 0.05 for w, b, _ in table)
    # Three standard errors of a share over 3000 runs are 1.6 %.
    assert seen / runs == pytest.approx(0.9, abs=0.018)


def test_law_exact_and_normal_power_meet():
    """Where the sum over pairs hands over to the normal formula, both say the same."""
    exact = power_to_see(20_500, 0.045, 0.007, 0.95)
    normal = power_to_see(20_700, 0.045, 0.007, 0.95)
    assert exact == pytest.approx(normal, abs=0.01)
    assert 0.5 < exact < 0.99


def test_law_visible_loss_by_hand():
    """Without any discordance six losses would do; with one pair in sight of it the loss is larger."""
    loss = smallest_visible_loss(1000, 0, 0, 0.95)
    assert power_to_see(1000, 0.5 / 1000, loss, 0.95) == pytest.approx(0.9, abs=1e-3)
    # Six of six are needed: losses as rare as that would be missed if one pair fell the other way.
    assert float(1.0 - binom_below(6, 1000, loss)) > 0.93
    assert power_to_see(1000, 1.0 / 1000, loss, 0.95) > 0.8
    assert smallest_visible_loss(5, 0, 0, 0.95) is None
    assert smallest_visible_loss(4000, 0, 0, 0.95) < loss
    assert smallest_visible_loss(3, 2, 1, 0.95) is None


def binom_below(count, total, share):
    """Return P(X < count)."""
    from scipy.stats import binom

    return binom.cdf(count - 1, total, share)


def test_mc_sectioned_interval_covers():
    """The sectioned interval of the difference of two 95 % quantiles covers the truth in 95 % of the runs."""
    rng = np.random.default_rng(11)
    runs, trials = 600, 2000
    truth = (1.1 - 1.0) * norm.ppf(0.95)
    hits, widths = 0, []
    for _ in range(runs):
        common = rng.standard_normal(trials)
        before = 0.95 * common + np.sqrt(1 - 0.95**2) * rng.standard_normal(trials)
        now = 1.1 * (0.95 * common + np.sqrt(1 - 0.95**2) * rng.standard_normal(trials))
        found = quantile_difference(before, now, 0.95, 0.95)
        hits += found.low <= truth <= found.high
        widths.append(found.high - found.low)
    # Three standard errors of a share over 600 runs are 2.7 %.
    assert hits / runs == pytest.approx(0.95, abs=0.03)


def test_mc_interval_holds_where_few_trials_go_astray():
    """One trial in twenty is off by a lot, on either side by other luck: 5 % false calls, not 46 %.

    The 95 % quantile then lies where hardly any trial does, and is one of two values.
    """
    rng = np.random.default_rng(21)
    runs, trials, wrong = 400, 4000, 0
    for _ in range(runs):
        near = 0.3 * np.abs(rng.standard_normal(trials))
        before, now = (near + 3.0 * (rng.random(trials) < 0.05) for _ in range(2))
        found = quantile_difference(before, now, 0.95, 0.95)
        wrong += not found.low <= 0.0 <= found.high
    # Three standard errors of 5 % over 400 runs are 3.3 %.
    assert wrong / runs <= 0.083


def test_law_common_luck_narrows():
    """The same luck on both sides makes the interval many times narrower than other luck does."""
    rng = np.random.default_rng(3)
    before = rng.standard_normal(4000)
    paired = quantile_difference(before, before * 1.05, 0.95, 0.95)
    apart = quantile_difference(before, rng.standard_normal(4000) * 1.05, 0.95, 0.95)
    assert paired.high - paired.low < 0.2 * (apart.high - apart.low)
    assert paired.low > 0.0


def test_law_sections_hold_every_trial_once():
    """Sections follow one another without a gap, and differ by a trial at most."""
    for trials in (1, 7, 10, 4000, 4003):
        bounds = section_bounds(trials)
        assert [first for first, _ in bounds] == list(np.cumsum([0] + [n for _, n in bounds[:-1]]))
        counts = [n for _, n in bounds]
        assert sum(counts) == trials
        assert max(counts) - min(counts) <= 1


def test_law_too_few_trials_have_no_interval():
    """A handful of trials gives a difference and no interval; what is infinite gives neither."""
    found = quantile_difference(np.zeros(50), np.ones(50), 0.95, 0.95)
    assert (found.value, found.low, found.high) == (1.0, None, None)
    assert smallest_visible_shift(found, 0.95) is None
    assert quantile_difference(np.zeros(500), np.full(500, np.inf), 0.95, 0.95) is None
    assert mean_difference(np.zeros(3), np.ones(3), 0.95).low is None


def test_mc_visible_shift_is_seen():
    """A shift of the means as large as said is outside the interval in nine runs of ten."""
    rng = np.random.default_rng(2)
    spread = 0.3
    widths, seen, runs = [], 0, 3000
    draws = rng.standard_normal((runs, SECTIONS)) * spread
    for row in draws:
        found = mean_difference(np.zeros(SECTIONS), row, 0.95)
        widths.append(smallest_visible_shift(found, 0.95))
    shift = float(np.mean(widths))
    for row in draws:
        seen += mean_difference(np.zeros(SECTIONS), row + shift, 0.95).low > 0.0
    # The usual sum is an approximation to the noncentral distribution: a few per cent.
    assert seen / runs == pytest.approx(0.9, abs=0.04)


def _run(errors, limit="10 mm"):
    moments = (moment(x=limit), moment(name="end", step=3, x=limit))
    parts = []
    for first, count in section_bounds(len(errors)):
        block = np.zeros((count, 3))
        block[:, 0] = errors[first : first + count]
        parts.append(outcomes_of(moments, trials_of([moment_trials(block), moment_trials(block)]), 15.0))
    return joined(parts)


def test_law_words():
    """More error is worse, less is better, and the same trials are no difference with a loss that shows."""
    errors = np.random.default_rng(1).standard_normal(4000) * 0.004
    before = _run(errors)
    same = moment_change(before.moments[0], _run(errors).moments[0], 0.95)
    assert same.word == "no difference seen"
    assert (same.worse, same.better, same.errors.used.value) == (0, 0, 0.0)
    assert 0.0 < same.visible < 0.005
    # No width to tell a visible loss of margin from: it is said that nothing differs.
    assert same.same
    assert (same.errors.visible, same.blind_to) == (None, same.visible)
    worse = moment_change(before.moments[0], _run(errors * 1.1).moments[0], 0.95)
    assert worse.word == "worse"
    assert 0.0 < worse.shown_loss < worse.errors.used.value
    better = moment_change(before.moments[0], _run(errors / 1.1).moments[0], 0.95)
    assert better.word == "better"
    assert better.shown_loss == 0.0


def test_law_a_trial_that_differs_is_not_the_same():
    """One small error that changes is enough, though every section has the same quantile."""
    errors = np.random.default_rng(1).standard_normal(4000) * 0.004
    other = errors.copy()
    other[7] *= 1.0 + 1e-12
    before, now = _run(errors), _run(other)
    found = moment_change(before.moments[0], now.moments[0], 0.95)
    assert not found.same
    assert not same_runs(before, now)
    assert same_runs(before, _run(errors))
    assert found.errors.steady
    assert (found.errors.visible, found.blind_to) == (None, found.visible)


def test_law_intervals_of_a_moment_share_the_error_rate():
    """Three intervals are shown of a moment: each is at a third of the error rate."""
    rng = np.random.default_rng(6)
    before, now = (_run(rng.standard_normal(2000) * 0.005).moments[0] for _ in range(2))
    found, each = moment_change(before, now, 0.95), 1.0 - 0.05 / 3.0
    counts = pair_counts(before.success, now.success)
    assert found.success == success_difference(*counts, each)
    assert found.errors.used == quantile_difference(before.used, now.used, 0.95, each)


def test_law_loss_of_margin_shows_before_any_trial_fails():
    """Twice the error inside a wide tolerance fails no trial, and is worse all the same."""
    errors = np.random.default_rng(1).standard_normal(2000) * 0.001
    found = moment_change(_run(errors).moments[0], _run(errors * 2.0).moments[0], 0.95)
    assert (found.before, found.now, found.word) == (1.0, 1.0, "worse")
    assert found.shown_loss > 0.1
    assert found.errors.error_now == pytest.approx(2.0 * found.errors.error_before)


def test_mc_words_keep_their_error_rate():
    """Two runs with the same distribution and other luck are called different in at most 5 % of cases."""
    rng = np.random.default_rng(9)
    runs, wrong = 200, 0
    for _ in range(runs):
        before, now = rng.standard_normal((2, 1000)) * 0.005
        found = moment_change(_run(before).moments[0], _run(now).moments[0], 0.95)
        wrong += found.word != "no difference seen"
    # Three standard errors of 5 % over 200 runs are 4.6 %.
    assert wrong / runs <= 0.096


def test_law_sections_change_nothing():
    """What one section holds is what many joined hold."""
    errors = np.random.default_rng(4).standard_normal(1000) * 0.006
    block = np.zeros((1000, 3))
    block[:, 0] = errors
    moments = (moment(x="10 mm"), moment(name="end", step=3, x="10 mm"))
    whole = outcomes_of(moments, trials_of([moment_trials(block), moment_trials(block)]), 15.0)
    cut = _run(errors)
    assert (whole.everything == cut.everything).all()
    assert (whole.moments[1].used == cut.moments[1].used).all()
    assert cut.length.sum() == 1000


def test_law_contact_counts_against_everything():
    """A run that touches is no success, and contact has a word of its own."""
    errors = np.zeros(500)
    before = _run(errors)
    touched = dataclasses.replace(before, untouched=np.arange(500) >= 30)
    assert success_change("contact", before.untouched, touched.untouched, 0.95).word == "worse"
    assert success_change("contact", touched.untouched, before.untouched, 0.95).word == "better"


@pytest.mark.parametrize(
    "call",
    [
        lambda: discordant_p_value(-1, 2),
        lambda: success_difference(0, 0, 0, 0, 0.95),
        lambda: success_difference(1, 0, 0, 0, 1.0),
        lambda: success_difference(-1, 1, 1, 1, 0.95),
        lambda: smallest_visible_loss(10, 6, 6, 0.95),
        lambda: smallest_visible_loss(10, 1, 1, 0.95, power=1.0),
        lambda: joined([]),
    ],
)
def test_err_out_of_range(call):
    """Impossible counts and probabilities are refused."""
    with pytest.raises(ModelError):
        call()


def of_errors(x_mm, y_mm=0.0):
    """Return trials that all end inside 10 mm, with these errors on x and on y."""
    x = np.asarray(x_mm, float) * 1e-3
    errors = np.stack([x, np.broadcast_to(y_mm, x.shape) * 1e-3, 0 * x], axis=1)
    at = moment("end", x="10 mm", y="10 mm")
    return joined(
        [
            outcomes_of((at,), trials_of([moment_trials(errors[low:high])]), 15.0)
            for low, high in section_bounds(len(x))
        ]
    ).moments[0]


def test_law_margin_alone_decides_where_all_succeed():
    """Twice the error is worse and half of it better, though no trial fails; the same is no difference."""
    small = np.linspace(1.0, 4.0, 2000)[np.random.default_rng(4).permutation(2000)]
    worse = moment_change(of_errors(small), of_errors(2 * small), 0.95)
    assert (worse.word, worse.decided_by, worse.same) == ("worse", "margin", False)
    # The 95th of 1 to 4 mm is 3.85: 0.385 of 10 mm, and twice that.
    assert worse.errors.used_before == pytest.approx(0.385, abs=1e-3)
    assert worse.errors.used_now == pytest.approx(0.770, abs=1e-3)
    assert worse.errors.used.low > 0.3
    assert worse.shown_loss == worse.errors.used.low
    better = moment_change(of_errors(2 * small), of_errors(small), 0.95)
    assert (better.word, better.decided_by) == ("better", "margin")
    assert better.errors.used.high < -0.3
    assert better.shown_loss == 0.0
    same = moment_change(of_errors(small), of_errors(small), 0.95)
    assert (same.word, same.decided_by, same.same) == ("no difference seen", "", True)


def test_law_the_axis_that_is_or_was_the_worst_is_shown():
    """An axis that was harmless and is the worst now is shown, and one that was the worst, too."""
    x = np.linspace(1.0, 4.0, 2000)
    now = moment_change(of_errors(x, 2.0), of_errors(x, 6.0), 0.95).errors
    assert (now.axis, now.axis_used_before, now.axis_used_now) == ("y", 0.2, pytest.approx(0.6))
    assert (now.error_before, now.error_now) == (2e-3, 6e-3)
    was = moment_change(of_errors(x, 6.0), of_errors(x, 2.0), 0.95).errors
    assert (was.axis, was.error_before, was.error_now) == ("y", 6e-3, 2e-3)
