"""From trials to a night's cells, to the watch over what is open, and to counts of readings: by hand."""

import math

import numpy as np
import pytest
from made_cases import STEPS, moment, moment_trials, prepared_of, trials_of

from driftgate.judge.cell import counted, decided_by_weights, hurt, points_of
from driftgate.judge.counted import counted_until, share_words
from driftgate.judge.night import Cell, Counted, NightCase, place_words
from driftgate.judge.outcomes import outcomes_of
from driftgate.judge.rare import RareSample
from driftgate.judge.sampling import Sampling
from driftgate.judge.stopping import UNSEEN_CONTACT, Tally, Watch, seen_at, tally
from driftgate.predict.values import Outcome
from driftgate.report.night_words import Placed

RULE = Sampling(0.95, 3)


def run_of(count=100, wide=3, half=40, touched=2):
    """Return moments and what trials came to: x of 2, 8 or 12 mm, y of 6 mm, within 10 and 20 mm."""
    x = np.full(count, 8e-3)
    x[:half], x[count - wide :] = 2e-3, -12e-3
    gate = moment("gate", x="10 mm", y="20 mm", required=0.9, points=3)
    end = moment("end", x="24 mm", required=0.9, points=10, after=("gate",))
    errors = np.stack([x, np.full(count, 6e-3), np.zeros(count)], axis=1)
    touch = np.full(count, -1)
    touch[:touched] = 1
    trials = trials_of(
        [moment_trials(errors), moment_trials(errors)],
        touch_step=touch,
        touch_obstacle=np.where(touch < 0, -1, 0),
    )
    moments = (gate, end)
    return moments, outcomes_of(moments, trials, 15.0)


def test_law_a_run_counted_by_hand():
    """97 of 100 hold, 40 of them with half to spare; what bounds the quantile is the 96th, and x binds."""
    moments, run = run_of()
    gate, end, contact = counted(moments, run, 0.1, RULE)
    assert (gate.name, gate.required, gate.trials, gate.successes, gate.half) == ("gate", 0.9, 100, 97, 40)
    assert (gate.status, gate.axis) == ("pass", "x")
    # Clopper and Pearson, 96 of 100 show 0.9 at 95 %, 95 do not: the 96th share is 8 of 10 mm.
    assert gate.used == pytest.approx(0.8, rel=1e-12)
    assert gate.share == 0.97
    assert (end.successes, end.half) == (97, 97)  # 12 of 24 mm is half; three missed the gate
    assert end.used == pytest.approx(8 / 24, rel=1e-12)
    assert (contact.name, contact.trials, contact.successes, contact.half) == ("contact", 100, 98, 98)
    assert contact.required == pytest.approx(0.9, rel=1e-12)
    assert (contact.status, contact.used, contact.axis) == ("pass", None, "")
    assert points_of(moments, run) == pytest.approx(13 * 0.97, rel=1e-12)


def test_law_the_share_used_is_that_of_one_trial():
    """Shares in no order, all different on each axis: the 96th of 100 bounds what 90 % keep at 95 %."""
    x = np.random.default_rng(3).permutation(np.arange(1, 101)) * 1e-5
    end = moment("end", x="10 mm", y="1 mm", required=0.9)
    errors = np.stack([x, 1e-4 - 0.5 * x / 10, np.zeros(100)], axis=1)
    run = outcomes_of((end,), trials_of([moment_trials(errors)]), 15.0)
    found = counted((end,), run, 0.1, RULE)[0]
    assert RULE.rank(100, 0.9) == 96
    # Trial i uses 0.001 i of x and 0.1 - 0.0005 i of y; the larger of both: 0.1, 0.0995, twice 0.099, 0.0985.
    # Alone, the 96th is 0.096 on x and 0.0975 on y.
    assert found.used == pytest.approx(0.0985, rel=1e-12)
    assert found.axis == "y"


@pytest.mark.parametrize("seed", [9, 152, 242])
def test_law_the_axis_that_binds_is_that_of_the_larger_rank(seed):
    """Shares of x in no order, the 1823rd of 2000 bounds; one share of y, just below it and just above."""
    x = np.random.default_rng(seed).permutation(np.arange(1, 2001)) * 5e-6
    end = moment("end", x="10 mm", y="10 mm", required=0.9)
    assert RULE.rank(2000, 0.9) == 1823
    for y, axis in ((1822.5 * 5e-6, "x"), (1823.5 * 5e-6, "y")):
        errors = np.stack([x, np.full(2000, y), np.zeros(2000)], axis=1)
        run = outcomes_of((end,), trials_of([moment_trials(errors)]), 15.0)
        assert counted((end,), run, 0.1, RULE)[0].axis == axis


def test_law_the_lower_bound_of_a_cell_is_one_sided():
    """Of 97 and 98 in 100 the bounds leave 5 % beyond below, and a third of 5 % beyond above."""
    from scipy.stats import binom

    moments, run = run_of()
    gate, _, contact = counted(moments, run, 0.1, RULE)
    assert binom.sf(96, 100, gate.lower) == pytest.approx(0.05, rel=1e-6)
    assert binom.cdf(97, 100, gate.upper) == pytest.approx(0.05 / 3, rel=1e-6)
    strict = counted(moments, run, 0.0, RULE)[-1]
    for one in (contact, strict):
        assert binom.sf(97, 100, one.lower) == pytest.approx(0.05, rel=1e-6)
        assert binom.cdf(98, 100, one.upper) == pytest.approx(0.05 / 3, rel=1e-6)


def test_law_where_no_contact_is_allowed_one_touch_fails():
    """No touch passes, one fails; the requirement is certainty."""
    moments, run = run_of(touched=1)
    contact = counted(moments, run, 0.0, RULE)[-1]
    assert (contact.status, contact.required, contact.successes) == ("fail", 1.0, 99)
    assert counted(moments, run_of(touched=0)[1], 0.0, RULE)[-1].status == "pass"


def test_law_too_few_trials_bound_no_share():
    """28 trials cannot show 90 %: no share is stated, and the axis is that of the worst trial."""
    moments, run = run_of(count=28, wide=1, half=10, touched=0)
    gate = counted(moments, run, 0.1, RULE)[0]
    assert (gate.status, gate.used, gate.axis) == ("undecided", None, "x")
    # Six of 100 outside: the 96th share is that of a failure, 12 of 10 mm.
    assert counted(*run_of(wide=6), 0.1, RULE)[0].used == pytest.approx(1.2, rel=1e-12)


def test_law_how_badly_trials_end():
    """The largest share over the moments; a touch, and a miss for no distance, count as ten tolerances."""
    _, run = run_of(count=10, wide=2, half=3, touched=1)
    # 2 mm: y uses 6 of 20 mm; 8 of 10; 12 of 10 at the gate, and then the end is missed for no distance.
    assert hurt(run) == pytest.approx([10.0, 0.3, 0.3, 0.8, 0.8, 0.8, 0.8, 0.8, 10.0, 10.0], rel=1e-12)


def one(name="gate", status="pass", trials=100, successes=97, used=0.5, required=0.9):
    """Return one tolerance of a night."""
    return Counted(name, required, trials, successes, 40, status, 0.9, 0.99, used, "x")


def cell(*tolerances, fault=""):
    """Return a cell."""
    return Cell(fault, "", "", 1, 100, 93, 1.0, tolerances)


def case(*cells):
    """Return a routine on a field."""
    return NightCase("r.yaml", "R", "bot.yaml", "map.yaml", "hall.yaml", "as drawn", (), cells)


def test_law_a_cell_is_as_good_as_its_worst():
    """The worst status, the largest share used without contact's, none where one is unknown."""
    found = cell(one(used=0.4), one("end", used=0.7), one("contact", "undecided", used=None))
    assert (found.status, found.used, found.share) == ("undecided", 0.7, 0.93)
    assert cell(one(), one("end", used=None)).used is None
    assert cell(one("contact", used=None)).used is None
    assert cell(one(status="fail"), one("end", "undecided")).status == "fail"


def test_law_what_a_fault_does():
    """It breaks what did not fail before; what failed already cannot be broken."""
    fine, failing = cell(one(), one("end")), cell(one(status="fail"), one("end"))
    broken = cell(one(), one("end", "fail"), fault="f")
    assert case(fine, broken).effect(broken) == "breaks"
    assert case(failing, broken).effect(broken) == "breaks"
    same = cell(one(status="fail"), one("end"), fault="f")
    assert case(failing, same).effect(same) == "already fails"
    assert case(fine, same).effect(same) == "breaks"
    leaves_open = cell(one(), one("end", "undecided"), fault="f")
    assert case(fine, leaves_open).effect(leaves_open) == "open"
    assert case(failing, leaves_open).effect(leaves_open) == "already fails"
    assert case(fine, cell(one(), fault="f")).effect(cell(one(), fault="f")) == "survives"
    assert case(failing, broken).already == {"gate"}
    assert case(broken).already == frozenset()
    assert case(broken, fine).as_it_is is fine
    assert case(broken).as_it_is is None


def test_law_what_breaks_first():
    """The first in time that does not pass and did not fail before; contact where it makes half of it."""
    gate, contact = one(status="fail", successes=80), one("contact", "fail", successes=90)
    found = case(cell(one(), one("end"), one("contact")))
    assert found.breaks_first(cell(gate, one("end", "fail"))) == "gate"
    assert found.breaks_first(cell(one(), one("end", "undecided"))) == "end"
    assert found.breaks_first(cell(one())) == ""
    # Reports name it only beside the verdict that it breaks.
    assert Placed(found, cell(gate, one("end", "fail"))).breaks_first == "gate"
    assert Placed(found, cell(one(), one("end", "undecided"))).breaks_first == ""
    assert found.breaks_first(cell(gate, contact)) == "contact"  # 10 touches, 20 misses
    assert found.breaks_first(cell(gate, one("contact", "fail", successes=91))) == "gate"  # 9
    already = case(cell(one(status="fail"), one("end")))
    assert already.breaks_first(cell(gate, one("end", "fail"))) == "end"


def test_law_names_of_a_place():
    """Field and side; routine, map, field and side are its key."""
    assert place_words("hall", "mirrored") == "on hall, mirrored"
    assert case().place == "on hall.yaml"
    assert case().key == ("r.yaml", "map.yaml", "hall.yaml", "as drawn")


def test_law_weights_decide_what_plain_trials_cannot():
    """Where no contact is allowed a touch of either kind fails; counts stay those of the plain trials."""
    sample = RareSample(np.array([0.2, 0.4, 1.5]), np.array([1.0, 0.5, 0.01]))
    strict = one("contact", "pass", required=1.0, used=None)
    assert decided_by_weights(strict, sample, "fail", 1.25, RULE).status == "fail"
    failed = one("contact", "fail", required=1.0, used=None)
    assert decided_by_weights(failed, sample, "pass", 1.25, RULE) is failed
    found = decided_by_weights(one(required=0.9999), sample, "undecided", 1.25, Sampling(0.95, 1, True))
    assert (found.status, found.successes, found.used) == ("undecided", 97, None)
    assert found.lower < 0.9999 <= found.upper


def test_law_readings_up_to_a_step():
    """Shares of those at the gate, of those taken, of those that listened, and where most of them were."""
    counts = np.zeros((2, STEPS, len(Outcome)), np.int64)
    counts[0, 0, Outcome.ACCEPTED], counts[1, 1, Outcome.ACCEPTED], counts[0, 3, Outcome.ACCEPTED] = 5, 3, 100
    counts[0, 0, Outcome.GATE], counts[1, 2, Outcome.GATE] = 1, 3
    counts[0, 1, Outcome.HELD_BACK], counts[1, 1, Outcome.NO_ECHO] = 4, 4
    wrong = np.zeros((2, STEPS), np.int64)
    wrong[0, 0], wrong[1, 1], wrong[1, 3] = 1, 3, 50
    trials = trials_of([moment_trials(np.zeros((2, 3)))], counts=counts, wrong=wrong)
    found = counted_until(trials, 2)
    assert (found.accepted, found.wrong_step, found.gate_step) == (8, 1, 2)
    assert found.wrong_share == pytest.approx(4 / 8)
    assert found.gate_share == pytest.approx(4 / 16)  # taken 8, refused 4, held back 4
    assert found.no_echo_share == pytest.approx(4 / 20)
    assert counted_until(trials, 1).gate_step == 0
    assert counted_until(trials, 3).wrong_step == 3


def test_law_no_readings_make_no_share():
    """A single taken reading is whole, none is nothing."""
    counts = np.zeros((1, STEPS, len(Outcome)), np.int64)
    none = counted_until(trials_of([moment_trials(np.zeros((2, 3)))], counts=counts), 0)
    assert (none.wrong_share, none.gate_share, none.no_echo_share) == (0.0, 0.0, 0.0)
    for outcome, shares in (
        (Outcome.ACCEPTED, (1.0, 0.0, 0.0)),
        (Outcome.GATE, (0.0, 1.0, 0.0)),
        (Outcome.NO_ECHO, (0.0, 0.0, 1.0)),
    ):
        once = counts.copy()
        once[0, 0, outcome] = 1
        wrong = np.zeros((1, STEPS), np.int64)
        wrong[0, 0] = outcome == Outcome.ACCEPTED
        found = counted_until(trials_of([moment_trials(np.zeros((2, 3)))], counts=once, wrong=wrong), 0)
        assert (found.wrong_share, found.gate_share, found.no_echo_share) == shares


def test_law_shares_in_words():
    """In per cent, one digit unless said otherwise."""
    assert share_words(0.0314) == "3.1 %"
    assert share_words(0.0314, 2) == "3.14 %"
    assert share_words(1.0, 0) == "100 %"


def test_law_tallies_add_up():
    """Trials, successes by moment and touches."""
    moments, _ = run_of()
    errors = [moment_trials([(0, 0, 0), (11e-3, 0, 0), (0, 0, 0)])] * 2
    trials = trials_of(errors, touch_step=[-1, 0, 3], touch_obstacle=[-1, 0, 0])
    found = tally(prepared_of(moments), trials)
    assert found == Tally(3, (2, 2), 2)
    assert found + Tally(5, (1, 4), 1) == Tally(8, (3, 6), 3)


def test_law_what_looks_see():
    """Each look counts from the first trial on."""
    seen = seen_at(np.array([True, False, True, True, False]), (2, 4, 5))
    assert [(s.successes, s.trials) for s in seen] == [(1, 2), (3, 4), (3, 5)]


def watch(allowed=0.0, required=(0.9, 0.9)):
    """Return a watch over two moments and contact."""
    moments = [moment(f"m{i}", required=r) for i, r in enumerate(required)]
    return Watch(prepared_of(moments, contact_allowed=allowed), Sampling(0.95, 3, True))


def test_law_a_watch_ends_when_everything_is_decided():
    """Moments that pass early wait for contact to be rare enough: 1919 trials without a touch."""
    assert UNSEEN_CONTACT == 0.002
    assert not watch().look(Tally(1918, (1918, 1918), 0))
    assert watch().look(Tally(1919, (1919, 1919), 0))
    # A touch decides, where none is allowed; so does a failure.
    assert watch().look(Tally(1000, (1000, 1000), 1))
    assert watch().look(Tally(1000, (1000, 500), 0))
    assert not watch().look(Tally(1000, (1000, 900), 0))


def test_law_a_watch_remembers_what_is_decided():
    """A moment that has passed is not asked again, and a failure stays one."""
    found = watch()
    assert not found.look(Tally(1000, (1000, 900), 0))
    assert not found.look(Tally(1500, (1350, 1500), 0))  # the first would be open now, but is decided
    assert found.look(Tally(1919, (1727, 1919), 0))
    failed = watch()
    assert not failed.look(Tally(1000, (500, 900), 0))
    assert failed.look(Tally(1500, (1350, 1500), 0))


def test_law_contact_that_is_allowed_is_watched_like_the_rest():
    """100 touches of 1000 leave 10 % open, 10 do not."""
    assert not watch(allowed=0.1).look(Tally(1000, (1000, 1000), 100))
    assert watch(allowed=0.1).look(Tally(1000, (1000, 1000), 10))
    assert watch(allowed=0.1).look(Tally(1000, (1000, 1000), 400))


def test_law_no_number_uses_more_than_any_tolerance():
    """An error that is no number ends in a share that is finite and large."""
    moments = (moment("end", x="10 mm"),)
    run = outcomes_of(moments, trials_of([moment_trials([(math.inf, 0, 0), (5e-3, 0, 0)])]), 15.0)
    assert run.moments[0].used.tolist() == [1e6, 0.5]
    assert run.moments[0].success.tolist() == [False, True]
    assert run.trials == 2
