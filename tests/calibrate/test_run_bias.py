"""The heading bias of a run: its own where part of it was looked at, the spread between runs where not."""

from __future__ import annotations

import numpy as np
import pytest
from drives import drive, weaving
from scipy import stats

from driftgate.calibrate.backtest import (
    USUAL_CONSTANTS,
    USUAL_NOISES,
    WindowPlan,
    fit_reckoning,
    poorly_shown,
    score_reckoning,
)
from driftgate.calibrate.fit import Fit
from driftgate.calibrate.run_bias import BIAS, for_another_run, rests_agree, with_mean
from driftgate.calibrate.score import FALSE_ALARM, with_verdict, worst
from driftgate.calibrate.windows import Track, part
from driftgate.core.errors import ModelError

PLAN = WindowPlan((2.0, 5.0), 1.0)
NOISES = ("distance_walk", "lateral_walk", "heading_walk:metre")
BIASES = (0.004, -0.006, 0.001, 0.009)


@pytest.fixture(scope="module")
def halves() -> list[tuple[Track, Track]]:
    """Return first and second halves of runs whose biases differ."""
    runs = [
        drive(weaving(600, i), constants={BIAS: b}, walks=(0.005, 0.01, 0.001), seed=i)
        for i, b in enumerate(BIASES)
    ]
    return [(part(t, 0.0, 30.0), part(t, 30.0, np.inf)) for t in runs]


def test_law_each_run_has_the_bias_of_its_own_first_part(halves):
    """Found run by run; with it the second halves come out as predicted, with the mean of all they do not."""
    model, own = fit_reckoning([early for early, _ in halves], PLAN, (BIAS,), NOISES)
    assert [m.constants[BIAS] for m in own if m is not None] == pytest.approx(BIASES, abs=0.0006)
    late = [track for _, track in halves]
    each = score_reckoning(late, [m for m in own if m is not None], PLAN, None)
    # The mean, taken for known as well as one run's is.
    mean = [_known(model, own[0].error_of(BIAS))] * len(late)
    same = score_reckoning(late, mean, PLAN, None)
    assert [s.model.word for s in each] == ["calibrated"] * 2
    assert {s.model.word for s in same} == {"overconfident"}
    assert each[1].model.heading_rms_rad < 0.5 * same[1].model.heading_rms_rad


def _known(model: Fit, error: float) -> Fit:
    covariance = model.covariance.copy()
    covariance[0, 0] = error**2
    return Fit(model.constants, model.noise, model.names, covariance, 0, 0.0, 0.0)


def test_law_a_run_not_seen_is_predicted_with_the_spread_between_runs(halves):
    """Its bias is one draw more: the prediction is as wide as runs differ, and says so."""
    runs = [early for early, _ in halves]
    model, own = fit_reckoning(runs[:3], PLAN, (BIAS,), NOISES)
    biases = [m.constants[BIAS] for m in own if m is not None]
    other, bias, words = for_another_run(model, biases, runs[3])
    assert bias.known_by == "spread between the fitted runs"
    assert "spread between the 3 fitted runs" in words
    assert bias.error > np.std(biases, ddof=1)
    (_, long) = score_reckoning([runs[3]], [other], PLAN, None)
    assert long.model.heading_predicted_rad > 5.0 * (
        score_reckoning([runs[3]], [_known(model, 0.0)], PLAN, None)[1].model.heading_predicted_rad
    )


@pytest.mark.parametrize("count", [3, 4, 8])
def test_mc_the_spread_holds_a_further_run(count: int):
    """In 95 of 100 cases the bias of one run more lies within 1.96 errors of the mean (400 draws)."""
    rng = np.random.default_rng(count)
    names = [f"{BIAS}:{i}" for i in range(count)]
    held = 0
    for _ in range(400):
        *seen, new = rng.normal(0.001, 0.003, count + 1).tolist()
        # As good as known, each of them.
        cov = 1e-12 * np.eye(count)
        found = Fit(dict(zip(names, seen, strict=True)), {}, tuple(names), cov, 0, 0.0, 0.0)
        model = with_mean(found, names)
        held += abs(new - model.constants[BIAS]) < 1.959964 * model.error_of(BIAS)
    assert held / 400 == pytest.approx(0.95, abs=4.0 * np.sqrt(0.05 * 0.95 / 400))


def _of_runs(biases: np.ndarray, errors: np.ndarray) -> tuple[Fit, list[str]]:
    names = [f"{BIAS}:{i}" for i in range(len(biases))]
    constants = dict(zip(names, biases.tolist(), strict=True))
    return Fit(constants, {}, tuple(names), np.diag(np.square(errors)), 0, 0.0, 0.0), names


def test_law_a_run_that_shows_little_says_little():
    """Two long runs and a short one that is far off, and known badly: the mean is that of the long ones.

    Runs that are all known alike have the plain mean, and what they differ by counts once.
    """
    biases, errors = np.array([0.0010, 0.0014, 0.0400]), np.array([1e-4, 1e-4, 0.05])
    model = with_mean(*_of_runs(biases, errors))
    assert model.constants[BIAS] == pytest.approx(0.0012, abs=2e-5)
    assert model.error_of(BIAS) < 0.01
    alike = np.array([0.001, -0.004, 0.006, 0.003])
    plain = with_mean(*_of_runs(alike, np.full(4, 1e-4)))
    assert plain.constants[BIAS] == pytest.approx(alike.mean(), abs=1e-7)
    # What each is off by is part of what they differ by: it is not added.
    expected = alike.std(ddof=1) * np.sqrt(1.25) * stats.t(3).ppf(0.975) / stats.norm.ppf(0.975)
    assert plain.error_of(BIAS) == pytest.approx(expected, rel=0.01)


def test_law_what_biases_share_with_other_constants_stays_shared():
    """The bias of a further run goes with a scale as the runs' own do, each by its weight."""
    found, names = _of_runs(np.array([0.001, 0.002, 0.003]), np.full(3, 1e-4))
    covariance = np.zeros((4, 4))
    covariance[:3, :3] = found.covariance
    covariance[:3, 3] = covariance[3, :3] = [2e-9, 4e-9, 6e-9]
    covariance[3, 3] = 1e-8
    scaled = Fit({**found.constants, "heading_scale": 0.01}, {}, (*names, "heading_scale"), covariance,
                 0, 0.0, 0.0)  # fmt: skip
    model = with_mean(scaled, names)
    assert model.covariance[0, 1] == pytest.approx(4e-9, rel=1e-6)
    assert model.constants["heading_scale"] == 0.01


@pytest.mark.parametrize("worst_rad_s", [0.0005, 0.01])
def test_mc_runs_known_unlike_hold_a_further_one(worst_rad_s: float):
    """Six runs, half of them known badly: a further bias is held in 95 of 100 cases.

    And nearer than by the plain mean where some are known far worse than runs differ.
    """
    rng, held, weighted, plain = np.random.default_rng(3), 0, [], []
    errors = np.where(np.arange(6) % 2 == 0, 1e-4, worst_rad_s)
    for _ in range(300):
        true = rng.normal(0.001, 0.002, 7)
        seen = true[:6] + errors * rng.normal(size=6)
        model = with_mean(*_of_runs(seen, errors))
        held += abs(true[6] - model.constants[BIAS]) < 1.959964 * model.error_of(BIAS)
        weighted.append(model.constants[BIAS] - 0.001)
        plain.append(seen.mean() - 0.001)
    assert 0.95 - 4.0 * np.sqrt(0.05 * 0.95 / 300) <= held / 300 <= 0.985
    assert np.std(weighted) < (1.02 if worst_rad_s < 0.001 else 0.7) * np.std(plain)


@pytest.mark.parametrize(("between", "most"), [(0.0, 4.0), (1.0, 2.2), (3.0, 2.1)])
def test_mc_own_errors_are_no_spread(between: float, most: float):
    """Three runs, each known no better than runs differ: held, and not wider than that takes.

    Before, as wide as such runs may differ at most: 4.5 times what there is where they do not differ at all.
    """
    rng, own, held, errors = np.random.default_rng(int(10 * between)), 1e-3, 0, []
    for _ in range(200):
        true = rng.normal(0.0, between * own, 4)
        model = with_mean(*_of_runs(true[:3] + own * rng.normal(size=3), np.full(3, own)))
        errors.append(model.error_of(BIAS))
        held += abs(true[3] - model.constants[BIAS]) < 1.959964 * errors[-1]
    assert held / 200 >= 0.95 - 4.0 * np.sqrt(0.05 * 0.95 / 200)
    assert np.median(errors) / (own * np.sqrt(between**2 + (between**2 + 1.0) / 3.0)) < most


@pytest.mark.parametrize("count", [1, 2])
def test_mc_few_fitted_runs_hold_a_further_one(count: int):
    """Biases far larger than usual about zero: in 95 of 100 cases the next lies within 1.96 errors."""
    rng, held = np.random.default_rng(count), 0
    moving = drive(weaving(5))
    for _ in range(3000):
        *seen, new = rng.normal(0.0, 0.5, count + 1).tolist()
        model = Fit({BIAS: float(np.mean(seen))}, {}, (BIAS,), np.eye(1), 0, 0.0, 0.0)
        other, bias, _ = for_another_run(model, seen, moving)
        assert bias.known_by == "not known but for its size"
        held += abs(new - other.constants[BIAS]) < 1.959964 * other.error_of(BIAS)
    assert held / 3000 == pytest.approx(0.95, abs=4.0 * np.sqrt(0.05 * 0.95 / 3000))


@pytest.mark.parametrize("seen", [[], [1e-6], [1e-6, -2e-6]])
def test_law_a_bias_near_zero_does_not_make_the_next_one_certain(seen: list[float]):
    """It may be as large as a gyro's bias usually is, 0.2 deg/s."""
    model = Fit({BIAS: 0.0}, {}, (BIAS,), np.eye(1), 0, 0.0, 0.0)
    other, _, words = for_another_run(model, seen, drive(weaving(5)))
    assert other.error_of(BIAS) == pytest.approx(np.radians(0.2))
    assert "so few fitted runs" in words


def test_mc_first_halves_seldom_blame_the_model_for_the_second():
    """Fitted on 30 m, judged on 30 m: with so few errors the sizes of noises are hardly known either."""
    true = {BIAS: 0.004, "heading_scale": 0.01, "crab_angle": -0.01, "heading_latency": 0.05}
    blamed = 0
    for seed in range(24):
        walks, jitter = (0.01, 0.02, 0.002), (0.002, 0.002)
        run = drive(weaving(600, seed), constants=true, walks=walks, jitter=jitter, seed=seed)
        model, _ = fit_reckoning([part(run, 0.0, 30.0)], PLAN, USUAL_CONSTANTS, USUAL_NOISES)
        scores = score_reckoning([part(run, 30.0, np.inf)], [model], PLAN, None)
        words = [with_verdict(s.model, len(scores)).word for s in scores]
        blamed += worst(words) in ("overconfident", "overcautious")
    assert blamed <= stats.binom(24, FALSE_ALARM).ppf(0.999)


def test_err_too_few_windows_are_no_fit():
    """A few windows are refused with what it takes; a few more are fitted."""
    track = drive(weaving(60, 3), walks=(0.005, 0.01, 0.001))
    with pytest.raises(ModelError, match=r"too few to fit 4 numbers on, which takes 3; drive longer"):
        fit_reckoning([track], WindowPlan((3.0,), 3.0), (BIAS,), NOISES)
    fit_reckoning([track], WindowPlan((1.0,), 1.0), (BIAS,), NOISES)


def test_law_what_no_window_shows_stays_small_and_is_said():
    """A straight drive shows no scale of turns: it stays within reason, and the drive for it is named."""
    track = drive(np.tile([0.1, 0.0, 0.0], (400, 1)), walks=(0.005, 0.01, 0.001))
    model, _ = fit_reckoning([track], PLAN, (BIAS, "heading_scale", "heading_latency"), NOISES)
    assert abs(model.constants["heading_scale"]) < 0.1
    assert 0.05 < model.error_of("heading_scale") < 0.2
    said = poorly_shown(model)
    assert [words.partition(" is")[0] for words in said] == ["heading scale", "heading latency"]
    assert "several full turns to the left, then to the right" in said[0]


def test_law_slips_that_are_none_are_not_found():
    """Where a walk explains all of the distance's error, no rare slips are made of it."""
    track = drive(weaving(900, 4), walks=(0.01, 0.02, 0.001), seed=4)
    model, _ = fit_reckoning([track], PLAN, (BIAS,), NOISES, slips=True)
    assert model.slips is None


@pytest.mark.parametrize(("plan", "words"), [
    (WindowPlan((50.0,), 1.0), "m at most, and the shortest window 50 m; give a shorter --length"),
    (WindowPlan((), 1.0, 1e-9), "leaps in all of them; see --jump"),
])  # fmt: skip
def test_err_no_windows_says_why(plan: WindowPlan, words: str):
    """What keeps the runs from having windows, and what to do."""
    track = drive(weaving(60, 3), walks=(0.005, 0.01, 0.001))
    with pytest.raises(ModelError, match=words):
        fit_reckoning([track], plan, (), NOISES)
    blind = Track("", track.time_s, track.twist, np.full_like(track.reference, np.nan))
    with pytest.raises(ModelError, match="two reference poses with a heading"):
        fit_reckoning([blind], plan, (), NOISES)


def _after_a_rest(bias: float, at_rest: float, seed: int) -> tuple[Fit, Track]:
    """Return what is known of the bias of a run on its way, and the run with such a rate at its rest."""
    rng = np.random.default_rng(seed)
    turned = 0.02 * at_rest + 2e-5 * rng.standard_normal(250)
    twist = np.zeros((260, 3))
    twist[:250, 2], twist[250:, 0] = turned, 0.01
    track = Track("", 0.02 * np.arange(261), twist, np.full((261, 3), np.nan))
    error = 0.0004
    known = bias + error * rng.standard_normal()
    return Fit({BIAS: known}, {}, (BIAS,), np.array([[error**2]]), 0, 0.0, np.nan), track


def test_law_a_heading_that_is_steered_at_rest_is_noticed():
    """Standstills count where they go with the way, in 195 of 200 sets; held at nought they do not."""
    rng = np.random.default_rng(2)
    agreed = 0
    for k in range(200):
        runs = [_after_a_rest(bias, bias, 10 * k + i) for i, bias in enumerate(rng.normal(0.0, 0.002, 6))]
        agreed += rests_agree([model for model, _ in runs], [track for _, track in runs])
    assert agreed >= 195
    held = [_after_a_rest(bias, 0.0, i) for i, bias in enumerate((0.002, -0.003, 0.001, 0.004))]
    models, tracks = [model for model, _ in held], [track for _, track in held]
    assert not rests_agree(models, tracks)
    assert rests_agree([None, *models[:0]], tracks[:1])
    # Then a further run's bias is a draw from those of the others, and its standstill is left alone.
    _, bias, words = for_another_run(models[0], [0.002, -0.003, 0.001, 0.004], tracks[0], rested=False)
    assert bias is not None
    assert (bias.value, bias.known_by) == (models[0].constants[BIAS], "spread between the fitted runs")
    assert "shows nothing at its standstill" in words
    assert for_another_run(models[0], [0.0] * 4, tracks[0])[1].known_by == "its own standstill"
