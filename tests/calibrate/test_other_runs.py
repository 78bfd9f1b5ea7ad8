"""A run not yet seen, predicted from several others whose scales differ: a closed loop with known numbers."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from drives import drive

from driftgate.calibrate.backtest import (
    USUAL_CONSTANTS,
    USUAL_NOISES,
    ReckoningScore,
    WindowPlan,
    fit_reckoning,
    score_reckoning,
    with_reference_spread,
)
from driftgate.calibrate.fit import Fit
from driftgate.calibrate.other_runs import enough_runs, fit_of_runs, with_usual_spreads
from driftgate.calibrate.run_bias import BIAS, for_another_run
from driftgate.calibrate.score import with_verdict, worst
from driftgate.calibrate.windows import Track
from driftgate.schema.drift import ErrorSources

# What differs from run to run, as standard deviations, and what all runs have alike.
SPREADS = {"distance_scale": 0.02, "crab_angle": 0.007, BIAS: 0.0017, "lateral_slip:turn": 0.002}
ALIKE = {"heading_scale": 0.003, "heading_latency": 0.01}
STATED = (0.002, 0.002, 0.006)
BETWEEN = WindowPlan((), 2.0, 0.1)
RUNS, SEEDS = 10, 8


def _route() -> np.ndarray:
    """Return straights of a metre at two speeds, turns on the spot and arcs, both ways round."""
    legs = []
    for k, side in enumerate((1, 1, -1, -1, 1, -1, 1, -1)):
        speed = (0.06, 0.03)[k % 2]
        legs.append(np.tile([speed, 0.0, 0.0], (round(1.0 / speed), 1)))
        arc = [0.0, 0.0, side * 0.1] if k % 2 else [0.03, 0.0, side * 0.0785]
        legs.append(np.tile(arc, (16 if k % 2 else 20, 1)))
    return np.concatenate(legs)


def _run(rng: np.random.Generator, seed: int) -> Track:
    """Return a run whose constants are drawn, measured at nine places."""
    drawn = {key: float(rng.normal(0.0, sd)) for key, sd in SPREADS.items()}
    track = drive(
        _route(), 0.05, {**drawn, **ALIKE}, (0.003, 0.004, 0.0017), (STATED[0], STATED[2]), seed, f"{seed}"
    )
    reference = np.full_like(track.reference, np.nan)
    keep = np.linspace(0, len(reference) - 1, 9).round().astype(int)
    reference[keep] = track.reference[keep]
    return Track(track.name, track.time_s, track.twist, reference)


@pytest.fixture(scope="module")
def halves() -> list[tuple[list[Track], list[Track]]]:
    """Return for each seed runs to fit and runs to judge."""
    found = []
    for seed in range(SEEDS):
        rng = np.random.default_rng([seed, 5])
        runs = [_run(rng, 100 * seed + i) for i in range(2 * RUNS)]
        found.append((runs[:RUNS], runs[RUNS:]))
    return found


def _scored(models: list[Fit], judged: list[Track]) -> list[ReckoningScore]:
    return score_reckoning(judged, models, BETWEEN, None)


def _verdict(rows: list[ReckoningScore]) -> str:
    return worst([with_verdict(row.model, len(rows)).word for row in rows])


def test_law_closed_loop_runs_whose_scale_differs_are_as_predicted(halves):
    """Calibrated at every seed, and as many inside the 95 % region as independent errors allow.

    Without spreads between runs in the prediction errors are larger than it says.
    """
    words, hits, count = [], 0.0, 0.0
    for fitted, judged in halves:
        model = fit_of_runs(fitted, [STATED] * RUNS, ErrorSources(), 0.1, slips=False)
        assert model.spread["distance_scale"] == pytest.approx(0.02, rel=0.75)
        assert set(model.spread) == set(SPREADS)
        models = [with_reference_spread(for_another_run(model, [0.0] * RUNS, t)[0], STATED) for t in judged]
        rows = _scored(models, judged)
        words.append(_verdict(rows))
        hits += rows[0].model.inside[-1] * rows[0].model.independent
        count += rows[0].model.independent
    assert words.count("calibrated") >= SEEDS - 1
    assert "overconfident" not in words
    assert hits / count == pytest.approx(0.95, abs=4.0 * math.sqrt(0.95 * 0.05 / count))


def test_law_one_number_for_all_runs_promises_too_much(halves):
    """The same data, one crab angle for all runs and no distance scale: blamed far too often."""
    words = []
    for fitted, judged in halves:
        model, own = fit_reckoning(fitted, BETWEEN, USUAL_CONSTANTS, USUAL_NOISES)
        biases = [one.constants[BIAS] for one in own if one is not None]
        words.append(_verdict(_scored([for_another_run(model, biases, t)[0] for t in judged], judged)))
    assert words.count("overconfident") >= 2
    assert words.count("calibrated") <= SEEDS - 3


def test_law_without_the_spread_the_prediction_is_too_sure(halves):
    """A planted fault: the spreads taken out of the covariance, the verdict is the opposite."""
    fitted, judged = halves[0]
    model = fit_of_runs(fitted, [STATED] * RUNS, ErrorSources(), 0.1, slips=False)
    known = replace(model, covariance=model.common, spread={}, doubt=((), np.zeros((0, 0))))
    models = [with_reference_spread(for_another_run(known, [0.0] * RUNS, t)[0], STATED) for t in judged]
    assert _verdict(_scored(models, judged)) == "overconfident"


def test_law_few_runs_are_taken_to_differ_as_is_usual(halves):
    """One run or two show no spread: that of the robot file, or the usual one, is in the prediction."""
    fitted, judged = halves[0]
    assert enough_runs(fitted[:3])
    assert not enough_runs(fitted[:2])
    keys = (*USUAL_CONSTANTS, "distance_scale")
    model, _ = fit_reckoning(fitted[:2], BETWEEN, keys, USUAL_NOISES)
    wide = with_usual_spreads(model, ErrorSources())
    assert set(wide.spread) == {"distance_scale", "crab_angle"}
    for key, size in (("distance_scale", 0.01), ("crab_angle", math.radians(1.0))):
        assert wide.error_of(key) == pytest.approx(math.hypot(model.error_of(key), size))
        assert wide.mean_error_of(key) == pytest.approx(model.error_of(key))
    before, after = (
        _scored([for_another_run(m, [0.0, 0.0], t)[0] for t in judged], judged)[0].model.predicted_m
        for m in (model, wide)
    )
    assert after > 1.2 * before


def test_law_fewer_runs_leave_a_prediction_wider(halves):
    """The same spreads, known from fewer runs: as much wider as Student's t has it."""
    fitted, judged = halves[1]
    model = fit_of_runs(fitted, [STATED] * RUNS, ErrorSources(), 0.1, slips=False)
    names, cov = model.doubt

    def predicted(times: float) -> float:
        doubtful = replace(model, doubt=(names, times * cov))
        return _scored([doubtful] * len(judged), judged)[0].model.predicted_m

    assert predicted(1e-9) < predicted(1.0) < predicted(4.0)
    sure = replace(model, doubt=((), np.zeros((0, 0))))
    assert predicted(1e-9) == pytest.approx(_scored([sure] * RUNS, judged)[0].model.predicted_m, rel=1e-6)
