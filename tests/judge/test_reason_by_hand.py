"""Reasons in words, each threshold from both sides, on verdicts written by hand."""

import dataclasses
import math

import numpy as np
import pytest
from made_cases import STEPS, covariance_of, moment, moment_trials, prepared_of, trials_of

from driftgate.judge.reason import (
    amount,
    axis_words,
    contact_reason,
    field_axis,
    is_narrow,
    moment_reason,
    plain_step,
)
from driftgate.judge.values import (
    AxisVerdict,
    ContactVerdict,
    Estimate,
    MomentVerdict,
    RareTrials,
    SourceShare,
    TouchPlace,
    VarianceShares,
)
from driftgate.predict.values import Outcome
from driftgate.schema.routine import SquareUp
from driftgate.sight.values import DarkInterval

END = moment("end", step=2, x="10 mm")  # at knot 3, at 3 s
DARK_SHORT = DarkInterval("x", 2.6, 9.0, 2, 2)


def axis(mean=0.0, sd=5e-3, name="x"):
    """Return what is known of an axis."""
    fields = {f.name: None for f in dataclasses.fields(AxisVerdict)}
    return AxisVerdict(**{**fields, "axis": name, "mean": mean, "sd": sd})


def verdict(on=None, variance_sd=5e-3, sources=(), failing=40, **more):
    """Return a failing verdict over 100 trials."""
    on = on or axis()
    variance = None if variance_sd is None else VarianceShares(variance_sd, 0.0, 0.0, tuple(sources))
    fields = {f.name: None for f in dataclasses.fields(MomentVerdict)}
    known = {
        "name": "end",
        "status": "fail",
        "estimate": Estimate(100 - failing, 100, 1 - failing / 100, 0.0, 1.0),
        "axes": (on,),
        "binding": on.axis,
        "used": 1.5,
        "variance": variance,
        "outside": failing,
        "touched": 0,
        "late": 0,
        "missed_before": 0,
    }
    return MomentVerdict(**{**fields, **known, **more})


def reason(
    found, at=END, covariance=None, dark=(), enabled=True, knots=None, touches=(), resets=True, **trials_more
):
    """Return the reason; the robot's correction is on and no reading went wrong, unless said."""
    if knots is None:
        knots = np.zeros(STEPS + 1)
    covariance = covariance or covariance_of(1)
    cov = np.zeros((STEPS + 1, 3, 3))
    cov[:, 0, 0] = knots
    covariance = dataclasses.replace(covariance, knot_cov=cov, accepted=np.array([False, True]))
    prepared = prepared_of([at], enabled=enabled)
    for step in touches:
        prepared.plan.contacts[step] = object()
        given = {"reset": {"position": "5 mm", "heading": "1 deg"}} if resets else {}
        touch = {"do": "square-up", "against": "east", "speed": "0.3 m/s", **given}
        prepared.plan.steps[step].source = SquareUp.model_validate(touch)
    prepared.case.true = prepared.case.believed = object()
    rng = np.random.default_rng(1)
    errors = np.concatenate([rng.normal(0, 5e-3, (100, 2)), np.zeros((100, 1))], axis=1)
    made = moment_trials(trials_more.pop("errors", errors), touched=trials_more.pop("touched", None))
    trials = trials_of([made], **trials_more)
    return moment_reason(prepared, covariance, trials, 0, found, lambda i: f"step {i + 1}", tuple(dark))


LAST_FIX = "The last fix is 1.0 s old by then."  # its reading arrives at 2 s


def test_law_amounts_have_three_digits():
    """Millimetres or degrees; more digits where the number is small."""
    assert amount(0.1234, "x") == "123 mm"
    assert amount(0.1, "x") == "100 mm"
    assert amount(-0.01234, "y") == "-12.3 mm"
    assert amount(0.01, "y") == "10.0 mm"
    assert amount(0.001234, "radial") == "1.23 mm"
    assert amount(math.radians(2.5), "heading") == "2.50 deg"
    assert amount(math.inf, "x") == "no number of mm"


def test_law_names_of_axes_and_steps():
    """As people call them."""
    words = [axis_words(a) for a in ("x", "y", "along", "across", "radial", "heading")]
    assert words == [
        "on x",
        "on y",
        "along the heading",
        "across the heading",
        "in the radial error",
        "in heading",
    ]
    describe = plain_step(prepared_of([END]).plan)
    assert (describe(0), describe(1)) == ("step 1 (advance 0 m)", "step 2 ('leg', advance 1 m)")


@pytest.mark.parametrize(
    ("name", "heading_deg", "axes"),
    [
        ("x", 90, ("x",)),
        ("heading", 0, ("heading",)),
        ("radial", 0, ("x", "y")),
        ("along", 44, ("x",)),
        ("along", 46, ("y",)),
        ("across", 44, ("y",)),
        ("across", 46, ("x",)),
        ("along", 180, ("x",)),
    ],
)
def test_law_the_field_axis_of_an_axis(name, heading_deg, axes):
    """Along is x within 45 degrees of it."""
    assert field_axis(name, math.radians(heading_deg)) == axes


def test_law_an_easy_pass_needs_no_reason():
    """Narrow begins beyond 80 %; what uses an unknown share is narrow."""
    assert not is_narrow(verdict(used=0.8))
    assert is_narrow(verdict(used=0.81))
    assert is_narrow(verdict(used=None))
    assert reason(verdict(status="pass", used=0.8)) == ""
    assert reason(verdict(status="pass", used=0.81)) != ""
    assert reason(verdict(status="fail", used=0.5)) != ""


def test_law_spread_and_offset():
    """A mean of more than one standard deviation is an offset; else it is spread, of two sources."""
    sources = [
        SourceShare("a", "wheel offset", "measured", "run", 0.6),
        SourceShare("b", "heading bias", "guess", "run", 0.1),
        SourceShare("c", "slip", "guess", "tick", 0.3),
    ]
    assert reason(verdict(axis(5e-3, 5e-3), sources=sources)) == (
        "The error on x is mostly spread (mean 5.00 mm, spread 5.00 mm), from wheel offset (60 %, measured) "
        f"and heading bias (10 %, guess). {LAST_FIX}"
    )
    sources[1] = SourceShare("b", "heading bias", "guess", "run", 0.09)
    assert "from wheel offset (60 %, measured)." in reason(verdict(axis(5e-3, 5e-3), sources=sources))
    assert reason(verdict(axis(-5.1e-3, 5e-3), sources=sources)) == (
        f"Most of the error on x is a constant offset (mean -5.10 mm, spread 5.00 mm). {LAST_FIX}"
    )


@pytest.mark.parametrize(
    ("means", "words"),
    [
        ({"known": 5e-3}, ""),
        ({"wheel_offset": 3e-3, "known": 2e-3}, ", most of it from the mean of the wheel offset"),
        ({"heading_bias": -2.9e-3, "known": -2.1e-3}, ", most of it from the mean of the heading bias"),
        ({"a": 1e-3, "b": 1e-3, "c": 1e-3, "d": 1e-3}, ""),  # each a quarter
        ({"a": 3e-3, "b": -3e-3}, ""),
        ({}, ""),
    ],
)
def test_law_what_makes_an_offset(means, words):
    """The source whose mean makes most of it, from 30 % on."""
    at = dataclasses.replace(
        covariance_of(1).moments[0], mean_by_source={k: np.array([v, 9.0, 9.0]) for k, v in means.items()}
    )
    covariance = dataclasses.replace(covariance_of(1), moments=(at,))
    found = reason(verdict(axis(6e-3, 5e-3)), covariance=covariance)
    assert found.startswith(
        f"Most of the error on x is a constant offset (mean 6.00 mm, spread 5.00 mm){words}."
    )


def test_law_spread_beyond_what_the_sources_make():
    """More than one and a half times the predicted spread is not put down to the sources."""
    assert "much more than" not in reason(verdict(axis(sd=7.5e-3), variance_sd=5e-3))
    assert reason(verdict(axis(sd=7.6e-3), variance_sd=5e-3)).startswith(
        "The error on x is mostly spread (mean 0.00 mm, spread 7.60 mm), much more than the error sources "
        "make on the planned readings (5.00 mm): readings refused or wrong, things out of place, or contact."
    )
    assert "much more than" not in reason(verdict(axis(sd=9e-3), variance_sd=None))


def test_law_where_the_spread_grows():
    """The step of the largest growth since the smallest, from a fifth of the spread at the moment on."""
    words = "It grows most in step"
    # Variances at the boundaries of steps 1 to 3, in any unit.
    assert f"{words} 2." in reason(verdict(), knots=[0, 1, 3, 4, 9])
    assert f"{words} 3." in reason(verdict(), knots=[2, 5, 1, 3, 9])  # a fix in step 2
    assert words not in reason(verdict(), knots=[9.6, 9.8, 9.9, 10, 20])
    assert words not in reason(verdict(), knots=[8.1, 8.1, 8.1, 10.0, 20])  # 19 %
    assert f"{words} 3." in reason(verdict(), knots=[7.9, 7.9, 7.9, 10.0, 20])  # 21 %
    assert words not in reason(verdict(), knots=[0, 0, 0, 0, 1])
    assert words not in reason(verdict(axis(sd=9e-3)), knots=[0, 1, 3, 4, 9])  # it is not that spread


def counts(accepted=1000, gate=0, wrong=0, step=1):
    """Return readings of one sensor in one step."""
    found = np.zeros((1, STEPS, len(Outcome)), np.int64)
    found[0, step, Outcome.ACCEPTED], found[0, step, Outcome.GATE] = accepted, gate
    wrongly = np.zeros((1, STEPS), np.int64)
    wrongly[0, step] = wrong
    return {"counts": found, "wrong": wrongly}


def test_law_readings_that_went_wrong():
    """Wrong ones from half a per cent on, refusals from a fifth on; a tenth where spread is unseen."""
    wrong = "0.5 % of the accepted readings came from a wrong surface, most in step 2."
    gate = "The gate refuses 20 % of its readings, most in step 2."
    assert wrong in reason(verdict(), **counts(wrong=5))
    assert reason(verdict(), **counts(wrong=4)).endswith(LAST_FIX)
    assert gate in reason(verdict(), **counts(800, 200))
    assert reason(verdict(), **counts(801, 199)).endswith(LAST_FIX)
    both = reason(verdict(), **counts(800, 200, 3))
    assert both.endswith(gate)
    assert wrong.replace("0.5 %", "1.0 %") in reason(verdict(), **counts(800, 200, 8))
    assert gate not in reason(verdict(), **counts(800, 200, 8))
    unseen = reason(verdict(axis(sd=9e-3)), **counts(979, 21, 1))
    assert unseen.endswith(
        "0.1 % of the accepted readings came from a wrong surface, most in step 2. "
        "The gate refuses 2 % of its readings, most in step 2."
    )
    assert reason(verdict(), **counts(wrong=100, step=3)).endswith(LAST_FIX)  # after the moment
    assert reason(verdict(), enabled=False).endswith("Nothing corrects the drift: the correction is off.")


@pytest.mark.parametrize(("touches", "last"), [((0, 1), 1), ((0, 1, 2), 2), ((1, 3), 1)])
def test_law_square_ups_correct_without_a_sensor(touches: tuple[int, ...], last: int) -> None:
    """Where they alone take fixes, the reason names the last one before the moment, and no later one."""
    words = f"Only square-ups correct the drift, last in step {last + 1}: the correction is off."
    assert reason(verdict(), enabled=False, touches=touches).endswith(words)


def test_law_a_square_up_without_a_reset_corrects_nothing() -> None:
    """It moves the robot and leaves its belief alone."""
    found = reason(verdict(), enabled=False, touches=(0, 1), resets=False)
    assert found.endswith("Nothing corrects the drift: the correction is off.")


def test_law_what_was_dark():
    """From half a second before the moment on, on the axis of the error, since its beginning."""
    words = "No sensor can fix x from 1.0 s on: dark since step 2."
    assert reason(verdict(), dark=[DarkInterval("x", 1.0, 3.0, 1, 1)]).endswith(words)
    assert reason(verdict(), dark=[DarkInterval("y", 1.0, 3.0, 1, 1)]).endswith(LAST_FIX)
    assert reason(verdict(), dark=[DarkInterval("x", 1.0, 2.9, 1, 1)]).endswith(LAST_FIX)
    assert reason(verdict(), dark=[DARK_SHORT]).endswith(LAST_FIX)
    both = [DarkInterval("x", 2.0, 9.0, 0, 0), DarkInterval("x", 1.0, 9.0, 1, 1)]
    assert reason(verdict(), dark=both).endswith(words)


def test_law_failing_for_no_matter_of_distance():
    """Named alone when most failing trials are inside, and beside the error from a tenth of them on."""
    late = "The time limit has passed in 21.0 % of the trials."
    assert reason(verdict(outside=19, late=21)) == late
    assert reason(verdict(outside=20, late=20)) == late.replace("21.0", "20.0")
    fewer = reason(verdict(outside=21, late=19))
    assert fewer.startswith("The error on x")
    assert fewer.endswith(late.replace("21.0", "19.0"))
    assert reason(verdict(outside=36, late=4)).endswith("The time limit has passed in 4.0 % of the trials.")
    assert reason(verdict(outside=37, late=3)).endswith(LAST_FIX)
    before = reason(verdict(outside=0, missed_before=40, late=2))
    assert before == "An earlier checkpoint that it depends on has failed in 40.0 % of the trials."
    touched = np.arange(100) < 40
    step = np.where(touched, np.where(np.arange(100) < 25, 1, 0), -1)
    found = reason(
        verdict(outside=0, touched=40, late=2),
        touched=touched,
        touch_step=step,
        touch_obstacle=np.where(touched, 1, -1),
    )
    assert found == "The robot has touched something in 40.0 % of the trials, mostly pot-b in step 2."
    later = reason(verdict(outside=0, touched=40), touch_step=step, touch_obstacle=step)
    assert later == "The robot has touched something in 40.0 % of the trials."


def test_law_radial_errors_have_a_direction():
    """One axis where most of it lies along one, an offset where its mean is beyond its spread."""
    on = axis(6e-3, 4e-3, "radial")
    rng = np.random.default_rng(2)
    both = np.concatenate([rng.normal(0, 5e-3, (4000, 2)), np.zeros((4000, 1))], axis=1)
    at = moment("end", step=2, radial="10 mm")
    alike = reason(verdict(on), at, errors=both)
    assert "on average, in x and y alike." in alike
    lines = np.array([(1e-3, 12e-3, 0.0), (0.0, 8e-3, 0.0)] * 50)
    offset = reason(verdict(on), at, errors=lines, dark=[DarkInterval("y", 1.0, 9.0, 1, 1)])
    # Distances 12.04 and 8; 10 and 2 along y, with the divisor of 99.
    assert offset.startswith(
        "The radial error is 10.0 mm on average, "
        "most of it a constant offset in y (mean 10.0 mm, spread 2.01 mm)."
    )
    assert offset.endswith("No sensor can fix y from 1.0 s on: dark since step 2.")


PLACES = (TouchPlace("pot-a", 1, 30),)


def contact(trials=40, places=PLACES, status="fail", tilted=None):
    """Return a verdict on contact."""
    return ContactVerdict(status, 0.0, Estimate(trials, 100, 0.4, 0.0, 1.0), 0.0, 1.0, places, "", tilted)


def test_law_where_contact_is():
    """Every one, or a share of them; of tilted trials no share; what is open is said."""

    def words(found, **more):
        return contact_reason(found, lambda i: f"step {i + 1}", **more)

    assert words(contact(status="pass")) == ""
    assert words(contact()) == "75 % of the contacts are with pot-a in step 2."
    assert words(contact(30)) == "Every contact is with pot-a in step 2."
    rare = RareTrials(100, 40, 0.1)
    assert words(contact(tilted=rare)) == "Most of the contacts seen are with pot-a in step 2."
    assert words(contact(30, tilted=rare)) == "Every contact is with pot-a in step 2."
    assert words(contact(0, (), "undecided")) == (
        "100 trials leave open whether it is rarer than allowed: run more trials."
    )
    assert words(contact(0, (), "undecided", rare), more="wait") == (
        "100 weighted trials leave open whether it is rarer than allowed: wait."
    )


def test_law_nothing_to_blame_without_a_covariance():
    """A verdict without shares of the variance names no source."""
    found = reason(verdict(variance_sd=None))
    assert found == f"The error on x is mostly spread (mean 0.00 mm, spread 5.00 mm). {LAST_FIX}"
