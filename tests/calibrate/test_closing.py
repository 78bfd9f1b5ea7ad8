"""Closing the loop: known errors in, the same errors out, within what is stated."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from closing import calibration_case, closed_loop
from scipy import stats

from driftgate.calibrate.drift_sources import placed

SEEDS = (11, 12, 13)


@pytest.fixture(scope="module")
def loops():
    """Return what three calibrations of six runs each state, beside what was put in."""
    return [closed_loop(seed) for seed in SEEDS]


def test_mc_stated_intervals_hold_what_was_put_in(loops):
    """Of all 95 % intervals of all seeds no more miss than chance allows once in a thousand times.

    `nox -s calibration` shows the shares over many seeds, number by number.
    """
    found = [number for numbers, _ in loops for number in numbers]
    missed = [f"{n.name}: {n.truth:.3g} not in {n.low:.3g} to {n.high:.3g}" for n in found if not n.held]
    # Numbers of one seed share its luck: as if there were half as many.
    allowed = 2 * stats.binom(len(found) // 2, 0.05).ppf(0.999)
    assert len(found) > 120
    assert len(missed) <= allowed, missed


def test_law_the_calibration_drive_shows_all_that_it_is_for(loops):
    """Six drives find every constant and both kinds of noise that matter, and sensors' bias and scale."""
    for _, fit in loops:
        assert all(constant.known for constant in fit.drift.constants)
        named = {source.path[-1] for source in fit.sources}
        assert {
            "distance_scale",
            "heading_scale",
            "lateral_walk",
            "step_timing",
            "settling",
            "bias",
            "noise",
        } <= named


def test_law_latency_and_slip_are_known_together(loops):
    """Arcs show them as one: their errors go together, and the file is told how much."""
    for _, fit in loops:
        (latency,) = (source for source in fit.sources if source.path[-1] == "heading_latency")
        together = dict(latency.goes_with)
        assert 0.3 < together["lateral_slip"] < 1.0
        (slip,) = (source for source in fit.sources if source.path[-1] == "lateral_slip")
        assert slip.goes_with == ()
        assert "with_speed" not in {number.key for number in slip.numbers}


def test_law_spreads_of_latency_and_slip_are_not_counted_twice(loops):
    """In arcs they act as one, of which six runs have five degrees of freedom: both have nearly those.

    Each by itself has half as many, and two drawn that wide make a sum far wider than the runs differ.
    """
    for _, fit in loops:
        named = {constant.usual.key: constant for constant in fit.drift.constants}
        latency, slip = named["heading_latency"].spread, named["lateral_slip:turn"].spread
        assert latency.freedom == slip.freedom > 3.5
        # At a usual speed of the drive [m/s]: the runs leave the sum far less than the two by themselves.
        sum_high = math.hypot(0.6 * latency.sd, slip.sd) * math.sqrt(slip.freedom / _lower(slip.freedom))
        assert sum_high < 0.9 * math.hypot(0.6 * latency.high, slip.high)


def _lower(freedom: float) -> float:
    return float(stats.chi2(freedom).ppf(0.025))


def test_law_latency_stands_beside_slip_with_speed_that_stays(loops):
    """Where the file keeps its slip, the latency written is what is left beside it: the sum is the same."""
    errors = calibration_case().case.robot.errors
    slip = errors.lateral_slip
    drift = loops[0][1].drift
    kept = [replace(c, known=c.known and c.usual.field != "lateral_slip") for c in drift.constants]
    whole, beside = (
        next(c for c in placed(constants, drift.kept, errors) if c.usual.key == "heading_latency")
        for constants in (drift.constants, kept)
    )
    assert beside.mean.value - slip.with_speed == pytest.approx(whole.mean.value)
    assert beside.mean.error == whole.mean.error
    assert math.hypot(beside.spread.high, slip.with_speed_spread) == pytest.approx(whole.spread.high)


@pytest.mark.parametrize("runs", [1, 2])
def test_law_one_or_two_runs_do_not_take_all_runs_for_alike(runs: int):
    """A mean is known no better than so many draws of what runs differ by, and that is not determined."""
    _, fit = closed_loop(2, runs)
    differing = [constant for constant in fit.drift.constants if constant.over == "run"]
    assert {constant.usual.key for constant in differing} >= {"distance_scale", "crab_angle", "heading_bias"}
    for constant in differing:
        assert constant.spread is None
        assert constant.assumed is not None
        assert constant.mean.error > 0.95 * constant.assumed / math.sqrt(runs)
        assert not any(source.path[-1] == constant.usual.field for source in fit.sources)
    assert any(words.startswith("how much runs differ (distance scale,") for words in fit.missing)


def test_law_more_runs_state_narrower_intervals():
    """Twelve runs state less width than three for what differs from run to run."""
    few, many = ({n.name: n.high - n.low for n in closed_loop(5, runs)[0]} for runs in (3, 12))
    for name in ("distance_scale", "heading_bias between runs", "crab_angle"):
        assert many[name] < 0.7 * few[name], name
