"""What tilted trials are asked, where tolerances end in the linear model, and what they say: by hand."""

import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pytest
from made_cases import covariance_of, moment, moment_trials, prepared_of, trials_of

from driftgate.judge.rare import (
    CONTACT,
    RareSample,
    join_samples,
    rare_bounds,
    rare_moments,
    rare_required,
    rare_samples,
    rare_status,
    rare_used,
    ways_to_fail,
)
from driftgate.judge.rare_contact import contact_status, join_places, rare_contact_verdict
from driftgate.judge.sampling import Sampling
from driftgate.judge.values import ContactVerdict, Estimate, TouchPlace

RULE = Sampling(0.95, 2, sequential=True)
STRICT, LOOSE = 0.99999, 0.9


def case(*required, contact=0.0):
    """Return a case with moments of these requirements."""
    return prepared_of([moment(f"m{i}", required=r) for i, r in enumerate(required)], contact_allowed=contact)


def test_law_what_is_left_to_tilted_trials():
    """Requirements that plain trials cannot reach, and contact where so little is allowed, or with them."""
    assert rare_moments(case(STRICT, LOOSE), RULE) == (0, CONTACT)
    assert rare_moments(case(LOOSE, LOOSE), RULE) == ()
    assert rare_moments(case(LOOSE, STRICT, contact=0.01), RULE) == (1,)
    assert rare_moments(case(LOOSE, contact=1e-5), RULE) == (CONTACT,)
    assert rare_moments(case(STRICT), Sampling(0.95, 1)) == ()


def test_law_what_is_required_of_them():
    """Of contact as much as is not allowed; where none is, nothing can be required."""
    found = case(STRICT, LOOSE, contact=1e-5)
    assert rare_required(found, (0, CONTACT)) == [STRICT, 1.0 - 1e-5]
    assert rare_required(found, (0,)) == [STRICT]
    assert rare_required(case(STRICT), (0, CONTACT)) == [STRICT]


def test_law_limits_in_the_linear_model():
    """A band has both its ends less the mean; a radius both ways along both field axes."""
    at = dataclasses.replace(
        covariance_of(1, mean=(1e-3, -2e-3, 0)).moments[0],
        cov=np.diag([4e-6, 9e-6, 0.0]),
        columns=np.array([[1e-3, 0.0], [0.0, 2e-3], [0.0, 0.0]]),
    )
    covariance = SimpleNamespace(moments=(at,) * 3)
    x = moment("x", x={"low": "-5 mm", "high": "8 mm"})
    radial = moment("r", radial="10 mm")
    across = moment("a", plan_heading=math.pi / 2, across="7 mm")
    prepared = prepared_of([x, radial, across])
    found = ways_to_fail(prepared, covariance, (0, CONTACT))
    assert [(w.sd, w.distance) for w in found] == [
        pytest.approx((2e-3, -6e-3)),
        pytest.approx((2e-3, 7e-3)),
    ]
    assert found[0].columns.tolist() == [1e-3, 0.0]
    found = ways_to_fail(prepared, covariance, (1,))
    assert [(w.sd, w.distance) for w in found] == [
        pytest.approx(pair) for pair in ((2e-3, -11e-3), (2e-3, 9e-3), (3e-3, -8e-3), (3e-3, 12e-3))
    ]
    # Looking along +y, across is towards -x: mean -1 mm.
    found = ways_to_fail(prepared, covariance, (2,))
    assert [(w.sd, w.distance) for w in found] == [pytest.approx((2e-3, -6e-3)), pytest.approx((2e-3, 8e-3))]
    assert found[0].columns == pytest.approx([-1e-3, 0.0], abs=1e-18)


def test_law_what_no_constant_moves_is_no_way_to_fail():
    """Without spread, or without a constant behind it, tilting a constant does nothing."""
    at = covariance_of(1).moments[0]
    none = dataclasses.replace(at, columns=np.zeros((3, 1)))
    still = dataclasses.replace(at, cov=np.zeros((3, 3)), columns=np.ones((3, 1)))
    for here in (none, still):
        assert ways_to_fail(case(STRICT), SimpleNamespace(moments=(here,)), (0,)) == []


def test_law_samples_of_moments_and_contact():
    """The share used at a moment, all or nothing of contact, with the weights of the trials."""
    prepared = prepared_of([moment("end", x="10 mm")])
    errors = moment_trials([(5e-3, 0, 0), (12e-3, 0, 0), (1e-3, 0, 0)], clock_s=[5.0, 5.0, 16.0])
    trials = trials_of([errors], touch_step=[0, -1, -1], touch_obstacle=[0, -1, -1])
    at_end, contact = rare_samples(prepared, trials, (0, CONTACT))
    assert at_end.share == pytest.approx([0.5, 1.2, math.inf])
    assert at_end.weight.tolist() == [1, 1, 1]
    assert contact.share.tolist() == [math.inf, 0, 0]
    weighted = dataclasses.replace(trials, weight=np.array([0.5, 0.25, 1.25]))
    (at_end,) = rare_samples(prepared, weighted, (0,))
    assert at_end.failing().tolist() == [0.25, 1.25]
    both = join_samples([at_end, contact])
    assert both.share == pytest.approx([0.5, 1.2, math.inf, math.inf, 0, 0])
    assert both.weight.tolist() == [0.5, 0.25, 1.25, 1, 1, 1]


def sample(count, failing=(), share=1.5):
    """Return a sample that fails with these weights."""
    shares, weights = np.full(count, 0.5), np.full(count, 1.0)
    shares[: len(failing)], weights[: len(failing)] = share, failing
    return RareSample(shares, weights)


def test_law_calls_of_weighted_trials():
    """None of 100 000 shows 1 in 10 000; hundreds of full weight show the opposite; few trials nothing."""
    required = 0.9999
    assert rare_status(sample(100_000), required, 1.25, RULE) == "pass"
    assert rare_status(sample(1000), required, 1.25, RULE) == "undecided"
    assert rare_status(sample(100_000, [1.0] * 300), required, 1.25, RULE) == "fail"
    # As many, of little weight, are as good as none.
    assert rare_status(sample(100_000, [1e-4] * 300), required, 1.25, RULE) == "pass"


def test_law_bounds_lie_on_the_side_of_the_call():
    """A pass has its lower bound at the requirement or above, a failure its upper one below."""
    required = 0.9999
    lower, upper = rare_bounds(sample(100_000), required, "pass", 1.25, RULE)
    assert required <= lower < upper == 1.0
    lower, upper = rare_bounds(sample(100_000, [1.0] * 300), required, "fail", 1.25, RULE)
    assert lower < 1.0 - 0.003 < upper < required
    lower, upper = rare_bounds(sample(1000), required, "undecided", 1.25, RULE)
    assert lower < required <= upper


def test_law_the_share_used_is_a_value_of_a_trial():
    """It is the largest share among those that may fail no more, here that of the 0.5 all others have."""
    assert rare_used(sample(100_000), 0.9999, 1.25, RULE) == 0.5
    assert rare_used(sample(100_000, [1e-4] * 3, share=0.8), 0.9999, 1.25, RULE) == 0.5
    assert rare_used(sample(100_000, [1.0] * 300, share=3.0), 0.9999, 1.25, RULE) == 3.0
    assert rare_used(sample(1000), 0.9999, 1.25, RULE) is None


def test_law_places_of_touch_add_up():
    """The same step and obstacle are one place; most frequent first, then by step, then by name."""
    parts = [
        (TouchPlace("pot", 2, 3), TouchPlace("bench", 1, 1)),
        (TouchPlace("pot", 2, 1), TouchPlace("pot", 1, 1), TouchPlace("bench", 0, 1)),
    ]
    assert [(p.obstacle, p.step, p.trials) for p in join_places(parts)] == [
        ("pot", 2, 4),
        ("bench", 0, 1),
        ("bench", 1, 1),
        ("pot", 1, 1),
    ]


def plain(status="undecided", allowed=1e-4):
    """Return a verdict on contact from plain trials."""
    return ContactVerdict(status, allowed, Estimate(0, 1000, 0.0, 0.0, 0.004), 0.0, 0.003, ())


def verdict(found, touching, places=(), rule=RULE):
    """Return the verdict with tilted trials."""
    return rare_contact_verdict(found, touching, places, 1.25, rule, lambda i: f"step {i + 1}")


def test_law_contact_by_tilted_trials():
    """Never seen in 100 000: rarer than 1 in 10 000; seen in 300: not; bounds on the side of the call."""
    passed = verdict(plain(), sample(100_000))
    assert (passed.status, passed.lower, passed.reason) == ("pass", 0.0, "")
    assert 0.0 < passed.upper <= 1e-4
    assert (passed.estimate.probability, passed.estimate.low) == (0.0, 0.0)
    assert passed.estimate.high > passed.upper / 2
    assert (passed.tilted.trials, passed.tilted.failed) == (100_000, 0)
    place = TouchPlace("pot", 2, 200)
    failed = verdict(plain(), sample(100_000, [1.0] * 200 + [0.5] * 100), (place,))
    assert failed.status == "fail"
    assert failed.estimate.probability == pytest.approx(250 / 100_000, rel=1e-12)
    assert (failed.estimate.successes, failed.estimate.trials) == (300, 100_000)
    assert failed.estimate.low < failed.estimate.probability < failed.estimate.high
    assert 1e-4 < failed.lower < failed.estimate.probability < failed.upper
    assert failed.places == (place,)
    assert failed.reason == "Most of the contacts seen are with pot in step 3."
    assert (failed.tilted.trials, failed.tilted.failed) == (100_000, 300)
    few = verdict(plain(), sample(1000))
    assert few.status == "undecided"
    assert few.lower <= 1e-4 < few.upper
    assert few.reason.startswith("1000 weighted trials leave open whether it is rarer than allowed")


def test_law_where_none_is_allowed_a_touch_fails():
    """A touch among plain trials stands; one among tilted trials fails, none passes."""
    failed = plain("fail", 0.0)
    assert verdict(failed, sample(1000)) is failed
    assert verdict(plain("pass", 0.0), sample(1000, [1e-6])).status == "fail"
    assert verdict(plain("pass", 0.0), sample(1000)).status == "pass"
    assert contact_status(sample(1000, [1e-9]), 0.0, 1.25, RULE) == "fail"
    assert contact_status(sample(1000, [1e-9]), 1e-4, 1.25, RULE) == "undecided"
