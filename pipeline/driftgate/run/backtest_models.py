"""The model of each run that a backtest judges, fitted or loaded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from driftgate.calibrate.backtest import (
    WindowPlan,
    fit_reckoning,
    poorly_shown,
    robot_model,
    scales_of,
    score_reckoning,
    with_reference_spread,
)
from driftgate.calibrate.fit import Fit
from driftgate.calibrate.left_alone import position_rms, value_left
from driftgate.calibrate.other_runs import enough_runs, fit_of_runs, with_usual_spreads
from driftgate.calibrate.run_bias import BIAS, RunBias, for_another_run, run_bias
from driftgate.calibrate.usual import CONSTANTS, DRIVE_OF, FEWEST_RUNS, SIDEWAYS
from driftgate.calibrate.windows import Track, part, stands
from driftgate.report.backtest_model import ReckoningRow
from driftgate.run.backtest_load import Loaded
from driftgate.run.backtest_settings import BacktestSettings
from driftgate.run.status import InputError
from driftgate.schema.drift import ErrorSources

# A fit that leaves the runs it was made from so many times as far off as they were before, and by more than
# a tape can tell, is no fit (our choice). [1, m]
WORSE, TOLD_M = 1.1, 0.001


def split(settings: BacktestSettings, track: Track) -> tuple[Track, Track]:
    """Return what of a judged run is fitted, and what is judged: of one that stands nothing."""
    whole = float(track.distance_m[-1])
    if stands(track):
        return part(track, 0.0, -1.0), part(track, 0.0, -1.0)
    if settings.fit_on or settings.robot is not None:
        return part(track, 0.0, -1.0), track
    return part(track, 0.0, settings.fit_share * whole), part(track, settings.fit_share * whole, whole)


def reckoning(
    settings: BacktestSettings,
    loaded: Loaded,
    plan: WindowPlan,
    worse: Sequence[Track],
    seed: int,
    warnings: list[str],
) -> ReckoningRow:
    """Return the models of the runs judged, and their scores.

    Parameters
    ----------
    settings : BacktestSettings
        What was asked for.
    loaded : Loaded
        The runs.
    plan : WindowPlan
        Over which windows errors are taken.
    worse : sequence of Track
        The odometry of all runs, those judged first, with known errors on top.
    seed : int
        The seed of these.
    warnings : list of str
        What is to be said of it is added.
    """
    judged = worse[: len(loaded.judged)]
    halves = [split(settings, track) for track in judged]
    scored = [late for _, late in halves]
    biases: list[RunBias | None] = []
    worsened = None
    if loaded.robot is not None:
        model, plain = robot_model(loaded.robot), None
        models = [with_reference_spread(model, run.log.reference_spread) for run in loaded.judged]
    else:
        sources = worse[len(judged) :] if settings.fit_on else [early for early, _ in halves]
        plain, _ = fit_reckoning(sources, plan, (), settings.noises)
        if settings.fit_on and enough_runs(sources):
            model, models, biases = _of_runs(settings, loaded, sources, scored, warnings)
            warnings += poorly_shown(model)
            seen = [for_another_run(model, [model.constants[BIAS]] * len(sources), t)[0] for t in sources]
            worsened = _worsened(seen, sources, plan, loaded.errors)
        else:
            keys = settings.constants
            if settings.fit_on:
                keys = tuple(dict.fromkeys((*keys, *scales_of(sources))))
            model, own = fit_reckoning(sources, plan, keys, settings.noises, settings.slips)
            if settings.fit_on:
                model = with_usual_spreads(model, loaded.errors)
                models, biases = _of_others(model, own, scored, warnings)
            else:
                models, biases = _of_first_parts(model, own, scored, warnings)
            warnings += poorly_shown(next((found for found in own if found is not None), model))
            worsened = _worsened(own, sources, plan, loaded.errors)
    every = replace(plan, jump_m=None)
    scores = tuple(score_reckoning(scored, models, plan, plain))
    left_out = sum(len(every.of(t)) - len(plan.of(t)) for t in scored)
    with_jumps = tuple(score_reckoning(scored, models, every, plain)) if left_out else ()
    known = tuple(bias for bias in biases if bias is not None)
    return ReckoningRow(seed, model, tuple(models), known, scores, with_jumps, left_out, worsened)


def _worsened(
    fitted: Sequence[Fit | None], sources: Sequence[Track], plan: WindowPlan, errors: ErrorSources
) -> tuple[float, float] | None:
    """Return the RMS of the fitted runs' errors with the fitted constants and with those they replace. [m]

    Each run with its own model; None where the fitted ones are no worse, but for what headings may cost.
    """
    unused = SIDEWAYS if errors.sideways_scale is None else ""
    before = {usual.key: value_left(usual, errors) for usual in CONSTANTS if usual.key != unused}
    known = [(model, track) for model, track in zip(fitted, sources, strict=True) if model is not None]
    tracks, models = [track for _, track in known], [model for model, _ in known]
    replaced = [replace(model, constants=before) for model in models]
    rms, was = position_rms(tracks, models, plan), position_rms(tracks, replaced, plan)
    return (rms, was) if rms > max(WORSE * was, was + TOLD_M) else None


def _of_first_parts(
    model: Fit, own: Sequence[Fit | None], late: Sequence[Track], warnings: list[str]
) -> tuple[list[Fit], list[RunBias | None]]:
    """Return each run's model: that of its own first part, or that of a run not seen if it shows nothing."""
    fitted = [(found, track) for found, track in zip(own, late, strict=True) if found is not None]
    known = [found.constants[BIAS] for found, _ in fitted if BIAS in found.constants]
    models, biases = [], []
    for found, track in zip(own, late, strict=True):
        if found is not None:
            models.append(found)
            biases.append(run_bias(found, track, "its own first part"))
            continue
        other, bias, words = for_another_run(model, known, track)
        models.append(other)
        biases.append(bias)
        warnings += [words] if words else []
    return models, biases


def _of_runs(
    settings: BacktestSettings,
    loaded: Loaded,
    sources: Sequence[Track],
    judged: Sequence[Track],
    warnings: list[str],
) -> tuple[Fit, list[Fit], list[RunBias | None]]:
    """Return the model of several other runs, with how far they differ, and that of each run judged.

    Raises
    ------
    InputError
        If a constant is wanted that such a fit does not have.
    """
    for name in settings.constants:
        if name not in {usual.key for usual in CONSTANTS}:
            raise InputError(
                f"--constant {name}: from {FEWEST_RUNS} runs on, --fit fits what 'calibrate' fits, which is "
                f"{', '.join(usual.key for usual in CONSTANTS)}"
            )
    spreads = [run.log.reference_spread for run in loaded.fitted]
    model = fit_of_runs(sources, spreads, loaded.errors, settings.jump_m, settings.slips)
    warnings += [
        f"--constant {name}: no run of --fit shows anything of it; what would: {DRIVE_OF[name]}"
        for name in settings.constants
        if name not in model.constants
    ]
    # Their biases themselves are not asked for where they are enough: their spread is in the model.
    biases = [model.constants[BIAS]] * len(sources)
    found = [for_another_run(model, biases, track) for track in judged]
    warnings += [words for _, _, words in found if words]
    models = [
        with_reference_spread(own, run.log.reference_spread)
        for (own, _, _), run in zip(found, loaded.judged, strict=True)
    ]
    return model, models, [bias for _, bias, _ in found]


def _of_others(
    model: Fit, own: Sequence[Fit | None], judged: Sequence[Track], warnings: list[str]
) -> tuple[list[Fit], list[RunBias | None]]:
    """Return each run's model, from other runs and its own standstill."""
    known = [found.constants[BIAS] for found in own if found is not None and BIAS in found.constants]
    found = [for_another_run(model, known, track) for track in judged]
    warnings += [words for _, _, words in found if words]
    return [model for model, _, _ in found], [bias for _, bias, _ in found]
