"""Windows of one run share its constants: they count as independent only so far as that."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from drives import drive, weaving
from scipy import stats

from driftgate.calibrate.backtest import WindowPlan, fit_reckoning, independent_of_constants, score_reckoning
from driftgate.calibrate.correction_score import _word
from driftgate.calibrate.dead_reckoning import segments
from driftgate.calibrate.fit import Fit, covariance_of
from driftgate.calibrate.robot_model import robot_model
from driftgate.calibrate.score import FALSE_ALARM, normalised
from driftgate.load.single import load_single
from driftgate.schema.drift import HeadingLatency, LateralSlip
from driftgate.schema.robot import Robot

WREN = Path(__file__).resolve().parents[2] / "routines" / "robots" / "wren.yaml"


@pytest.mark.parametrize("share", [0.3, 0.9])
def test_mean_square_scatters_as_counted(share: float):
    """Simulated: the mean normalised error scatters as that of so many independent errors."""
    rng = np.random.default_rng(3)
    runs, windows, repeats = 4, 12, 4000
    root = np.array([[0.02, 0.0], [0.01, 0.03], [0.0, 0.004]])
    factor = np.sqrt(share) * rng.uniform(0.5, 1.5, (windows, 1, 1)) * root
    white = np.diag([0.02, 0.03, 0.005]) * np.sqrt(1.0 - share)
    cov = factor @ factor.transpose(0, 2, 1) + white @ white
    draws = rng.standard_normal((repeats, runs, 1, 2, 1))
    error = (factor @ draws)[..., 0] + rng.standard_normal((repeats, runs, windows, 3)) @ white
    flat = error.reshape(-1, 3)
    squares = normalised(flat, np.tile(cov, (repeats * runs, 1, 1))).reshape(repeats, -1).mean(axis=1)
    counted = independent_of_constants(runs * windows, [cov] * runs, [factor] * runs, 3)
    assert counted == pytest.approx(6.0 / squares.var(), rel=0.1)
    assert counted < 0.8 * runs * windows
    assert squares.mean() == pytest.approx(3.0, rel=0.05)


def test_mc_one_draw_for_all_runs_counts_as_one():
    """Simulated: runs that share a constant of the fit, and have one of their own, scatter as counted."""
    rng = np.random.default_rng(4)
    runs, windows, repeats = 5, 8, 4000
    both = rng.uniform(0.5, 1.5, (runs, windows, 3, 2)) * np.array(
        [[0.02, 0.01], [0.03, 0.01], [0.001, 0.003]]
    )
    white = np.diag([0.01, 0.01, 0.002])
    covs = list(both @ both.transpose(0, 1, 3, 2) + white @ white)
    draws = rng.standard_normal((repeats, runs, 1, 2, 1))
    draws[:, :, :, 0] = draws[:, :1, :, 0]
    error = (both @ draws)[..., 0] + rng.standard_normal((repeats, runs, windows, 3)) @ white
    squares = np.mean(
        [
            normalised(error[:, a, k], np.tile(covs[a][k], (repeats, 1, 1)))
            for a in range(runs)
            for k in range(windows)
        ],
        axis=0,
    )
    counted = independent_of_constants(runs * windows, covs, list(both), 3, list(both[..., :1]))
    assert counted == pytest.approx(6.0 / squares.var(), rel=0.1)
    assert counted < 0.75 * independent_of_constants(runs * windows, covs, list(both), 3)


def test_law_a_scale_of_one_fit_is_one_error_in_any_number_of_runs():
    """All of the error is one unknown scale, then one bias for each run: one error, and six."""
    runs = [drive(weaving(100, i), name=str(i)) for i in range(6)]
    counted = {}
    for key in ("distance_scale", "heading_bias"):
        model = Fit({key: 0.0}, {}, (key,), np.array([[25.0]]), 0, 0.0, 0.0)
        (found,) = score_reckoning(runs, [model] * 6, WindowPlan((2.0,), 2.0), None)
        counted[key] = found.model.independent
    assert counted["heading_bias"] > 4.0 * counted["distance_scale"]


def test_nothing_shared_counts_in_full():
    """Without unknown constants windows count by their own weight."""
    cov = np.tile(np.eye(3), (5, 1, 1))
    assert independent_of_constants(3.5, [cov], [np.zeros((5, 3, 0))], 3) == pytest.approx(3.5)


@pytest.mark.parametrize("count", [30, 60])
def test_a_right_filter_is_seldom_blamed(count: int):
    """By chance alone 30 independent poses are seldom 92 to 98 % inside."""
    rng = np.random.default_rng(5)
    words = [
        _word(float(rng.binomial(count, 0.95)) / count, float(rng.chisquare(200)) / 200, count, 200.0, 1)
        for _ in range(400)
    ]
    assert words.count("calibrated") > 0.93 * len(words)
    assert _word(0.6, 1.0, count, 200.0, 1) == "overconfident"
    assert _word(0.95, 1.6, count, 200.0, 1) == "overconfident"
    assert _word(0.95, 0.5, count, 200.0, 1) == "overcautious"


def test_a_robot_files_own_doubt_counts(tmp_path: Path):
    """What the file says is not known of a mean widens its prediction."""
    plain = load_single(WREN, "robot").document
    assert plain is not None
    model = plain.model
    assert isinstance(model, Robot)
    scale = model.errors.distance_scale
    assert scale is not None
    data = {**scale.model_dump(exclude={"fitted"}), "fitted": {"runs": 6, "mean_error": "0.8 %"}}
    doubted = model.model_copy(
        update={
            "errors": model.errors.model_copy(
                update={
                    "distance_scale": type(scale).model_validate({**data, "spread": "0.6 %", "mean": "0 %"})
                }
            )
        }
    )
    assert robot_model(model).error_of("distance_scale") == pytest.approx(0.006)
    both = robot_model(doubted)
    assert both.error_of("distance_scale") == pytest.approx(0.01)
    # The spread is drawn anew in each run, the mean's error is the same in all.
    assert both.common is not None
    i = both.names.index("distance_scale")
    assert np.sqrt(both.common[i, i]) == pytest.approx(0.008)


def test_a_robot_files_correlations_count():
    """Means whose errors go together are that in the model of the file as well."""
    document = load_single(WREN, "robot").document
    assert document is not None
    model = document.model
    assert isinstance(model, Robot)
    measured = {"basis": "measured", "constant_over": "run", "spread": "0 ms"}
    latency = HeadingLatency.model_validate(
        {**measured, "fitted": {"runs": 6, "mean_error": "2 ms", "goes_with": {"lateral_slip": 0.8}}}
    )
    slip = LateralSlip.model_validate(
        {
            "basis": "measured", "constant_over": "run", "per_turn": "4 mm/rad",
            "fitted": {"runs": 6, "per_turn_error": "3 mm/rad"},
        }
    )  # fmt: skip
    errors = model.errors.model_copy(update={"heading_latency": latency, "lateral_slip": slip})
    fit = robot_model(model.model_copy(update={"errors": errors}))
    i, k = fit.names.index("heading_latency"), fit.names.index("lateral_slip:turn")
    assert fit.covariance[i, k] == pytest.approx(0.8 * 0.002 * 0.003)
    assert fit.covariance[i, i] == pytest.approx(0.002**2)


def test_a_walk_that_is_hardly_known_costs_what_it_makes():
    """Of walks with one degree of freedom the one that makes the errors leaves little to judge by."""
    track = drive(weaving(900, 3), walks=(0.001, 0.03, 0.002), seed=3)
    plan, names = WindowPlan((3.0,), 1.0), ("distance_walk", "lateral_walk", "heading_walk:metre")
    known = Fit({}, dict(zip(names, (0.001, 0.03, 0.002), strict=True)), names, np.zeros((3, 3)), 0, 0.0, 0.0)
    counted = []
    for sized in ((), (("distance_walk",),), (("lateral_walk",),)):
        model = replace(known, sized=tuple((group, 1.0) for group in sized))
        (found,) = score_reckoning([track], [model], plan, None)
        counted.append(found.model.independent)
    whole, small, large = counted
    assert small < whole
    assert large < 4.0 < small


@pytest.mark.parametrize("freedom", [1.0, 3.0, 4.0, 12.0])
def test_mc_a_walk_known_from_little_holds(freedom: float):
    """Of a walk estimated with few degrees of freedom 95 of 100 intervals hold, the fewest the widest."""
    rng, noise = np.random.default_rng(int(freedom)), 0.03
    track = drive(weaving(60, 3))
    one = segments(track, WindowPlan((3.0,), 3.0).of(track).pick(slice(0, 1)), {})
    name, held = "lateral_walk", 0
    true = noise * np.sqrt(one.noise[name][0, 1, 1])
    for _ in range(1500):
        size = noise * np.sqrt(rng.chisquare(freedom) / freedom)
        model = Fit({}, {name: size}, (), np.zeros((0, 0)), 0, 0.0, 0.0, sized=(((name,), freedom),))
        held += abs(true * rng.standard_normal()) < 1.959964 * np.sqrt(covariance_of(one, model)[0, 1, 1])
    assert held / 1500 == pytest.approx(0.95, abs=4.0 * np.sqrt(0.05 * 0.95 / 1500))


@pytest.mark.parametrize("freedom", [1.0, 3.0, 8.0])
def test_mc_a_walk_known_from_little_is_seldom_blamed(freedom: float):
    """All of the error is a walk whose size is an estimate: judged by as many errors as that leaves."""
    rng, name, noise = np.random.default_rng(int(freedom)), "lateral_walk", 0.03
    blamed = 0
    for seed in range(100):
        run = drive(weaving(300, seed), walks=(noise, noise, noise), seed=seed)
        size = noise * float(np.sqrt(rng.chisquare(freedom) / freedom))
        walks = ("distance_walk", name, "heading_walk:metre")
        model = Fit(
            {}, dict.fromkeys(walks, size), (), np.zeros((0, 0)), 0, 0.0, 0.0, sized=((walks, freedom),)
        )
        (found,) = score_reckoning([run], [model], WindowPlan((2.0,), 2.0), None)
        blamed += found.model.word in ("overconfident", "overcautious")
    assert blamed <= stats.binom(100, FALSE_ALARM).ppf(0.999)


def test_a_noise_of_size_zero_has_an_error_that_makes_sense():
    """Without a walk of the heading its estimate is zero at times, and its error small, not infinite."""
    track = drive(weaving(1500, 3), walks=(0.01, 0.03, 0.0), seed=3)
    noises = ("distance_walk", "lateral_walk", "heading_walk:metre", "jitter:position")
    found, _ = fit_reckoning([track], WindowPlan((3.0, 8.0), 1.0), ("heading_bias",), noises)
    assert 0.0 in found.noise.values()
    for name in noises:
        assert found.error_of(name) < 0.05, name


def test_a_run_without_reference_has_no_bias():
    """It must not count as one whose bias is zero."""
    track = drive(weaving(1500, 3), constants={"heading_bias": 0.004}, walks=(0.01, 0.01, 0.001), seed=3)
    blind = type(track)("blind", track.time_s, track.twist, np.full_like(track.reference, np.nan))
    plan = WindowPlan((3.0, 8.0), 1.0)
    noises = ("distance_walk", "lateral_walk", "heading_walk:metre")
    alone, _ = fit_reckoning([track], plan, ("heading_bias",), noises)
    both, biases = fit_reckoning([track, blind], plan, ("heading_bias",), noises)
    assert biases[1] is None
    assert both.constants["heading_bias"] == pytest.approx(alone.constants["heading_bias"])
