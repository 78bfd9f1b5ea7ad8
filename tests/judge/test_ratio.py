"""Shares of a tolerance and the event of success."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_cases import moment, moment_trials

from driftgate.judge.ratio import limits_of, share_used, shares_of, with_dependencies, worst_trials
from driftgate.schema.routine import Tolerance

LIMIT = st.none() | st.floats(-0.5, 0.5, allow_subnormal=False)


def test_law_symmetric_share_by_hand():
    """5 mm of 10 mm is half, on either side."""
    assert share_used(np.array([0.005, -0.005, 0.01, -0.02]), -0.01, 0.01) == pytest.approx([0.5, 0.5, 1, 2])


def test_law_free_side_costs_nothing():
    """Towards a free side no error uses anything."""
    assert share_used(np.array([-9.0, 0.0, 0.01]), None, 0.02) == pytest.approx([0.0, 0.0, 0.5])


def test_law_zero_limit():
    """Past a limit of zero the share is infinite; at it, nothing is used."""
    assert list(share_used(np.array([0.001, 0.0, -0.005]), -0.01, 0.0)) == [math.inf, 0.0, 0.5]


@given(st.floats(allow_nan=True, allow_infinity=True, width=64), LIMIT, LIMIT)
def test_law_share_agrees_with_comparison(error, low, high):
    """A share is at most 1 exactly when the error is finite and inside the limits."""
    if low is not None and high is not None and low > high:
        low, high = high, low
    share = float(share_used(np.array([error]), low, high)[0])
    inside = math.isfinite(error) and (low is None or error >= low) and (high is None or error <= high)
    assert (share <= 1.0) == inside
    assert share >= 0.0


def test_law_joint_share_is_the_worst_axis():
    """The joint share is the largest over the axes, and radial is the distance."""
    here = moment(x="10 mm", radial="50 mm", heading="2 deg")
    found = shares_of(here, moment_trials([[0.003, 0.004, 0.0], [0.0, 0.04, math.radians(1)]]), 15.0)

    assert [a.limit.axis for a in found.axes] == ["x", "radial", "heading"]
    assert found.axes[1].error == pytest.approx([0.005, 0.04])
    assert found.joint == pytest.approx([0.3, 0.8])


def test_law_full_turn_is_no_heading_error():
    """A heading error of a whole turn is none."""
    found = shares_of(moment(heading="2 deg"), moment_trials([[0, 0, 2 * math.pi + 0.001]]), 15.0)
    assert found.axes[0].error == pytest.approx([0.001])


def test_law_touch_time_and_nan_fail():
    """Contact before, a clock past the limit, and what is no number never succeed, at any moment."""
    errors = [[0.0, 0, 0], [0.0, 0, 0], [0.0, 0, 0], [math.nan, 0, 0], [0.0, 0, 0]]
    here = moment_trials(errors, [False, True, False, False, False], [15.0, 5.0, 15.1, 5.0, math.nan])

    for name in ("end", "pot-a"):
        assert list(shares_of(moment(name), here, 15.0).own) == [True, False, False, False, False]


def test_law_dependencies_chain():
    """A checkpoint counts only where everything it comes after has succeeded."""
    names = [moment("a"), moment("b", after=["a"]), moment("c", after=["b"]), moment("d")]
    bad = [[1, 0, 0], [0, 1, 0], [0, 0, 0], [0, 0, 0]]  # trial 0 misses a, trial 1 misses b
    shares = tuple(
        shares_of(m, moment_trials(np.array(b)[:, None] * [0.05, 0.0, 0.0]), 15.0)
        for m, b in zip(names, np.transpose(np.array(bad).T), strict=True)
    )
    success = with_dependencies(tuple(names), shares)

    assert [list(s) for s in success] == [
        [False, True, True],
        [False, False, True],
        [False, False, True],
        [True, True, True],
    ]


def test_law_repetition_depends_on_its_own_round():
    """In a repetition a checkpoint depends on the latest occurrence before it."""
    names = [moment("a"), moment("b", after=["a"]), moment("a#2"), moment("b#2", after=["a"])]
    good, bad = [[0.0, 0, 0]], [[1.0, 0, 0]]
    shares = tuple(
        shares_of(m, moment_trials(e), 15.0) for m, e in zip(names, [bad, good, good, good], strict=True)
    )
    assert [bool(s[0]) for s in with_dependencies(tuple(names), shares)] == [False, False, True, True]


def test_law_limits_of_bands():
    """Sizes become plus or minus, bands keep their free side, radial has no lower limit."""
    tolerance = Tolerance.model_validate(
        {
            "x": "10 mm",
            "across": {"low": "-5 mm"},
            "radial": "20 mm",
            "heading": {"low": "-1 deg", "high": "2 deg"},
        }
    )
    found = {limit.axis: (limit.low, limit.high) for limit in limits_of(tolerance)}
    assert found["x"] == (-0.01, 0.01)
    assert found["across"] == (-0.005, None)
    assert found["radial"] == (None, 0.02)
    assert found["heading"] == pytest.approx((-math.radians(1), math.radians(2)))


def test_law_the_worst_trials_are_named_in_order():
    """Failing ones before others, by the share used, of equals by number, three of them."""
    joint = np.array([0.9, 1.5, 0.2, 3.0, 1.5, 5.0])
    success = np.array([True, False, False, False, False, True])
    shares = SimpleNamespace(joint=joint)
    assert worst_trials(shares, success) == (3, 1, 4)
    assert worst_trials(shares, np.ones(6, bool)) == (5, 3, 1)
