"""Verdicts from made distributions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_cases import covariance_of, moment, moment_trials, prepared_of, trials_of

from driftgate.core.errors import ModelError
from driftgate.judge.sampling import Sampling, Seen, decide
from driftgate.judge.verdict import _binding, judge_case
from driftgate.report.digits import used_words
from driftgate.sight.values import DarkInterval

GRUBBS = pytest.mark.evidence(
    source="Grubbs 1964, Rayleigh factors; Abramowitz and Stegun 26.5 (from memory)",
    compares="quantiles on an axis and of the distance, share in R95",
    tolerance="5 standard errors",
)


def on_x(outside, total, **more):
    """Return trials of which so many miss by 20 mm on x and the rest by 5 mm."""
    error = np.zeros((total, 3))
    error[:, 0] = 0.005
    error[:outside, 0] = 0.020
    return moment_trials(error, **more)


def judged(moments, results, **more):
    """Return the verdict on a made case."""
    tolerances, dark = more.pop("tolerances", 1), more.pop("dark", ())
    touch = {k: more.pop(k) for k in ("touch_step", "touch_obstacle", "counts", "wrong") if k in more}
    return judge_case(
        prepared_of(moments, **more),
        covariance_of(len(moments)),
        trials_of(results, **touch),
        tolerances=tolerances,
        dark=dark,
    )


@pytest.mark.evidence(
    source="Wilks 1941",
    compares="sample sizes, orders 1 to 5; a verdict on 298 and 299 trials",
    tolerance="exact",
)
@pytest.mark.parametrize(("outside", "total", "status"), [(0, 299, "pass"), (0, 298, "undecided")])
def test_ref_success_run_passes(outside, total, status):
    """Wilks (1941): 299 trials without a failure show 99 % at 95 %, 298 do not."""
    found = judged([moment("end", required=0.99)], [on_x(outside, total)]).moments[0]
    assert found.status == status


@pytest.mark.evidence(
    source="Bostelman, Hong, Cheok 2015",
    compares="failures allowed at 80 % with 85 % confidence",
    tolerance="exact",
)
@pytest.mark.parametrize(("failures", "status"), [(3, "pass"), (4, "undecided"), (12, "fail")])
def test_ref_vehicle_repetitions(failures, status):
    """Bostelman et al. (2015): 80 % at 85 % confidence passes 3 of 30; many more fail outright."""
    assert decide([Seen(30 - failures, 30)], 0.80, Sampling(0.85)).status == status


def test_law_failing_is_harder_with_more_tolerances():
    """The same count that fails alone is left undecided among a hundred tolerances."""
    end = [moment("end", required=0.90)]
    alone = judged(end, [on_x(66, 500)]).moments[0]
    among = judged(end, [on_x(66, 500)], tolerances=1000).moments[0]

    assert (alone.status, among.status) == ("fail", "undecided")
    assert alone.lower == among.lower


@given(st.integers(0, 400), st.sampled_from([0.5, 0.9, 0.95, 0.99]), st.integers(20, 400))
@settings(max_examples=60, deadline=None)
def test_law_used_agrees_with_verdict(outside, required, total):
    """The share of the tolerance used is at most 1 exactly when the verdict is pass."""
    found = judged([moment("end", required=required)], [on_x(min(outside, total), total)]).moments[0]
    if found.used is None:
        assert found.status != "pass"
    else:
        assert (found.used <= 1.0) == (found.status == "pass")
        assert found.margin == 1.0 - found.used


def test_law_contact_makes_used_infinite():
    """Too many trials that fail by contact use more than any tolerance."""
    touched = np.arange(100) < 50
    found = judged(
        [moment("end")],
        [on_x(0, 100, touched=touched)],
        touch_step=np.where(touched, 2, -1),
        touch_obstacle=np.where(touched, 1, -1),
    )
    assert found.moments[0].status == "fail"
    assert found.moments[0].used == math.inf
    assert found.moments[0].touched == 50
    assert found.contact.status == "fail"
    assert [(p.obstacle, p.step, p.trials) for p in found.contact.places] == [("pot-b", 2, 50)]
    assert "pot-b in step 3 (advance 2 m)" in found.contact.reason
    assert "touched something in 50.0 % of the trials, mostly pot-b in step 3" in found.moments[0].reason


def test_law_contact_does_not_move_the_error():
    """Where a tenth of the trials touch, the error is that of the pose, and contact stands beside it."""
    error = np.zeros((1000, 3))
    error[:, 0] = np.linspace(0.0, 0.0119, 1000)
    touched = np.arange(1000) % 10 == 3
    step = np.where(touched, 2, -1)
    found = judged([moment("end")], [moment_trials(error, touched)], touch_step=step, touch_obstacle=step - 1)
    end, without = found.moments[0], judged([moment("end")], [moment_trials(error)]).moments[0]
    assert end.error_used == without.error_used == without.used
    assert end.error_used == pytest.approx(1.09, abs=0.01)
    assert end.used > end.error_used
    assert end.otherwise == int((touched & (error[:, 0] <= 0.01)).sum())
    assert used_words(end) == f"{used_words(without)}, touched in 10 %"
    assert "touched something in 10.0 % of the trials, mostly pot-b in step 3" in end.reason
    assert "touched" not in without.reason


def radial(x, y, **more):
    """Return the verdict on a radial tolerance of 10 mm; 100 trials with this spread or offset."""
    sign = np.where(np.arange(100) % 2, 1.0, -1.0)
    error = np.zeros((100, 3))
    error[:, 0], error[:, 1] = x(sign), y(sign)
    return judged([moment("end", radial="10 mm")], [moment_trials(error)], **more).moments[0]


DARK = (DarkInterval("x", 0.0, 4.0, 0, 3), DarkInterval("y", 1.0, 4.0, 1, 3))


@pytest.mark.parametrize(
    ("x", "y", "words", "dark"),
    [
        (lambda s: 0.001 * s, lambda s: 0.02 * s, "on average, most of it in y (mean 0.00 mm, spread", "y"),
        (lambda s: 0.02 * s, lambda s: 0.001 * s, "on average, most of it in x (mean 0.00 mm, spread", "x"),
        (
            lambda s: 0.001 * s,
            lambda s: 0.02 + 0.001 * s,
            "most of it a constant offset in y (mean 20.0",
            "y",
        ),
        (lambda s: 0.02 * s, lambda s: -0.02 * s, "in x and y alike", "x"),
    ],
)
def test_law_a_radial_error_has_a_direction(x, y, words, dark):
    """The reason names the axis that the error lies on and what is dark there; a distance has no sign."""
    found = radial(x, y, dark=DARK)
    assert found.reason.startswith("The radial error is 2")
    assert words in found.reason
    assert "mostly spread" not in found.reason
    assert f"No sensor can fix {dark} from" in found.reason


def test_law_one_touch_fails_where_none_is_allowed():
    """With no contact allowed one touching trial fails; with 5 % allowed, one of 400 passes."""
    one = np.where(np.arange(400) == 7, 1, -1)
    touched = one >= 0
    for allowed, status in ((0.0, "fail"), (0.05, "pass"), (0.001, "undecided")):
        found = judged(
            [moment("end")],
            [on_x(0, 400, touched=touched)],
            touch_step=one,
            touch_obstacle=one,
            contact_allowed=allowed,
        )
        assert found.contact.status == status
        assert ("run more trials" in found.contact.reason) == (status == "undecided")


@pytest.mark.evidence(
    source="Clopper and Pearson 1934, k = 0 (derived)",
    compares="the bound without a failure or a touch, never zero",
    tolerance="1e-12 to 1e-5",
)
def test_ref_no_touch_states_its_bound():
    """No contact in 1000 trials still states the bound 0.00299124 (Clopper and Pearson, derived)."""
    found = judged([moment("end")], [on_x(0, 1000)]).contact
    assert found.status == "pass"
    assert found.upper == pytest.approx(0.00299124, abs=1e-8)


def test_law_certainty_is_never_shown():
    """A required 100 % stays undecided without failures, with the reason, and fails with one."""
    none = judged([moment("end", required=1.0)], [on_x(0, 500)]).moments[0]
    one = judged([moment("end", required=1.0)], [on_x(1, 500)]).moments[0]

    assert none.status == "undecided"
    assert "can never be shown" in none.note
    assert one.status == "fail"


def test_law_too_few_trials_say_how_many():
    """Undecided for want of trials names the fewest that could show it."""
    found = judged([moment("end", required=0.99)], [on_x(0, 100)]).moments[0]
    assert found.status == "undecided"
    assert "at least 299" in found.note
    assert found.used is None


def test_law_quantiles_are_values_of_the_sample():
    """50/95/99 % errors are the 50th, 95th and 99th of a hundred sorted sizes."""
    error = np.zeros((100, 3))
    error[:, 0] = np.arange(1, 101) * 1e-3 * np.where(np.arange(100) % 2, 1, -1)
    axis = judged([moment("end", x="1 m")], [moment_trials(error)]).moments[0].axes[0]
    assert (axis.abs_50, axis.abs_95, axis.abs_99) == pytest.approx((0.050, 0.095, 0.099))


@GRUBBS
def test_mc_quantiles_of_a_circular_normal():
    """Errors of sd 1 mm: |x| and distance at 50/95/99 % as tabled (A&S 26.5; Rayleigh, Grubbs 1964)."""
    rng = np.random.default_rng(17)
    count = 40_000
    error = np.column_stack([1e-3 * rng.standard_normal((count, 2)), np.zeros(count)])
    axes = judged([moment("end", x="9 mm", radial="9 mm")], [moment_trials(error)]).moments[0].axes

    # Standard error of a quantile: sqrt(p (1 - p) / n) over the density there; at 99 % about 0.019
    # for |x| and 0.017 for the distance. Five of each.
    x, radial = ([1e3 * a.abs_50, 1e3 * a.abs_95, 1e3 * a.abs_99] for a in axes)
    assert x == pytest.approx([0.674490, 1.959964, 2.575829], abs=0.09)
    assert radial == pytest.approx([1.177410, 2.447747, 3.034854], abs=0.09)


@pytest.mark.evidence(
    source="bivariate normal, polar integral (derived)",
    compares="R50, R95, R99 of 40 000 errors",
    tolerance="0.025 to 0.09 sd",
)
def test_ref_quantiles_of_an_elliptical_normal():
    """Spreads of 1 and 0.5 mm: half the trials within 0.87042 mm, 95 % within 2.03586, 99 % within 2.63257.

    Polar integral of the density, by quadrature (derived).
    """
    rng = np.random.default_rng(19)
    count = 40_000
    error = np.column_stack([1e-3 * rng.standard_normal((count, 2)) * (1.0, 0.5), np.zeros(count)])
    axis = judged([moment("end", radial="9 mm")], [moment_trials(error)]).moments[0].axes[0]
    # Five standard errors or more, as of the circular normal, which is no narrower.
    found = [1e3 * axis.abs_50, 1e3 * axis.abs_95, 1e3 * axis.abs_99]
    assert found == pytest.approx([0.87042, 2.03586, 2.63257], abs=0.09)
    assert found[0] == pytest.approx(0.87042, abs=0.025)


@pytest.mark.evidence(
    source="JCGM 101:2008, 9.2.2 to 9.2.4 (9.2.4 from memory)",
    compares="95 % of sums of rectangulars, which a normal misses",
    tolerance="5 standard errors",
)
@pytest.mark.parametrize(
    ("sizes", "normal", "rectangular", "half_width", "by_variance"),
    [
        ((), 4, 0, 3.919928, 3.919928),
        ((1.0, 1.0, 1.0, 1.0), 0, 4, 3.879407, 3.919928),
        ((1.0, 1.0, 1.0, 10.0), 0, 4, 17.01581, 19.89146),
    ],
    ids=["four-normals", "four-rectangulars", "one-dominates"],
)
def test_ref_sums_of_the_supplement(sizes, normal, rectangular, half_width, by_variance):
    """JCGM 101:2008, 9.2.2 to 9.2.4: 95 % of the sum within 3.92, 3.88, 17.0; by its variance 3.92 and 19.9.

    The printed figures of 9.2.4 are from memory; all are derived exactly. Units are millimetres.
    """
    rng = np.random.default_rng(20)
    count = 400_000
    total = rng.standard_normal((count, normal)).sum(axis=1)
    if rectangular:
        total = (rng.uniform(-1.0, 1.0, (count, rectangular)) * np.sqrt(3.0) * sizes).sum(axis=1)
    error = np.zeros((count, 3))
    error[:, 0] = 1e-3 * total
    end = moment("end", x=f"{half_width} mm", required=0.95)
    found = judged([end], [moment_trials(error)]).moments[0]
    # Five standard errors of the share; at the quantile the density of |x| is 0.23 or more per half width.
    assert found.estimate.probability == pytest.approx(0.95, abs=0.0018)
    assert 1e3 * found.axes[0].abs_95 == pytest.approx(half_width, rel=0.0076)
    variance = float(normal) + float(np.square(sizes).sum())
    assert 1.959964 * np.sqrt(variance) == pytest.approx(by_variance, abs=2e-5)
    if by_variance > 1.1 * half_width:
        assert 1e3 * found.axes[0].abs_95 < 0.9 * by_variance


@GRUBBS
def test_mc_joint_event_of_a_circular_normal():
    """A radius of 2.447747 sd holds 95 % of a circular normal (Grubbs 1964, Rayleigh factors)."""
    rng = np.random.default_rng(18)
    count = 40_000
    error = np.column_stack([1e-3 * rng.standard_normal((count, 2)), np.zeros(count)])
    end = moment("end", radial="2.447747 mm", required=0.95)
    found = judged([end], [moment_trials(error)]).moments[0]
    # Five standard errors of the share: 5 sqrt(0.95 x 0.05 / 40000).
    assert found.estimate.probability == pytest.approx(0.95, abs=0.0055)
    assert found.used_95 == pytest.approx(1.0, abs=0.02)


def test_law_points_and_joint_success():
    """Points count where a checkpoint and what it comes after succeed; success is all together."""
    moments = [moment("a", points=10), moment("b", points=30, after=["a"]), moment("end", points=5, step=3)]
    found = judged(moments, [on_x(20, 100), on_x(0, 100), on_x(10, 100)])

    assert found.expected_points == pytest.approx(0.8 * 10 + 0.8 * 30 + 0.9 * 5)
    assert found.full_points == 45
    assert found.success.successes == 80
    assert found.moments[1].missed_before == 20
    assert "earlier checkpoint" in found.moments[1].reason


def test_law_variance_shares_along_the_binding_axis():
    """Shares follow the axis that binds: on x three quarters come from the bias, which is a guess."""
    error = np.zeros((100, 3))
    error[:, 0] = np.where(np.arange(100) % 2, 0.0025, -0.0025)
    found = judged([moment("end", required=0.9, x="2 mm")], [moment_trials(error)]).moments[0]
    assert found.variance is not None
    assert found.variance.guessed == pytest.approx(0.75)
    assert found.variance.between_fields == pytest.approx(0.25)
    assert [s.name for s in found.variance.sources] == ["heading_bias", "wall_build"]
    assert "heading bias (75 %, guess)" in found.reason


def test_law_a_moment_without_axes_is_bound_by_its_place():
    """Where no axis is asked for, the share that is told is that of the place."""
    assert _binding((), []) == "radial"


def test_law_binding_axis_is_the_tightest():
    """Of two axes the one that uses more of its tolerance binds."""
    error = np.tile([[0.004, 0.006, 0.0]], (100, 1))
    found = judged([moment("end", x="5 mm", y="10 mm")], [moment_trials(error)]).moments[0]
    assert found.binding == "x"
    assert found.used == pytest.approx(0.8)
    assert found.margin == pytest.approx(0.2)


def test_law_offset_is_called_an_offset():
    """A mean many times the spread is told apart from spread."""
    rng = np.random.default_rng(3)
    error = np.column_stack([0.02 + 0.001 * rng.standard_normal(200), np.zeros(200), np.zeros(200)])
    found = judged([moment("end")], [moment_trials(error)]).moments[0]
    assert "constant offset (mean 20.0 mm" in found.reason
    assert judged([moment("end", x="1 m")], [moment_trials(error)]).moments[0].reason == ""


def test_law_spread_without_a_source_is_not_blamed_on_one():
    """Ten times the spread that the sources make is blamed on none of them."""
    error = np.zeros((100, 3))
    error[:, 0] = np.where(np.arange(100) % 2, 0.02, -0.02)
    reason = judged([moment("end")], [moment_trials(error)]).moments[0].reason
    assert "much more than the error sources make on the planned readings (2.00 mm)" in reason
    assert "heading bias" not in reason


def test_law_cause_of_an_offset_is_named():
    """A constant offset is traced to the source whose mean makes most of it."""
    error = np.tile([[0.02, 0.0, 0.0]], (100, 1))
    predicted = covariance_of(1, mean=(0.02, 0.0, 0.0))
    predicted.moments[0].mean_by_source["heading_bias"] = np.array([0.018, 0.0, 0.0])
    predicted.moments[0].mean_by_source["known"] = np.array([0.002, 0.0, 0.0])
    found = judge_case(prepared_of([moment("end")]), predicted, trials_of([moment_trials(error)])).moments[0]
    assert "most of it from the mean of the heading bias" in found.reason


def test_law_step_that_grows_the_error_is_named():
    """The step to blame is that of the largest growth since the spread was last at its smallest."""
    error = np.zeros((100, 3))
    error[:, 0] = np.where(np.arange(100) % 2, 0.0025, -0.0025)
    end = [moment("end", step=3, x="2 mm")]
    predicted = covariance_of(1)
    # Grows by 8 in step 1, is fixed in step 2, grows by 1 in step 3 and by 3 in step 4.
    for knot, variance in enumerate([1e-6, 9e-6, 0.5e-6, 1.5e-6, 4.5e-6]):
        predicted.knot_cov[knot, 0, 0] = variance
    found = judge_case(prepared_of(end), predicted, trials_of([moment_trials(error)])).moments[0]
    assert "It grows most in step 4 (advance 3 m)." in found.reason


def test_law_wrong_surfaces_are_blamed():
    """Readings accepted from a wrong surface are named with the step where most were."""
    counts = np.zeros((1, 4, 13), np.int64)
    counts[0, 2, 0] = 1000
    wrong = np.zeros((1, 4), np.int64)
    wrong[0, 2] = 30
    found = judged([moment("end", step=3)], [on_x(50, 100)], counts=counts, wrong=wrong).moments[0]
    assert "3.0 % of the accepted readings came from a wrong surface, most in step 3" in found.reason


def test_mc_false_alarms_are_shared_out():
    """With exactly the required probability a tolerance fails in at most alpha / m of 4000 runs."""
    rng = np.random.default_rng(11)
    successes = rng.binomial(500, 0.9, 4000)
    rule = Sampling(0.95, tolerances=5)
    fails = np.mean([decide([Seen(int(s), 500)], 0.9, rule).status == "fail" for s in successes])
    passes = np.mean([decide([Seen(int(s), 500)], 0.9, rule).status == "pass" for s in successes])
    # Exact bounds keep below 1 % and 5 %; allow 5 standard errors of 4000 runs.
    assert fails <= 0.01 + 5 * math.sqrt(0.01 / 4000)
    assert passes <= 0.05 + 5 * math.sqrt(0.05 / 4000)


@pytest.mark.parametrize("more", [{"confidence": 1.0}, {"confidence": 0.0}, {"tolerances": 0}])
def test_err_settings_out_of_range(more):
    """A confidence outside (0, 1) and a run without tolerances are refused."""
    moments = [moment("end")]
    with pytest.raises(ModelError, match="must be"):
        judge_case(prepared_of(moments), covariance_of(1), trials_of([on_x(0, 10)]), **more)


def test_err_answers_of_another_case():
    """Answers with other moments than the case are refused."""
    with pytest.raises(ModelError, match="other moments"):
        judge_case(prepared_of([moment("end")]), covariance_of(2), trials_of([on_x(0, 10)]))
