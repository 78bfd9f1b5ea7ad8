"""What a list of looks decides, and when a case has had enough trials."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_cases import covariance_of, moment, moment_trials, prepared_of, trials_of

from driftgate.core.errors import ModelError
from driftgate.judge import anytime
from driftgate.judge.sampling import (
    HOPELESS,
    Sampling,
    Seen,
    called,
    decide,
    more_trials,
    planned_looks,
    trials_to_decide,
)
from driftgate.judge.stopping import UNSEEN_CONTACT, Tally, Watch, tally
from driftgate.judge.verdict import judge_case

LOOKS = (256, 512, 1024)


def on_x(misses, total):
    """Return trials on x in which those at these places miss by 20 mm and the rest by 5 mm."""
    error = np.zeros((total, 3))
    error[:, 0] = 0.005
    error[list(misses), 0] = 0.020
    return moment_trials(error)


def judged(errors_m, looks=LOOKS, required=0.9, tolerances=1, touch=None, **more):
    """Return the verdict after these looks on trials with these errors on x, 10 mm allowed."""
    error = np.zeros((len(errors_m), 3))
    error[:, 0] = errors_m
    touch = np.full(len(errors_m), -1) if touch is None else touch
    return judge_case(
        prepared_of([moment("end", required=required, points=8)], **more),
        covariance_of(1),
        trials_of([moment_trials(error)], touch_step=touch, touch_obstacle=touch),
        tolerances=tolerances,
        looks=looks,
    )


@given(st.integers(1, 3_000_000))
@settings(max_examples=60)
def test_law_looks_do_not_depend_on_the_most(most):
    """Looks rise to the most trials, and a run with more trials looks where this one did."""
    looks = planned_looks(most)
    assert looks[-1] == most
    assert list(looks) == sorted(set(looks))
    assert set(looks[:-1]) <= set(planned_looks(10_000_000))


def test_law_verdict_freezes_at_its_first_look():
    """What a look decides stays, though later trials say otherwise; its bounds stay on their side."""
    rule = Sampling(sequential=True)
    good_then_bad = [Seen(256, 256), Seen(500, 1024), Seen(1500, 4096)]
    found = decide(good_then_bad, 0.9, rule)
    assert (found.status, found.at) == ("pass", 256)
    assert found.lower == pytest.approx(anytime.lower_bound(256, 256, 0.95))
    bad_then_good = decide([Seen(100, 256), Seen(3900, 4096)], 0.9, rule)
    assert (bad_then_good.status, bad_then_good.at, bad_then_good.looks) == ("fail", 256, (256,))
    assert bad_then_good.upper < 0.9


def test_law_bounds_are_running_intersections():
    """A look that says less takes nothing back."""
    rule = Sampling(sequential=True)
    first = decide([Seen(940, 1024)], 0.9, rule)
    second = decide([Seen(940, 1024), Seen(1840, 2048)], 0.9, rule)
    assert first.status == second.status == "undecided"
    assert second.lower == first.lower > anytime.lower_bound(1840, 2048, 0.95)
    assert second.upper == min(first.upper, anytime.upper_bound(1840, 2048, 0.95))
    both = rule.estimate([Seen(940, 1024), Seen(1840, 2048)])
    alone = [rule.estimate([seen]) for seen in (Seen(940, 1024), Seen(1840, 2048))]
    assert (both.low, both.high) == (max(e.low for e in alone), min(e.high for e in alone))
    assert both.probability == 1840 / 2048


def test_law_empty_intersection_keeps_the_last_interval():
    """Looks that contradict each other leave an interval that is one."""
    rule = Sampling(sequential=True)
    found = rule.estimate([Seen(256, 256), Seen(500, 1024)])
    assert found.low <= 500 / 1024 <= found.high


@given(st.data(), st.sampled_from([0.5, 0.9, 0.95, 0.99]), st.sampled_from([1, 12]))
@settings(max_examples=120, deadline=None)
def test_law_used_agrees_with_verdict_at_every_stop(data, required, tolerances):
    """The share of the tolerance used is at most 1 exactly when the verdict is pass, for any looks."""
    rng = np.random.default_rng(data.draw(st.integers(0, 10**6)))
    scale = data.draw(st.sampled_from([0.002, 0.004, 0.006, 0.01]))
    errors = scale * rng.standard_normal(1024)
    # Luck that turns: the verdict of the first look need not be that of all.
    errors[: data.draw(st.integers(0, 512))] *= data.draw(st.sampled_from([0.1, 1.0, 4.0]))
    found = judged(errors, required=required, tolerances=tolerances).moments[0]
    if found.used is None:
        assert found.status != "pass"
    else:
        assert (found.used <= 1.0) == (found.status == "pass")
    assert (found.lower >= required) == (found.status == "pass")
    if found.status != "pass":
        assert (found.upper < required) == (found.status == "fail")
    assert (found.decided_at is None) == (found.status == "undecided")
    assert found.decided_at in (None, *LOOKS)


def test_law_sequential_used_bounds_the_quantile():
    """In at most 5 % of runs the best of all looks puts the share used below the true quantile."""
    rng = np.random.default_rng(5)
    # |x| below 10 mm with probability 0.9: at that required probability exactly the whole is used.
    errors = 0.010 / 1.6448536 * rng.standard_normal((200, 1024))
    below = [found.used is not None and found.used < 1.0 for found in (judged(e).moments[0] for e in errors)]
    assert np.mean(below) <= 0.05


def test_law_one_look_needs_fewer_trials():
    """The same trials say more when their number was fixed: the exact bound is the tighter one."""
    errors = np.full(512, 0.005)
    fixed, looked = judged(errors, looks=()), judged(errors, looks=(256, 512))
    assert fixed.moments[0].lower > looked.moments[0].lower
    assert fixed.moments[0].estimate.low > looked.moments[0].estimate.low
    assert (fixed.looks, looked.looks) == ((), (256, 512))


def test_law_note_counts_what_a_sequential_run_needs():
    """Too few trials name the fewest that could show it, at bounds that hold at every look."""
    found = judged(np.full(400, 0.005), looks=(256, 400), required=0.99).moments[0]
    assert found.status == "undecided"
    assert found.note.endswith("at least 573 are needed")


def test_law_contact_at_a_stop():
    """No touch allowed: one fails at any look, none passes with the bound that holds at every look."""
    errors = np.full(1024, 0.005)
    none = judged(errors).contact
    assert none.status == "pass"
    assert none.upper == anytime.upper_bound(0, 1024, 0.95)
    late = judged(errors, touch=np.where(np.arange(1024) == 1000, 1, -1)).contact
    assert late.status == "fail"
    some = np.where(np.arange(1024) % 100 == 7, 1, -1)
    for allowed, status in ((0.03, "pass"), (0.01, "undecided"), (0.001, "fail")):
        found = judged(errors, touch=some, contact_allowed=allowed).contact
        assert found.status == status
        assert (found.upper <= allowed) == (status == "pass")
        assert (found.lower > allowed) == (status == "fail")


def test_law_points_spread():
    """Points at 10, 50 and 90 % are those of the trials: eight where the end is met, else none."""
    found = judged(np.where(np.arange(1024) % 5 == 0, 0.02, 0.005))
    assert (found.points_10, found.points_50, found.points_90) == (0, 8, 8)
    assert found.expected_points == pytest.approx(8 * 819 / 1024)


def test_law_watch_ends_when_the_verdicts_are_there():
    """The watch is content at the first look at which every verdict, judged on its own, is decided."""
    rng = np.random.default_rng(9)
    rule = Sampling(0.95, 3, sequential=True)
    looks = tuple(range(64, 2049, 64))
    for miss, allowed in ((0.02, 0.0), (0.08, 0.0), (0.3, 0.0), (0.0, 0.05), (0.0, 0.021)):
        prepared = prepared_of([moment("end", required=0.9)], contact_allowed=allowed)
        missed, touched = rng.random(2048) < miss, rng.random(2048) < 0.02 * (allowed > 0.0)
        watch, ended = Watch(prepared, rule), None
        for look in looks:
            if watch.look(Tally(look, (look - int(missed[:look].sum()),), int(touched[:look].sum()))):
                ended = look
                break
        untouched = [Seen(look - int(touched[:look].sum()), look) for look in looks]
        end = decide([Seen(look - int(missed[:look].sum()), look) for look in looks], 0.9, rule)
        alone = [end.at]
        if allowed:
            alone.append(decide(untouched, 1.0 - allowed, rule).at)
        elif end.status == "pass":
            # Nothing touches: as many trials as show that contact is rarer than one in 500.
            alone.append(decide(untouched, 0.998, rule).at)
        assert ended == (None if None in alone else max(alone))


def test_law_no_contact_allowed_takes_trials_enough_to_see_some():
    """A clear case goes on to the look at which no touch means fewer than one in 500; a touch spares that."""
    rule, found = Sampling(0.95, 3, sequential=True), {}
    for touched in (0, 1):
        watch = Watch(prepared_of([moment("end", required=0.9)]), rule)
        found[touched] = next(n for n in planned_looks(20_000) if watch.look(Tally(n, (n,), touched)))
    assert found == {0: 2048, 1: 1024}
    assert rule.upper(Seen(0, 2048), 0.95) < UNSEEN_CONTACT < rule.upper(Seen(0, 1024), 0.95)
    # Contact in one run of 500 is missed in fewer than 2 % of the checks.
    assert (1.0 - UNSEEN_CONTACT) ** 2048 < 0.02


def test_law_tally_counts_and_adds():
    """Counts of two stretches add up to those of both; a checkpoint counts only after what it needs."""
    moments = [moment("a"), moment("b", after=["a"]), moment("end", step=3)]
    prepared = prepared_of(moments)

    def part(low, high):
        cut = [on_x([i - low for i in miss if low <= i < high], high - low) for miss in ((3, 40), (5,), ())]
        touch = np.array([0 if i == 50 else -1 for i in range(low, high)])
        return tally(prepared, trials_of(cut, touch_step=touch, touch_obstacle=touch))

    assert part(0, 100) == Tally(100, (98, 97, 100), 1)
    assert part(0, 30) + part(30, 100) == part(0, 100)


@pytest.mark.parametrize("looks", [(1024, 512), (512,), (0, 1024), (512, 512, 1024)])
def test_err_looks_of_other_trials(looks):
    """Looks that do not rise to the number of trials are refused."""
    with pytest.raises(ModelError, match="looks must rise"):
        judged(np.zeros(1024), looks=looks)


def test_law_shared_confidence():
    """Failing is called at the error rate over the number of tolerances, passing at the whole of it."""
    rule = Sampling(0.95, 50)
    assert rule.fail_confidence == pytest.approx(0.999)
    assert math.isclose(
        decide([Seen(440, 500)], 0.9, rule).lower, decide([Seen(440, 500)], 0.9, Sampling()).lower
    )


@pytest.mark.parametrize("sequential", [True, False])
@pytest.mark.parametrize(("successes", "required"), [(960, 0.95), (940, 0.95), (992, 0.99)])
def test_law_the_trials_named_do_decide(sequential, successes, required):
    """With so many trials, going on as they have, the verdict is made; with half as many it is not."""
    rule = Sampling(sequential=sequential)
    seen = Seen(successes, 1000)
    assert called(seen, required, rule) == "undecided"
    count = trials_to_decide(seen, required, rule)
    share = successes / 1000
    assert called(Seen(round(share * count), count), required, rule) != "undecided"
    assert called(Seen(round(share * count // 2), count // 2), required, rule) == "undecided"
    assert f"(--trials {count})" in more_trials(seen, required, rule)


def test_law_too_close_to_call_is_said():
    """Exactly what is required never comes to be decided."""
    rule = Sampling(sequential=False)
    assert trials_to_decide(Seen(950, 1000), 0.95, rule) is None
    assert more_trials(Seen(950, 1000), 0.95, rule) == "it is too close to call with trials"


def test_law_a_requirement_is_met_at_the_bound_itself():
    """A bound that equals what is required shows it, and does not show the opposite."""
    rule, seen = Sampling(0.95, 1), Seen(58, 59)
    low, high = rule.lower(seen, 0.95), rule.upper(seen, 0.95)
    assert rule.shows_above(seen, low, 0.95)
    assert not rule.shows_above(seen, math.nextafter(low, 1.0), 0.95)
    assert not rule.shows_below(seen, high, 0.95)
    assert rule.shows_below(seen, math.nextafter(high, 1.0), 0.95)


def test_law_a_truth_on_its_limit_is_not_answered_with_millions_of_trials() -> None:
    """What more than a hundred times the usual trials would decide sits on the limit; less is named."""
    rule, open_still, hopeless = Sampling(0.95, 1), Seen(94_970, 100_000), Seen(94_980, 100_000)
    named, more = trials_to_decide(open_still, 0.95, rule), trials_to_decide(hopeless, 0.95, rule)
    assert named is not None
    assert more is not None
    assert named <= HOPELESS < more
    assert f"(--trials {named})" in more_trials(open_still, 0.95, rule)
    assert "sits on the limit" in more_trials(hopeless, 0.95, rule)
    assert "--trials" not in more_trials(hopeless, 0.95, rule)
