"""Rare slips in chains of windows: found where there are some, and not where there are none."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from closing import calibration_case
from drives import integrate, weaving
from scipy import stats
from scipy.linalg import block_diag

from driftgate.calibrate import chain_slips
from driftgate.calibrate.backtest import WindowPlan, score_reckoning
from driftgate.calibrate.chain import LoggedRun, logged_run
from driftgate.calibrate.chain_slips import Called, call_slips, found_slips, with_called
from driftgate.calibrate.drift_fit import DriftFit, fit_drift
from driftgate.calibrate.mixed import Block, fit_mixed
from driftgate.calibrate.robot_model import robot_model, with_reference_spread
from driftgate.calibrate.score import Score
from driftgate.calibrate.slips import log_counts
from driftgate.calibrate.windows import Track
from driftgate.predict.increments import drift_constants, true_increment
from driftgate.schema.drift import ErrorSources, RareSlip

DT = 0.05
WALK = (0.002, 0.002, 0.002)
RATE, SIZE = 0.12, 0.06


def _run(seed: int, rate_per_m: float, count: int = 500) -> tuple[LoggedRun, int]:
    """Return a drive of some 12 m with a pose measured every half metre or so, and how often it slipped."""
    rng = np.random.default_rng(seed)
    twist = weaving(count, seed=seed, step_m=0.025)
    values = drift_constants(lambda key: np.asarray(0.004 if key == "distance_scale" else 0.0))
    length = np.abs(twist[:, 0])
    walk = [sd * np.sqrt(length) * rng.normal(size=count) for sd in WALK]
    slips = rng.poisson(rate_per_m * length)
    walk[0] = walk[0] + SIZE * np.sqrt(slips) * rng.normal(size=count)
    true = np.stack(true_increment(*twist.T, np.full(count, DT), values, tuple(walk)), axis=-1)
    reference = integrate(true) + rng.normal(0.0, [0.001, 0.001, 0.003], (count + 1, 3))
    seen = np.full_like(reference, np.nan)
    seen[::21] = reference[::21]
    track = Track(f"run {seed}", DT * np.arange(count + 1), twist, seen)
    return logged_run(track, (0.001, 0.001, 0.003)), int(slips.sum())


@cache
def _fit(first: int, rate_per_m: float) -> tuple[DriftFit, int]:
    runs = [_run(seed, rate_per_m) for seed in range(first, first + 6)]
    return fit_drift([run for run, _ in runs], ErrorSources(), 0.95), sum(slips for _, slips in runs)


def test_mc_slips_are_found_again():
    """Of four times six runs rate and size are each within their 95 % interval in all but one at most."""
    held_rate, held_size = 0, 0
    for first in range(10, 50, 10):
        found, slips = _fit(first, RATE)
        assert found.slips is not None
        assert 0.5 * slips <= found.slips.seen <= slips + 1.0
        held_rate += found.slips.interval_per_m[0] <= RATE <= found.slips.interval_per_m[1]
        held_size += found.slips.size.low <= SIZE <= found.slips.size.high
        (walk,) = (noise for noise in found.noises if noise.usual.key == "distance_walk")
        # The walk of the same variance as walk and slips would be 21 mm.
        assert walk.size.high < 0.010
        (source,) = (source for source in found.sources if source.path[-1] == "rare_slip")
        assert {number.key: number.value for number in source.numbers} == {
            "rate": found.slips.rate_per_m, "along": found.slips.size.sd,
        }  # fmt: skip
    assert min(held_rate, held_size) >= 3


def test_law_slips_that_are_none_are_not_found():
    """Where walks explain all of the errors, no slips are made of them: in none of 18 runs."""
    for first in (110, 120, 130):
        found, _ = _fit(first, 0.0)
        assert found.slips is None
        assert not any(source.path[-1] == "rare_slip" for source in found.sources)


def test_law_one_slip_is_hardly_known():
    """Of one slip in 50 m the rate may be a tenth or four times as much, and the runs do not say how far."""
    called = Called((np.array([0, 1]),), 0.1, 1.0, 1.0, 50.0)
    found = found_slips(called, 0.95)
    # Gamma of 1 1/2: what a prediction draws of a rate of which one event was seen.
    left = stats.gamma(1.5, scale=1.0 / 50.0)
    assert found.interval_per_m == pytest.approx(left.ppf([0.025, 0.975]), rel=1e-9)
    assert found.rate_per_m == pytest.approx(left.mean())
    assert found.size.freedom == 1.0
    assert found.size.high > 20.0 * found.size.low


def test_law_what_few_calls_tell_of_the_rate_is_no_multiple_of_them():
    """Calls of which next to nothing is sure make half a slip more to be expected, not twice as many."""
    found = found_slips(Called((np.array([0, 1]),), 0.1, 1.2, 0.5, 50.0), 0.95)
    assert found.rate_per_m == pytest.approx(1.7 / 50.0)


# Nearly straight windows: noise along and to the side, and what a slip of one metre does to the side.
_STEP_M, _NOISE_M, _ASIDE = 0.5, 0.005, 0.05
# What else pushed the robot aside where it slipped.
_PUSHED_M = 0.01
_SLIPPED_M = (0.06, -0.05, 0.07, 0.04, -0.06, 0.08, -0.03, 0.07, 0.05, -0.075)
# A window not so far off that it is looked at first, but so far that a slip turns out the better reason.
_FAR_M = 3.6 * _NOISE_M


def _straight_windows() -> list[Block]:
    """Return ten runs of twenty windows of any direction, each run with one that slipped."""
    rng = np.random.default_rng(20240911)
    blocks = []
    for slipped in _SLIPPED_M:
        errors, walks, slips = [], [], []
        for k in range(20):
            angle = rng.uniform(-math.pi, math.pi)
            turn = np.array(
                [
                    [math.cos(angle), -math.sin(angle), 0.0],
                    [math.sin(angle), math.cos(angle), 0.0],
                    [0.0, 0.0, 1.0],
                ]
            )
            error = np.clip(rng.normal(size=3), -2.0, 2.0) * [_NOISE_M, _NOISE_M, 0.003]
            if k == 3:
                error[:2] = slipped, math.copysign(_PUSHED_M, rng.normal())
            elif k == 7 and not blocks:
                error[0] = _FAR_M
            errors.append(turn @ error)
            walks.append(turn @ np.diag([1.0, 1.0, 0.0]) @ turn.T)
            slips.append(turn @ np.diag([1.0, _ASIDE**2, 0.0]) @ turn.T)
        whole = np.concatenate(errors)
        known = np.diag(np.tile([1e-8, 1e-8, 0.003**2], 20))
        parts = np.stack([block_diag(*walks), block_diag(*slips)])
        blocks.append(Block(whole, np.ones((len(whole), 1)), known, parts))
    return blocks


_LENGTHS = [np.full(20, _STEP_M)] * len(_SLIPPED_M)
_PRIOR = (np.array([1e-4]), np.zeros(1), np.array([_NOISE_M]))


@pytest.mark.parametrize("rounds", [0, 200], ids=["as first looked for", "as fitted"])
def test_law_millimetres_to_the_side_are_no_slip(monkeypatch, rounds: int):
    """In a window nearly straight a slip leads ahead: what is 10 mm to the side tells nothing of its size.

    Counted by what a slip does to the side, 50 mm a metre, it would pass for 200 mm of slip.
    """
    monkeypatch.setattr(chain_slips, "_ROUNDS", rounds)
    if rounds == 0:
        monkeypatch.setattr(chain_slips, "_FITS", 1)
    called = call_slips(_straight_windows(), _LENGTHS, *_PRIOR)
    assert called is not None
    # The first look names how many; later a few are to be expected that are too small to be called.
    number = called.expected if rounds else len(_SLIPPED_M)
    # 5 mm of noise along, and 5 mm to the side, of 60 mm: by a few per cent of the sum of squares.
    assert number * called.size_m**2 == pytest.approx(np.sum(np.square(_SLIPPED_M)), rel=0.05)
    assert number < len(_SLIPPED_M) + 5.0


def test_law_slips_are_judged_by_the_calls_that_the_runs_were_fitted_with(monkeypatch):
    """Where calls still change when the fits are over, those of the last fit are judged and returned."""
    blocks, length = _straight_windows(), np.concatenate(_LENGTHS)
    rested = call_slips(blocks, _LENGTHS, *_PRIOR)
    deviances, fitted = [], []

    def spied(given, *others):
        deviances.append(fit_mixed(given, *others))
        fitted.append(given)
        return deviances[-1]

    monkeypatch.setattr(chain_slips, "fit_mixed", spied)
    monkeypatch.setattr(chain_slips, "_FITS", 1)
    once = call_slips(blocks, _LENGTHS, *_PRIOR)
    assert once is not None
    assert rested is not None
    counts = np.concatenate(once.counts)
    assert counts.sum() == len(_SLIPPED_M) == np.concatenate(rested.counts).sum() - 1
    for block, own, last in zip(blocks, once.counts, fitted[-1], strict=True):
        knows = np.flatnonzero(np.diag(last.known - with_called(block, own * 0, 0.0).known) > 1e-6) // 3
        assert set(knows) == set(np.flatnonzero(own))
    chances = log_counts(once.expected / once.travelled_m, length)[np.arange(len(length)), counts]
    gain = 0.5 * (deviances[0].deviance - deviances[-1].deviance) + float(chances.sum())
    for worth in (gain - 0.1, gain + 0.1):
        monkeypatch.setattr(chain_slips, "_WORTH", worth)
        assert (call_slips(blocks, _LENGTHS, *_PRIOR) is None) == (worth > gain)


def test_law_a_robot_file_with_slips_is_judged_as_such():
    """With the slips that there are it is right; with a walk of the same variance it is far too wide.

    What is scored is a robot file's model on runs that it knows all about.
    """
    slip = {"rate": f"{RATE} 1/m", "along": f"{SIZE} m", "basis": "guess", "constant_over": "tick"}
    tracks = [_run(seed, RATE)[0].track for seed in range(200, 212)]
    case = calibration_case().case
    none = dict.fromkeys(type(case.robot.errors).model_fields)

    def judged(**errors) -> Score:
        found = ErrorSources.model_construct(**{**none, **_known(), **errors})
        model = with_reference_spread(
            robot_model(case.robot.model_copy(update={"errors": found})), (0.001, 0.001, 0.003)
        )
        first, *_ = score_reckoning(tracks, [model] * len(tracks), WindowPlan((), 1.0), None)
        return first.model

    own = judged(rare_slip=RareSlip.model_validate(slip))
    wide = judged(distance_walk=_walk("distance_walk", math.hypot(WALK[0], math.sqrt(RATE) * SIZE)))
    assert own.word == "calibrated"
    assert 0.62 <= own.inside[1] <= 0.74
    assert 0.91 <= own.inside[-1] <= 0.98
    assert own.normalised_bounds[0] < own.normalised < own.normalised_bounds[1]
    assert wide.inside[1] > 0.8
    assert own.nll < wide.nll - 0.5


def _walk(name: str, size: float):
    part = ErrorSources.model_fields[name].annotation.__args__[0]
    return part.model_validate(
        {"per_root_metre": f"{size} m/sqrt(m)", "basis": "guess", "constant_over": "tick"}
    )


def _known():
    errors = ErrorSources.model_validate(
        {
            "distance_scale": {"mean": "0.4 %", "spread": "0 %", "basis": "guess", "constant_over": "robot"},
            "heading_walk": {"per_root_metre": f"{WALK[2]} rad/sqrt(m)", "basis": "guess",
                             "constant_over": "tick"},
        }
    )  # fmt: skip
    return {
        "distance_scale": errors.distance_scale,
        "heading_walk": errors.heading_walk,
        "distance_walk": _walk("distance_walk", WALK[0]),
        "lateral_walk": _walk("lateral_walk", WALK[1]),
    }
