"""A wheel for each direction: known scales and walks in, the same out, and neither laid on the other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from closing import REFERENCE, closed_loop
from scipy import stats
from sidestepping import sideways_case

from driftgate.calibrate.backtest import USUAL_CONSTANTS, USUAL_NOISES, WindowPlan, fit_reckoning, scales_of
from driftgate.calibrate.from_logs import LogsFit, fit_logs
from driftgate.calibrate.tracks import track_of
from driftgate.logs.values import Log
from driftgate.predict import Prepared
from driftgate.predict.logged import sample_runs

SEEDS = range(40, 48)
# What one wheel has and the other has not.
OWN = ("distance_scale", "sideways_scale", "distance_walk", "lateral_walk")


@pytest.fixture(scope="module")
def loops():
    """Return what eight calibrations of six runs each state, beside what was put in."""
    return [closed_loop(seed, of=sideways_case()) for seed in SEEDS]


def test_mc_both_scales_and_both_walks_come_out_as_put_in(loops):
    """Of their 95 % intervals no more miss than chance allows once in a thousand times.

    `nox -s calibration` shows the shares over many seeds, number by number.
    """
    found = [number for numbers, _ in loops for number in numbers if number.name.split(" ")[0] in OWN]
    missed = [f"{n.name}: {n.truth:.3g} not in {n.low:.3g} to {n.high:.3g}" for n in found if not n.held]
    assert len(found) == 6 * len(SEEDS)
    assert len(missed) <= stats.binom(len(found), 0.05).ppf(0.999), missed


def test_law_the_scale_of_the_sideways_wheel_stands_in_the_file(loops):
    """Six drives find it as they find the forward one: mean, spread, standard error and where from."""
    found = [source for _, fit in loops for source in fit.sources if source.path[-1] == "sideways_scale"]
    assert len(found) >= 0.7 * len(loops)
    for source in found:
        assert (source.path[0], source.runs, source.constant_over) == ("errors", 6, "run")
        assert [number.key for number in source.numbers] == ["mean", "spread"]
        assert source.fit[0].key == "mean_error"
        assert source.fit[0].value > 0.0
    # They are 2.5 % apart: laid on both wheels, one scale would lie between them.
    for numbers, _ in loops:
        mean = {n.name: 0.5 * (n.low + n.high) for n in numbers}
        assert mean["sideways_scale"] - mean["distance_scale"] > 0.01


def test_mc_one_scale_for_both_directions_is_found_twice():
    """Without a scale of its own the sideways distance shows that of the forward distance."""
    for seed in (3, 4):
        numbers = {n.name: n for n in closed_loop(seed, of=sideways_case(own_scale=False))[0]}
        for name in ("sideways_scale", "distance_scale"):
            n = numbers[name]
            assert n.truth == -0.01
            # Within twice the 95 % interval, which six runs miss about once in three hundred times.
            assert abs(0.5 * (n.low + n.high) - n.truth) < n.high - n.low, name


def _logs(case: Prepared, runs: int = 4) -> list[Log]:
    return [run.log for run in sample_runs(case, runs, 7, REFERENCE)]


def _fit(logs: list[Log], drive: str = "holonomic") -> LogsFit:
    robot = sideways_case().case.robot
    robot = robot.model_copy(update={"drive": robot.drive.model_copy(update={"type": drive})})
    return fit_logs(logs, robot, [None] * len(logs), {}, 0.95)


def _asked(fit: LogsFit) -> list[str]:
    return [constant.usual.key for constant in fit.drift.constants]


def test_law_without_sidesteps_it_is_not_found_and_the_drive_is_named():
    """Nothing is said of a scale that no run shows, nor by a jitter of the wheel, but what would show it."""
    logs = _logs(sideways_case(sidesteps=False))
    rng = np.random.default_rng(5)
    still = _fit([replace(log, sideways_m=np.zeros(len(log.time_s))) for log in logs])
    jittered = _fit([replace(log, sideways_m=1e-5 * rng.normal(size=len(log.time_s))) for log in logs])
    assert "sideways_scale" not in _asked(still)
    assert "sideways_scale" in _asked(jittered)
    for fit in (still, jittered):
        assert not any(source.path[-1] == "sideways_scale" for source in fit.sources)
        (words,) = (words for words in fit.missing if words.startswith("sideways scale: "))
        assert "sidesteps of 1 m to the left and to the right" in words
    # What cannot be told takes nothing from what can.
    own, beside = (
        next(c for c in f.drift.constants if c.usual.key == "distance_scale") for f in (still, jittered)
    )
    assert beside.mean.value == pytest.approx(own.mean.value, abs=0.05 * own.mean.error)
    assert beside.mean.error == pytest.approx(own.mean.error, rel=0.05)


def test_law_a_differential_drive_has_no_scale_sideways():
    """What its free wheel counts sideways is slip: its robot file could not hold the scale."""
    fit = _fit(_logs(sideways_case(), 3), "differential")
    assert "sideways_scale" not in _asked(fit)
    assert not any("sideways scale" in words for words in fit.missing)


def test_law_a_scale_that_runs_differ_in_asks_for_more_runs():
    """Three runs that did sidestep are not sent to do it again: what lacks is runs."""
    fit = _fit(_logs(sideways_case(), 3))
    (words,) = (words for words in fit.missing if words.startswith("sideways scale"))
    assert words == "sideways scale, its mean better: more runs, since it differs much from each to the next"


def test_law_one_fitted_run_has_both_scales():
    """A backtest that fits one run asks it for the scale of each wheel that moves."""
    (run,) = sample_runs(sideways_case(), 1, 7, REFERENCE)
    track = track_of(run.log)
    still = replace(track, twist=track.twist * np.array([1.0, 0.0, 1.0]))
    assert scales_of([still]) == ("distance_scale",)
    keys = (*USUAL_CONSTANTS, *scales_of([still, track]))
    model, _ = fit_reckoning([track], WindowPlan((), 2.0), keys, USUAL_NOISES)
    for key in ("distance_scale", "sideways_scale"):
        assert abs(model.constants[key] - run.drawn[key]) < 4.0 * model.error_of(key), key
        assert model.error_of(key) < 0.01
