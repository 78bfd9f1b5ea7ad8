"""The engines held against each other on made distributions."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from made_cases import covariance_of, moment, moment_trials, trials_of

from driftgate import judge
from driftgate.judge.agree import disagreements, holm, tolerance_size
from driftgate.predict.values import Outcome, SourceInfo
from driftgate.schema.routine import Tolerance

COV = np.diag([4e-6, 1e-6, 1e-6])


def normal_errors(count, mean=(0, 0, 0), scale=(1, 1, 1), seed=5):
    """Return errors with covariance COV scaled, about a mean."""
    rng = np.random.default_rng(seed)
    return rng.standard_normal((count, 3)) * np.sqrt(np.diag(COV)) * scale + np.asarray(mean)


def compare(errors, **tolerance):
    """Return the differences at one end moment."""
    end = moment("end", **(tolerance or {"x": "20 mm", "heading": "2 deg"}))
    return disagreements((end,), covariance_of(1, by_source={"a": COV}), trials_of([moment_trials(errors)]))


@pytest.mark.evidence(
    source="Holm 1979, by hand", compares="what the step-down procedure rejects", tolerance="exact"
)
def test_ref_holm_textbook():
    """Holm (1979) by hand at 5 %: 0.01, 0.04, 0.03, 0.005 rejects 0.005 and 0.01 only."""
    assert holm([0.01, 0.04, 0.03, 0.005], 0.05) == [True, False, False, True]


def test_law_the_stage_gives_the_comparison_out():
    """By its own name; engines that say nothing agree."""
    assert judge.disagreements is disagreements
    assert judge.disagreements((), covariance_of(0), trials_of([moment_trials(np.zeros((2, 3)))])) == ()


def test_law_same_distribution_agrees():
    """Trials drawn from the predicted distribution show no difference."""
    assert compare(normal_errors(4000)) == ()


def test_mc_false_reports_are_rare():
    """Over 300 runs of agreeing engines, tolerance tiny, any report comes in about 5 % of them."""
    hits = sum(
        bool(compare(normal_errors(500, seed=s), x="0.01 mm", heading="0.001 deg")) for s in range(300)
    )
    # Family-wise 5 %: 15 expected, standard deviation 3.8; 34 is five of them above.
    assert hits <= 34


def test_mc_false_reports_are_rare_with_few_trials_and_many_tolerances():
    """100 trials at ten moments, 60 comparisons: false reports in a tenth of 200 runs, not in a quarter."""
    ends = tuple(moment(f"m{i}", x="0.01 mm", heading="0.001 deg") for i in range(10))
    predicted, hits = covariance_of(10, by_source={"a": COV}), 0
    for seed in range(200):
        errors = [moment_trials(normal_errors(100, seed=(seed, i))) for i in range(10)]
        hits += bool(disagreements(ends, predicted, trials_of(errors)))
    # 10 % of 200 and three standard errors; by the variances themselves it is some 50.
    assert hits <= 33


def test_law_no_spread_on_one_side_is_a_difference():
    """A variance of zero has no logarithm: against one that is not zero it differs, against zero not."""
    still = np.zeros((500, 3))
    assert {d.what for d in compare(still, x="0.01 mm")} == {"spread"}
    none = covariance_of(1, by_source={"a": np.zeros((3, 3))})
    end = moment("end", x="0.01 mm")
    assert disagreements((end,), none, trials_of([moment_trials(still)])) == ()
    moving = trials_of([moment_trials(normal_errors(500))])
    assert {(d.axis, d.what) for d in disagreements((end,), none, moving)} >= {("x", "spread")}


def test_law_shifted_mean_is_reported():
    """A mean 2 mm off a 20 mm tolerance is reported, with the trials believed."""
    found = compare(normal_errors(4000, mean=(0.002, 0, 0)))
    assert [(d.axis, d.what) for d in found] == [("x", "mean")]
    assert found[0].trials == pytest.approx(0.002, abs=2e-4)
    assert found[0].why.startswith("believe the trials: the errors are large")


def test_law_small_difference_is_not_reported():
    """A significant mean difference below 3 % of the tolerance is not reported."""
    assert compare(normal_errors(40_000, mean=(0.0004, 0, 0))) == ()


def test_law_wider_spread_is_reported():
    """A spread 1.5 times the predicted is reported on its axis."""
    found = compare(normal_errors(4000, scale=(1.5, 1, 1)))
    assert [(d.axis, d.what) for d in found] == [("x", "spread")]


def test_law_heavy_tails_do_not_fool_the_spread_test():
    """The same variance with heavy tails is reported in at most 4 of 20 draws: one is expected."""
    hits = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        errors = rng.standard_t(6, (2000, 3)) / np.sqrt(1.5) * np.sqrt(np.diag(COV))
        hits += bool(compare(errors, x="0.5 mm"))
    assert hits <= 4


def test_law_reason_from_the_gate():
    """With a busy gate the difference is laid to it."""
    counts = np.zeros((1, 4, len(Outcome)), np.int64)
    counts[0, 1, Outcome.ACCEPTED], counts[0, 1, Outcome.GATE] = 90, 10
    end = moment("end", x="20 mm")
    result = trials_of([moment_trials(normal_errors(4000, mean=(0.002, 0, 0)))], counts=counts)
    found = disagreements((end,), covariance_of(1, by_source={"a": COV}), result)
    assert "the gate refuses 10.0 % of the readings" in found[0].why


@pytest.mark.parametrize(
    ("echoes", "scheduled", "said"),
    [
        # Of 4000 trials 8 fixes each; 3 % of the readings bring no echo, or 2 %.
        (1000, 8, "3.0 % of the readings tried bring no echo"),
        (600, 8, ""),
        (0, 10, "a trial takes 8 fixes on average where the plan has 10"),
        (0, 7, "a trial takes 8 fixes on average where the plan has 7"),
        (1000, 10, "3.0 % of the readings tried bring no echo and a trial takes 8 fixes on average"),
    ],
)
def test_law_reasons_from_readings_without_echo_and_from_the_schedule(echoes, scheduled, said):
    """What is seldom is no reason; of several two are said, in the order of the readings' way."""
    counts = np.zeros((1, 4, len(Outcome)), np.int64)
    counts[0, 1, Outcome.ACCEPTED], counts[0, 0, Outcome.NO_ECHO] = 32_000, echoes
    result = trials_of([moment_trials(normal_errors(4000, mean=(0.002, 0, 0)))], counts=counts)
    fixes = np.array([scheduled - 3, 3, 50, 50])
    predicted = dataclasses.replace(covariance_of(1, by_source={"a": COV}), fixes=fixes)
    (found,) = disagreements((moment("end", x="20 mm"),), predicted, result)
    wanted = f"{said}" if said else "the errors are large enough that the motion is not linear in them"
    assert found.why.startswith(f"believe the trials: {wanted}")


def test_law_reason_from_rare_slips():
    """Errors that leap now and then: where they act they are named, and where not they are not."""
    slips = dataclasses.replace(
        covariance_of(1, by_source={"a": COV}),
        sources=(SourceInfo("rare_slip", "rare slips", "measured", "tick"),),
    )
    trials = trials_of([moment_trials(normal_errors(4000, scale=(2, 1, 1)))])
    (found,) = disagreements((moment("end", x="20 mm", heading="2 deg"),), slips, trials)
    assert found.why.startswith("believe the trials: rare slips come in some trials and not in others")
    assert "slips" not in compare(normal_errors(4000, scale=(2, 1, 1)))[0].why


def test_law_reason_from_contact():
    """Where the trials that touch make the difference and the others agree, contact is the reason."""
    errors = normal_errors(4000)
    touched = np.arange(4000) < 40
    errors[touched, 0] += 0.1
    end = moment("end", x="20 mm")
    result = trials_of([moment_trials(errors, touched)])
    found = disagreements((end,), covariance_of(1, by_source={"a": COV}), result)
    assert {d.what for d in found} == {"mean", "spread"}
    assert all("1.00 % of them touch something" in d.why for d in found)


def test_law_axes_without_tolerance_are_not_compared():
    """Without a heading tolerance a heading difference has nothing to be held against."""
    assert compare(normal_errors(4000, mean=(0, 0, 0.1)), x="20 mm") == ()
    assert tolerance_size(Tolerance.model_validate({"along": "5 mm", "radial": "9 mm"}), "x") == 0.005


def test_law_degenerate_trials():
    """Trials without any spread differ from a prediction with one, and from a shifted mean."""
    found = compare(np.tile([[0.004, 0.0, 0.0]], (50, 1)))
    assert ("x", "mean") in [(d.axis, d.what) for d in found]


def test_law_one_wrong_reading_in_a_thousand_is_not_named():
    """From a wrong surface came one of a thousand, which is no cause; three of two thousand are one."""
    far = normal_errors(2000, mean=(0.004, 0, 0))

    def why(accepted, wrong):
        counts = np.zeros((1, 4, len(Outcome)), np.int64)
        counts[0, 0, Outcome.ACCEPTED] = accepted
        wrongly = np.zeros((1, 4), np.int64)
        wrongly[0, 0] = wrong
        trials = trials_of([moment_trials(far)], counts=counts, wrong=wrongly)
        return disagreements((moment("end", x="20 mm"),), covariance_of(1, by_source={"a": COV}), trials)[
            0
        ].why

    assert "wrong surface" not in why(1000, 1)
    assert "0.1 % of the accepted readings came from a wrong surface" in why(2000, 3)
