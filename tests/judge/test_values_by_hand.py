"""Small judgements: codes, words, quantiles, orders and sums, each worked out beside it."""

import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pytest
from made_cases import covariance_of, moment, moment_trials, prepared_of, trials_of

from driftgate.judge.blame import KNOWN, RANDOM
from driftgate.judge.filter_numbers import NUMBERS, value_of
from driftgate.judge.paired_values import Change, Difference, ErrorChange
from driftgate.judge.rare import RareSample, join_samples, rare_verdict
from driftgate.judge.sampling import Sampling
from driftgate.judge.story import _LONG_RUN, StoryReading, _events, _parts, _point, _readings
from driftgate.judge.value_words import UNITS, value_words
from driftgate.judge.values import Estimate, MomentVerdict, VarianceShares, worst
from driftgate.judge.variance import mean_along, variance_along, variance_shares
from driftgate.judge.verdict import judge_case
from driftgate.judge.weighted import (
    fewest_weighted_trials,
    log_evidence_below,
    weighted_lower_bound,
    weighted_upper_bound,
)
from driftgate.predict.constants import SensorConstants
from driftgate.predict.filter_model import FilterModel
from driftgate.predict.values import Outcome, SourceInfo
from driftgate.report.digits import otherwise_words
from driftgate.schema.correction import FilterNumbers
from driftgate.schema.routine import Tolerance


def verdict(**more):
    """Return a verdict on 100 trials, half of which fail."""
    fields = {f.name: None for f in dataclasses.fields(MomentVerdict)}
    known = {
        "status": "fail",
        "required": 0.9999,
        "estimate": Estimate(50, 100, 0.5, 0.0, 1.0),
        "late": 0,
        "outside": 50,
        "touched": 0,
        "missed_before": 0,
        "axes": (),
        "binding": "x",
    }
    return MomentVerdict(**{**fields, **known, **more})


def shares(guessed):
    """Return shares of a variance, some of it guessed."""
    return VarianceShares(1e-3, guessed, 0.0, ())


def test_law_the_worst_status():
    """Failing before open before passing; nothing passes."""
    assert worst(["pass", "undecided", "fail", "pass"]) == "fail"
    assert worst(["pass", "undecided"]) == "undecided"
    assert worst(["pass"]) == worst([]) == "pass"


def test_law_codes_of_a_verdict():
    """Failing, open, mostly late, and resting on guesses; each from both sides."""
    assert verdict().codes == ("DG401",)
    assert verdict(status="undecided").codes == ("DG402",)
    assert verdict(status="pass").codes == ()
    assert verdict(late=26, outside=25).codes == ("DG404",)
    assert verdict(late=25, outside=25).codes == ("DG401",)
    assert verdict(late=26, outside=26).codes == ("DG401",)
    assert verdict(late=26, outside=25, status="undecided").codes == ("DG402",)
    assert verdict(status="pass", variance=shares(0.51)).codes == ("DG406",)
    assert verdict(status="pass", variance=shares(0.5)).codes == ()
    assert verdict(variance=shares(0.9)).codes == ("DG401", "DG406")


def test_law_trials_that_fail_otherwise():
    """Those that fail inside; a trial may count under several reasons."""
    assert verdict(outside=30).otherwise == 20
    assert verdict(outside=60).otherwise == 0


def test_law_variances_along_axes():
    """Along 30 degrees: 3/4, 1/4 and twice the root of 3/16 of the correlation; radially both, without it."""
    cov = np.array([[4.0, 1.0, 0.0], [1.0, 9.0, 0.0], [0.0, 0.0, 25.0]])
    turn = math.pi / 6
    root = 2.0 * math.sqrt(3.0) / 4.0
    assert variance_along(cov, "along", turn) == pytest.approx(3.0 + 2.25 + root, rel=1e-12)
    assert variance_along(cov, "across", turn) == pytest.approx(1.0 + 6.75 - root, rel=1e-12)
    assert [variance_along(cov, a, turn) for a in ("x", "y", "radial", "heading")] == [4, 9, 13, 25]
    mean = np.array([3.0, -4.0, 0.5])
    assert mean_along(mean, "along", turn) == pytest.approx(3.0 * math.sqrt(0.75) - 2.0, rel=1e-12)
    assert mean_along(mean, "across", turn) == pytest.approx(-4.0 * math.sqrt(0.75) - 1.5, rel=1e-12)
    assert [mean_along(mean, a, turn) for a in ("x", "y", "radial", "heading")] == [3, -4, 5, 0.5]


def test_law_shares_of_a_variance():
    """Largest first, of equals in alphabetical order; what the table does not know is a guess."""
    parts = {
        "wall_build": np.diag([1.0, 0, 0]),
        "a_b": np.diag([1.0, 0, 0]),
        "heading_bias": np.diag([2.0, 5, 0]),
    }
    at = covariance_of(1, by_source=parts).moments[0]
    sources = (SourceInfo("heading_bias", "heading bias", "measured", "run"),)
    found = variance_shares(at, sources, "x", 0.0)
    assert [(s.name, s.title, s.basis, s.share) for s in found.sources] == [
        ("heading_bias", "heading bias", "measured", 0.5),
        ("a_b", "a b", "guess", 0.25),
        ("wall_build", "wall build", "guess", 0.25),
    ]
    assert found.sd == 2.0
    assert (found.guessed, found.between_fields) == (0.5, 0.25)
    assert variance_shares(at, sources, "heading", 0.0) is None


DEGREE = math.pi / 180.0


def test_law_units_of_values():
    """A value of one of the unit is so much in SI."""
    sizes = dict(UNITS.values())
    assert sizes["mm"] == sizes["mm/sqrt(m)"] == sizes["mm/rad"] == 1e-3
    for unit in ("deg", "deg/s", "deg/s^2", "deg/sqrt(m)", "deg/sqrt(s)", "deg/sqrt(rad)"):
        assert sizes[unit] == pytest.approx(0.017453292519943295, rel=1e-15), unit
    assert sizes["%"] == 0.01
    assert {sizes[u] for u in ("s", "m/s", "Hz", "1/m", "m/s^2", "kg")} == {1.0}
    within = Tolerance.model_validate({"x": "12.5 mm", "heading": "2 deg"})
    assert (value_words(within, "x"), value_words(within, "heading")) == ("12.5 mm", "2 deg")
    assert value_words(within, "y") == "none"


def change(visible, errors_visible, steady=False, same=False, word="worse", success_high=-0.02):
    """Return a change of success and of margin."""
    used = Difference(0.1, 0.1 if steady else 0.05, 0.1 if steady else 0.15)
    errors = ErrorChange("x", 0, 0, None, 0, 0, 0, 0, used, errors_visible)
    success = Difference(-0.1, -0.2, success_high)
    return Change("end", word, 100, 3, 1, 0.9, 0.8, success, 0.01, visible, errors, same)


def test_law_what_a_comparison_is_blind_to():
    """The larger of both; unknown where one is; of success alone where the errors say nothing."""
    assert change(0.02, 0.03).blind_to == 0.03
    assert change(0.04, 0.03).blind_to == 0.04
    assert change(None, 0.03).blind_to is None
    assert change(0.02, None).blind_to is None
    assert change(0.02, 0.03, steady=True).blind_to == 0.02
    assert change(0.02, 0.03, same=True).blind_to == 0.02
    assert dataclasses.replace(change(0.02, 0.03), errors=None).blind_to == 0.02


def test_law_what_loss_is_shown():
    """The larger of what success and margin surely lose; none unless it is worse."""
    assert change(0.0, 0.0).shown_loss == 0.05
    assert change(0.0, 0.0, success_high=-0.07).shown_loss == 0.07
    assert change(0.0, 0.0, word="better").shown_loss == 0.0


RULE = Sampling(0.95, 2, sequential=True)
LARGEST = 1.25


def sample(count, failing=(), share=1.5):
    """Return a sample that fails with these weights."""
    used, weights = np.full(count, 0.5), np.full(count, 1.0)
    used[: len(failing)], weights[: len(failing)] = share, failing
    return RareSample(used, weights)


def test_law_a_verdict_by_weighted_trials():
    """Share and bounds are of the weights, two-sided at 95 %, and the margin is what is left of the limit."""
    weights = np.array([1.0] * 20 + [0.5] * 20)
    found = rare_verdict(verdict(), sample(100_000, weights), "fail", LARGEST, RULE)
    assert (found.status, found.decided_at, found.note) == ("fail", 100_000, "")
    assert (found.estimate.successes, found.estimate.trials) == (99_960, 100_000)
    assert found.estimate.probability == pytest.approx(1.0 - 30 / 100_000, rel=1e-12)
    upper = weighted_upper_bound(weights, 100_000, LARGEST, 0.975)
    lower = weighted_lower_bound(weights, 100_000, LARGEST, 0.975)
    assert (found.estimate.low, found.estimate.high) == pytest.approx((1.0 - upper, 1.0 - lower), rel=1e-12)
    assert lower < 30 / 100_000 < upper
    assert found.lower == pytest.approx(1.0 - weighted_upper_bound(weights, 100_000, LARGEST, 0.95), rel=1e-9)
    assert found.upper == pytest.approx(
        1.0 - weighted_lower_bound(weights, 100_000, LARGEST, RULE.fail_confidence), rel=1e-9
    )
    assert (found.used, found.margin) == (1.5, -0.5)
    assert (found.tilted.trials, found.tilted.failed) == (100_000, 40)
    assert found.tilted.probability == pytest.approx(30 / 100_000, rel=1e-12)
    few = rare_verdict(verdict(), sample(1000), "undecided", LARGEST, RULE)
    assert (few.decided_at, few.used, few.margin) == (None, None, None)
    fewest = fewest_weighted_trials(1e-4, LARGEST, 0.95)
    assert few.note.endswith(f"at least {fewest} are needed (--trials {fewest})")
    enough = rare_verdict(verdict(), sample(fewest, [1.0] * 5), "undecided", LARGEST, RULE)
    assert enough.note == f"{fewest} weighted trials leave it open: run more trials"


def test_law_weighted_trials_that_fail_though_inside_count_by_weight():
    """A thousand of 100 000 that touch at a weight of 0.001 are 0.001 %, not 1 %; the error is the pose's."""
    used, weights, pose = np.full(100_000, 0.5), np.ones(100_000), np.full(100_000, 0.5)
    used[:1000], weights[:1000] = np.inf, 1e-3
    used[1000], pose[1000] = 1.5, 1.5  # outside: no other reason
    found = rare_verdict(verdict(), RareSample(used, weights, pose), "pass", LARGEST, RULE)
    assert found.tilted.otherwise == pytest.approx(1e-5, rel=1e-12)
    assert found.otherwise == pytest.approx(1.0, rel=1e-12)
    assert found.tilted.probability == pytest.approx(2e-5, rel=1e-12)
    # A tenth of what is allowed is told, with its true share.
    assert otherwise_words(found) == "failed for other reasons in 0.001 %"
    few = dataclasses.replace(found, tilted=dataclasses.replace(found.tilted, otherwise=9e-6))
    assert otherwise_words(few) == ""
    # Ten poses as far out as the tolerance may be left more often use no more than it.
    assert found.error_used == 0.5
    assert found.error_used <= found.used


def test_law_what_weighted_trials_fail_of_counts_by_weight():
    """Late or outside is told of the trials that decide, by weight, whatever plain ones beside them did."""
    used, weights, pose = np.full(10_000, 0.5), np.ones(10_000), np.full(10_000, 0.5)
    late = np.zeros(10_000, bool)
    used[:30], late[:30] = np.inf, True  # late, of full weight
    used[30:130], pose[30:130], weights[30:130] = 1.5, 1.5, 0.1  # outside: more of them, of less weight
    sample = RareSample(used, weights, pose, late)
    plain = verdict(late=0, outside=50)
    found = rare_verdict(plain, sample, "fail", LARGEST, RULE)
    assert (plain.codes, found.codes) == (("DG401",), ("DG404",))
    assert (found.tilted.late, found.tilted.outside) == pytest.approx((30e-4, 10e-4), rel=1e-12)
    # As much outside as late, and the time limit is not what to look at first.
    weights[30:130] = 0.31
    mixed = rare_verdict(verdict(late=50, outside=0), sample, "fail", LARGEST, RULE)
    assert mixed.codes == ("DG401",)
    # What fails for another reason is not late.
    late[:30] = False
    assert rare_verdict(plain, sample, "fail", LARGEST, RULE).tilted.late == 0.0


def test_law_samples_are_joined_with_their_errors():
    """In order; without one of them there is none."""
    one, two = (
        RareSample(np.array([a]), np.ones(1), np.array([a]), np.array([a > 0.15])) for a in (0.1, 0.2)
    )
    assert join_samples([one, two]).error.tolist() == [0.1, 0.2]
    assert join_samples([one, two]).late.tolist() == [False, True]
    assert join_samples([one, dataclasses.replace(two, error=None)]).error is None
    assert join_samples([dataclasses.replace(one, late=None), two]).late is None


def test_law_the_fewest_weighted_trials_are_the_fewest():
    """With none that fails they show it, and one fewer do not."""
    fewest = fewest_weighted_trials(1e-4, LARGEST, 0.95)
    none, mean, limit = np.zeros(0), 1e-4 / LARGEST, -math.log(0.05)
    assert isinstance(fewest, int)
    assert log_evidence_below(none, fewest, mean) >= limit
    assert log_evidence_below(none, fewest - 1, mean) < limit


def test_law_parts_of_an_error_and_what_is_behind_them():
    """Constants of the source that make something, the largest first, of equals in alphabetical order."""
    constants = tuple(
        SimpleNamespace(source=source, key=key)
        for source, key in (
            ("walls", "w:b"),
            ("walls", "w:a"),
            ("walls", "w:c"),
            ("walls", "w:d"),
            ("gyro", "g"),
        )
    )
    finder = SimpleNamespace(
        replay=SimpleNamespace(
            drawn=lambda: np.array([[9, 1.0], [9, -2.0], [9, 3.0], [9, 4.0], [9, 5.0]]),
            table=SimpleNamespace(constants=constants),
        ),
        prepared=SimpleNamespace(case=SimpleNamespace(true=1, believed=1)),
    )
    found = SimpleNamespace(
        by_constant=(2.0, -2.0, 0.0, 3.0, 7.0),
        ranked=lambda: [("gyro", 7.0), ("walls", 3.0), (RANDOM, 1.0), (KNOWN, -0.5)],
    )
    rows = _parts(finder, found, 1)
    assert [(row.title, row.part, row.random) for row in rows] == [
        ("gyro", 7.0, False),
        ("walls", 3.0, False),
        ("random walk and readings", 1.0, True),
        ("known offsets", -0.5, False),
    ]
    assert rows[1].drawn == (("w:d", 4.0), ("w:a", -2.0), ("w:b", 1.0))
    assert rows[2].drawn == ()


def test_law_readings_of_a_story():
    """Only what was tried, each with its time, its step, what a pair made of it, and its move."""
    clock_s = np.array([0.0, 0.5, 1.0, 1.5])
    sensors = [SimpleNamespace(id="a"), SimpleNamespace(id="b")]
    readings = SimpleNamespace(knot=np.array([1, 3, 2]), step=np.array([0, 2, 1]), sensor=np.array([0, 1, 0]))
    record = SimpleNamespace(
        outcome=np.array([[int(Outcome.ACCEPTED)], [-1], [int(Outcome.GATE)]]),
        move=np.array([[[3e-3], [4e-3], [0.1]], [[0.0]] * 3, [[0.0]] * 3]),
        innovation_m=np.array([[0.01], [0.02], [0.03]]),
        predicted_m=np.array([[0.1], [0.2], [0.3]]),
        of_pair=np.array([[1], [0], [2]]),
    )
    finder = SimpleNamespace(
        prepared=SimpleNamespace(
            plan=SimpleNamespace(timeline=SimpleNamespace(time_s=clock_s, readings=readings)),
            case=SimpleNamespace(robot=SimpleNamespace(sensors=sensors)),
        ),
        replay=SimpleNamespace(record=record),
        mishaps=SimpleNamespace(
            expected_name=lambda r, t: f"e{r}", origin_name=lambda r, t: f"o{r}", right=np.array([[True]] * 3)
        ),
    )
    first, last = _readings(finder, 0)
    assert (first.time_s, first.sensor, first.step, first.expected, first.origin) == (0.5, "a", 0, "e0", "o0")
    assert (first.outcome, first.of_pair, first.innovation_m) == (Outcome.ACCEPTED, "difference", 0.01)
    assert (first.moved_m, first.turned_rad) == pytest.approx((5e-3, 0.1), rel=1e-12)
    assert (last.time_s, last.outcome, last.of_pair, last.predicted_m) == (1.0, Outcome.GATE, "mean", 0.3)


def judged(errors, touched=0, allowed=0.0, **within):
    """Return the verdict on one moment."""
    errors = np.asarray(errors, float)
    touch = np.where(np.arange(len(errors)) < touched, 1, -1)
    trials = trials_of([moment_trials(errors)], touch_step=touch, touch_obstacle=np.where(touch < 0, -1, 0))
    prepared = prepared_of([moment("end", required=0.9, **within)], contact_allowed=allowed)
    prepared.plan.timeline.first_tick = np.zeros(5, int)
    prepared.case.true = prepared.case.believed = None
    return judge_case(prepared, covariance_of(1), trials)


def test_law_axes_of_a_verdict_by_hand():
    """Errors of 1 to 100 hundredths of a millimetre: mean, spread, quantiles, and what binds."""
    x = np.random.default_rng(5).permutation(np.arange(1, 101)) * 1e-5
    found = judged(np.stack([x, -2 * x, 0 * x], axis=1), x="10 mm", y="25 mm").moments[0]
    on_x, on_y = found.axes
    assert (on_x.mean, on_y.mean) == pytest.approx((50.5e-5, -101e-5), rel=1e-12)
    # The variance of 1 to n is (n² - 1) / 12, with the divisor n - 1 it is n (n + 1) / 12.
    assert on_x.sd == pytest.approx(math.sqrt(100 * 101 / 12) * 1e-5, rel=1e-12)
    assert (on_x.abs_50, on_x.abs_95, on_x.abs_99) == pytest.approx((50e-5, 95e-5, 99e-5), rel=1e-12)
    # 96 successes of 100 show 90 %: the 96th on x uses 0.096, on y 1.92 of 25 mm.
    assert (on_x.used, on_y.used) == pytest.approx((0.096, 0.0768), rel=1e-12)
    assert (found.binding, found.used, found.margin) == ("x", pytest.approx(0.096), pytest.approx(0.904))
    assert (on_x.outside, on_y.outside) == (0, 0)


def test_law_the_axis_that_binds_with_too_few_trials_is_that_of_the_worst():
    """Ten trials bound no quantile: one wild trial on x outweighs more of y in all the others."""
    errors = np.array([(1e-3, 5e-3, 0.0)] * 9 + [(9e-3, 5e-3, 0.0)])
    found = judged(errors, x="10 mm", y="10 mm").moments[0]
    assert (found.used, found.binding) == (None, "x")
    equal = judged(np.array([(1e-3, 5e-3, 0.0)] * 9 + [(5e-3, 5e-3, 0.0)]), x="10 mm", y="10 mm").moments[0]
    assert equal.binding == "y"


def test_law_bounds_of_contact_lie_on_the_side_of_the_verdict():
    """Two touches of 100, where 10 % are allowed and where 1 % is; bounds by Clopper and Pearson."""
    from scipy.stats import binom

    errors = np.zeros((100, 3))
    passed = judged(errors, 2, 0.1, x="10 mm").contact
    assert passed.status == "pass"
    assert binom.cdf(2, 100, passed.upper) == pytest.approx(0.05, rel=1e-6)
    assert passed.lower < 0.02 < passed.upper <= 0.1
    assert binom.sf(1, 100, passed.lower) == pytest.approx(0.05, rel=1e-6)
    open_ = judged(errors, 2, 0.01, x="10 mm").contact
    assert open_.status == "undecided"
    assert open_.lower <= 0.01 < open_.upper
    failed = judged(errors, 30, 0.01, x="10 mm").contact
    assert failed.status == "fail"
    assert 0.01 < failed.lower < 0.3 < failed.upper


def read(outcome, origin="pot", step=0, sensor="a", moved_m=0.0, right=False, time_s=0.0):
    """Return a reading of the wall, of which nothing else is known."""
    return StoryReading(
        time_s=time_s,
        sensor=sensor,
        step=step,
        expected="wall",
        origin=origin,
        right=right,
        outcome=outcome,
        innovation_m=0.0,
        predicted_m=1.0,
        of_pair="",
        moved_m=moved_m,
        turned_rad=0.0,
    )


def test_law_events_are_runs_of_one_kind():
    """Wrong ones in a row of one origin and step are one event, the largest move first; then refusals."""
    taken, gate = Outcome.ACCEPTED, Outcome.GATE
    readings = (
        read(taken, moved_m=1e-3, time_s=1.0),
        read(taken, moved_m=2e-3, time_s=1.1),
        read(taken, "bench", moved_m=4e-3, time_s=1.2),
        read(taken, "bench", step=1, moved_m=1e-3, time_s=1.3),
        read(taken, right=True, time_s=1.4),
        read(taken, "bench", step=1, moved_m=2e-3, time_s=1.5),
        *(read(gate, sensor="b", time_s=2.0) for _ in range(_LONG_RUN)),
        read(taken, sensor="b", right=True, time_s=2.1),
        *(read(gate, sensor="b", time_s=3.0) for _ in range(_LONG_RUN + 1)),
        read(taken, sensor="b", right=True, time_s=3.1),
        *(read(gate, sensor="b", time_s=4.0) for _ in range(_LONG_RUN - 1)),
    )
    found = _events(readings)
    assert [(e.kind, len(e.readings), e.readings[0].time_s) for e in found] == [
        ("wrong", 1, 1.2),
        ("wrong", 2, 1.0),
        ("wrong", 1, 1.5),
        ("wrong", 1, 1.3),
        ("refused", _LONG_RUN + 1, 3.0),
        ("refused", _LONG_RUN, 2.0),
    ]


def test_law_a_moment_without_a_tolerance_on_the_pose():
    """Its axis is empty and its error nothing; the tightest axis otherwise."""
    axis = SimpleNamespace(
        limit=SimpleNamespace(axis="y"), error=np.array([0.1, -0.2]), share=np.array([0.5, 2.0])
    )
    rest = {
        "joint": np.array([0.5, 2.0]),
        "touched": np.array([False, True]),
        "late": np.array([True, False]),
    }
    finder = SimpleNamespace(
        prepared=SimpleNamespace(
            moments=[SimpleNamespace(name="a", step=3), SimpleNamespace(name="b", step=4)]
        ),
        shares=[SimpleNamespace(axes=(), **rest), SimpleNamespace(axes=(axis,), **rest)],
        success=[np.array([True, False]), np.array([True, False])],
        replay=SimpleNamespace(
            trials=SimpleNamespace(moments=[SimpleNamespace(clock_s=np.array([5.0, 6.0]))] * 2)
        ),
    )
    bare, point = _point(finder, 0, 0), _point(finder, 1, 1)
    assert (bare.name, bare.step, bare.axis, bare.error, bare.share) == ("a", 3, "", 0.0, 0.5)
    assert (bare.success, bare.touched, bare.late, bare.clock_s) == (True, False, True, 5.0)
    assert (point.name, point.step, point.axis, point.error, point.share) == ("b", 4, "y", -0.2, 2.0)
    assert (point.success, point.touched, point.late, point.clock_s) == (False, True, False, 6.0)


def test_law_numbers_of_the_filter_as_files_have_them():
    """Each by its key, in the unit that people write; of what sensors have apart, the largest."""
    model = FilterModel(
        start_sd=(1e-3, 2e-3, math.radians(3)),
        along_per_root_m=4e-3,
        across_per_root_m=5e-3,
        heading_per_root_m=math.radians(6),
        heading_per_root_s=math.radians(7),
        heading_per_root_rad=math.radians(8),
        range_at_zero_m=(1e-3, 9e-3),
        range_per_range=(0.10, 0.01),
        wall_m=11e-3,
        wall_tilt_rad=math.radians(12),
        constants=(
            SensorConstants(bias_m=13e-3, scale=0.01, angle_rad=0.0),
            SensorConstants(bias_m=1e-3, scale=0.14, angle_rad=math.radians(15), aside_m=17e-3),
        ),
        constants_hold_m=16.0,
    )
    found = {n.key: (round(value_of(model, n) * n.per_unit, 9), n.unit) for n in NUMBERS}
    assert found == {
        "start_x": (1, "mm"),
        "start_y": (2, "mm"),
        "start_heading": (3, "deg"),
        "along": (4, "mm/sqrt(m)"),
        "across": (5, "mm/sqrt(m)"),
        "heading_per_root_metre": (6, "deg/sqrt(m)"),
        "heading_per_root_second": (7, "deg/sqrt(s)"),
        "heading_per_root_radian": (8, "deg/sqrt(rad)"),
        "range_at_zero": (9, "mm"),
        "range_per_range": (10, "%"),
        "wall": (11, "mm"),
        "wall_tilt": (12, "deg"),
        "range_bias": (13, "mm"),
        "range_scale": (14, "%"),
        "mount_angle": (15, "deg"),
        "mount_aside": (17, "mm"),
        "constants_hold": (16, "m"),
    }
    bare = dataclasses.replace(model, range_at_zero_m=(), range_per_range=(), constants=())
    of_sensors = (
        "range_at_zero",
        "range_per_range",
        "range_bias",
        "range_scale",
        "mount_angle",
        "mount_aside",
    )
    assert [value_of(bare, n) for n in NUMBERS if n.key in of_sensors] == [0.0] * 6
    assert set(found) <= set(FilterNumbers.model_fields)
