"""The model of each run that a backtest judges, fitted or loaded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from driftgate.calibrate.backtest import WindowPlan, fit_reckoning, poorly_shown, scales_of, score_reckoning
from driftgate.calibrate.chain import MOST_POSES
from driftgate.calibrate.file_constants import FileConstants, hold_constants
from driftgate.calibrate.fit import Fit
from driftgate.calibrate.left_alone import position_rms, value_left
from driftgate.calibrate.other_runs import chained, fit_runs, placed_one_by_one
from driftgate.calibrate.robot_model import as_uncertain, robot_model, with_reference_spread
from driftgate.calibrate.run_bias import BIAS, RunBias, for_another_run, rests_agree, run_bias
from driftgate.calibrate.usual import CONSTANTS, DRIVE_OF, SIDEWAYS
from driftgate.calibrate.windows import Track, part, stands
from driftgate.predict.doubt import freedoms
from driftgate.report.backtest_model import ReckoningRow
from driftgate.run.backtest_load import Loaded
from driftgate.run.backtest_settings import BacktestSettings
from driftgate.run.status import InputError
from driftgate.schema.drift import ErrorSources

# A fit that leaves the runs it was made from so many times as far off as they were before, and by more than
# a tape can tell, is no fit (our choice). [1, m]
WORSE, TOLD_M = 1.1, 0.001
_STEERED = (
    "at rest, before they move, the runs fitted do not drift as they do on the way: something steers the "
    "heading there, or the gyro is set to zero. So no heading bias is taken from a standstill, and the "
    "prediction is as wide as what the fitted runs leave open of it"
)


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
    constants: FileConstants | None = None
    doubted: list[Fit] = []
    if loaded.robot is not None:
        model, plain = robot_model(loaded.robot), None
        models = [with_reference_spread(model, run.log.reference_spread) for run in loaded.judged]
        constants = _constants(loaded, scored, plan, model)
        unsure = as_uncertain(model, loaded.robot)
        if unsure is not None:
            doubted = [with_reference_spread(unsure, run.log.reference_spread) for run in loaded.judged]
    else:
        model, plain, models, biases, worsened = _fitted(settings, loaded, plan, worse, warnings)
    every = replace(plan, jump_m=None)
    scores = tuple(score_reckoning(scored, models, plan, plain, doubted))
    left_out = sum(len(every.of(t)) - len(plan.of(t)) for t in scored)
    with_jumps = tuple(score_reckoning(scored, models, every, plain, doubted)) if left_out else ()
    known = tuple(bias for bias in biases if bias is not None)
    return ReckoningRow(
        seed, model, tuple(models), known, scores, with_jumps, left_out, worsened, constants
    )  # fmt: skip


def _constants(loaded: Loaded, scored: Sequence[Track], plan: WindowPlan, model: Fit) -> FileConstants | None:
    """Return what the runs show of each constant of the robot file."""
    assert loaded.robot is not None
    runs = [
        chained(track, run.log.reference_spread, plan.jump_m)
        for run, track in zip(loaded.judged, scored, strict=True)
        if len(track.twist)
    ]
    return hold_constants(runs, model, freedoms(loaded.robot))


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


def _fitted(
    settings: BacktestSettings,
    loaded: Loaded,
    plan: WindowPlan,
    worse: Sequence[Track],
    warnings: list[str],
) -> tuple[Fit, Fit, list[Fit], list[RunBias | None], tuple[float, float] | None]:
    """Return what is fitted, and whether it is of use.

    The model for a further run, the one of noises alone, model and bias of each run judged, and how far off
    the runs fitted are where that is worse than before.

    Raises
    ------
    InputError
        If a constant is wanted that such a fit does not have.
    """
    judged, others = worse[: len(loaded.judged)], worse[len(loaded.judged) :]
    halves = [split(settings, track) for track in judged]
    sources, runs = ([early for early, _ in halves], loaded.judged)
    if settings.fit_on:
        sources, runs = list(others), loaded.fitted
    plain, _ = fit_reckoning(sources, plan, (), settings.noises)
    if placed_one_by_one(sources):
        _refuse_unknown(settings)
    spreads = [run.log.reference_spread for run in runs]
    keys = tuple(dict.fromkeys((*settings.constants, *scales_of(sources))))
    found = fit_runs(sources, spreads, plan, loaded.errors, keys, settings.noises, settings.slips)
    whose = "run of --fit" if settings.fit_on else "first part of a run"
    warnings += [
        f"--constant {name}: no {whose} shows anything of it; what would: {DRIVE_OF[name]}"
        for name in settings.constants
        if name not in found.further.constants
    ]
    shown = [model for model in found.own if model is not None]
    known = [model.constants[BIAS] for model in shown if BIAS in model.constants]
    models, biases = [], []
    own = [None] * len(judged) if settings.fit_on else list(found.own)
    rested = not settings.fit_on or rests_agree(found.own, sources)
    if not rested:
        warnings.append(_STEERED)
    for model, run, (_, late) in zip(own, loaded.judged, halves, strict=True):
        if model is None:
            model, bias, words = for_another_run(found.further, known, late, rested)
            warnings += [words] if words and rested else []
        else:
            bias = run_bias(model, late, "its own first part")
        if found.stated:
            model = with_reference_spread(model, run.log.reference_spread)
        models.append(model)
        biases.append(bias)
    warnings += poorly_shown(shown[0] if shown else found.further)
    seen = found.own
    if settings.fit_on and found.stated:
        # They are judged as a further run is: with what all of them have in common.
        at = [found.further.constants[BIAS]] * len(sources)
        seen = tuple(for_another_run(found.further, at, track, rested)[0] for track in sources)
    return found.further, plain, models, biases, _worsened(seen, sources, plan, loaded.errors)


def _refuse_unknown(settings: BacktestSettings) -> None:
    for name in settings.constants:
        if name not in {usual.key for usual in CONSTANTS}:
            raise InputError(
                f"--constant {name}: of runs measured at no more than {MOST_POSES} places what 'calibrate' "
                f"fits is fitted, which is {', '.join(usual.key for usual in CONSTANTS)}"
            )
