"""What a change gains, on made trials."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from driftgate.judge.bounds import bounding_rank
from driftgate.judge.budget import MomentOutput
from driftgate.judge.improve import improvement, margin_of, rank_share, tightest

COUNT = 2000


def moment(name: str = "end", required: float = 0.95) -> Any:
    """Return what a margin needs of a moment."""
    return SimpleNamespace(name=name, required=required)


def output(event: np.ndarray) -> MomentOutput:
    """Return trials that use so much of the tolerance."""
    return MomentOutput({}, event, np.zeros(event.shape, dtype=bool))


def used(seed: int = 1, size: float = 0.4) -> np.ndarray:
    """Return shares of a tolerance used by normal errors."""
    return size * np.abs(np.random.default_rng(seed).standard_normal(COUNT))


def test_law_margin_is_the_verdicts() -> None:
    """The margin is one minus the share at the rank that bounds the required quantile."""
    event = used()
    rank = bounding_rank(COUNT, 0.95, 0.95)
    assert rank is not None
    assert margin_of(moment(), output(event), 0.95) == 1.0 - np.sort(event)[rank - 1]
    # 20 trials cannot bound 99 %: then the plain quantile, the 20th of them.
    assert rank_share(20, 0.99, 0.95) == 1.0


def test_law_same_trials_gain_nothing() -> None:
    """A change that changes no trial gains exactly nothing, with certainty."""
    one = improvement("nothing", (moment(),), (output(used()),), (output(used()),), 0.95)
    assert one.gain is not None
    assert (one.gain.value, one.gain.low, one.gain.high) == (0.0, 0.0, 0.0)
    assert one.margin_now == one.margin_before
    assert one.success.value == 0.0


def test_law_common_luck_shows_a_small_gain() -> None:
    """Errors a tenth smaller, trial by trial, gain a tenth of the share used, and the interval says so."""
    one = improvement("less", (moment(),), (output(used()),), (output(0.9 * used()),), 0.95)
    assert one.gain is not None
    assert one.gain.value == pytest.approx(0.1 * (1.0 - one.margin_before), rel=1e-12)
    assert one.gain.low is not None
    assert 0.0 < one.gain.low < one.gain.value < one.gain.high


def test_law_gain_is_measured_on_the_tightest_before() -> None:
    """The tolerance that was the tightest is the one measured; the tightest afterwards is named."""
    moments = (moment("near"), moment("far"))
    before = (output(used(1, 0.2)), output(used(2, 0.4)))
    now = (output(used(1, 0.2)), output(used(2, 0.1)))
    one = improvement("better", moments, before, now, 0.95)
    assert tightest(moments, before, 0.95)[0] == 1
    assert (one.moment, one.tightest_now) == ("far", "near")
    assert one.tightest_margin == margin_of(moments[0], now[0], 0.95)


def test_law_failures_that_are_no_distance() -> None:
    """Infinite shares leave no margin to compare; success still orders the changes."""
    lost = used()
    lost[: COUNT // 10] = math.inf
    half = used()
    half[: COUNT // 12] = math.inf
    worse = improvement("a", (moment(),), (output(lost),), (output(lost),), 0.95)
    better = improvement("b", (moment(),), (output(lost),), (output(half),), 0.95)
    cured = improvement("c", (moment(),), (output(lost),), (output(used()),), 0.95)
    assert better.gain is None
    assert better.margin_before == -math.inf
    assert better.success.value == pytest.approx(1 / 10 - 1 / 12, abs=1e-3)
    assert sorted((worse, better, cured), key=lambda one: one.order) == [cured, better, worse]
