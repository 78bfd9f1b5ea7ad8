"""`driftgate backtest`: from logs to scores."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from driftgate.calibrate.backtest import (
    ReckoningScore,
    WindowPlan,
    fit_reckoning,
    poorly_shown,
    robot_model,
    score_reckoning,
    why_no_windows,
    with_reference_spread,
)
from driftgate.calibrate.beacons import BeaconModel
from driftgate.calibrate.correction_score import with_correction_verdict
from driftgate.calibrate.fit import Fit
from driftgate.calibrate.other_runs import enough_runs, fit_of_runs, with_usual_spreads
from driftgate.calibrate.perturb import with_errors
from driftgate.calibrate.run_bias import BIAS, RunBias, for_another_run, run_bias
from driftgate.calibrate.score import Word, with_verdict, worst
from driftgate.calibrate.tracks import track_of
from driftgate.calibrate.usual import CONSTANTS, FEWEST_RUNS
from driftgate.calibrate.windows import Track, part
from driftgate.core.errors import ModelError
from driftgate.core.findings import Finding
from driftgate.logs import Beacons, Log, read_beacons, read_log
from driftgate.report.backtest_model import Backtest, CheckpointRow, CorrectionRow, ReckoningRow, RunFacts
from driftgate.run.backtest_settings import BacktestSettings
from driftgate.run.corrected import CorrectionPlan, correct_runs
from driftgate.run.left_out import unmeasured, unused_ranges
from driftgate.run.log_files import check_robots, folder_of, named_file, refuse_several_robots, refuse_twice
from driftgate.run.log_steps import check_steps
from driftgate.run.routine_logs import RoutineRun, by_routine, checkpoint_rows, routine_runs, wall_rows
from driftgate.run.same_runs import behind_robot, no_evidence, refuse_copies, repositories, seen_before
from driftgate.run.status import Exit, InputError, counted, findings_status
from driftgate.run.tape import load_robot
from driftgate.schema.drift import ErrorSources
from driftgate.schema.robot import Robot

# Options that change the replay, and what they set of `CorrectionPlan`.
_REPLAYED = {
    "--gate": ("gates",),
    "--way-back": ("ways_back",),
    "--false-share": ("false_share",),
    "--every-nth": ("every_nth",),
    "--start-off": ("off_m", "off_rad"),
}


@dataclass(frozen=True)
class _Loaded:
    judged: list[tuple[Log, Track]]
    fitted: list[tuple[Log, Track]]
    beacons: Beacons | None
    robot: Robot | None
    errors: ErrorSources = field(default_factory=ErrorSources)


def backtest(settings: BacktestSettings) -> Backtest:
    """Fit or load a model and judge it on what it was not fitted on.

    Raises
    ------
    InputError
        If what was asked for cannot be done with these logs.
    """
    refuse_twice(settings.runs)
    refuse_twice(settings.fit_on)
    findings: list[Finding] = []
    loaded = _load(settings, findings)
    status, why = findings_status(findings)
    if loaded is None or status is not Exit.PASS:
        return Backtest(tuple(findings), (), "", (), None, (), (), (), "cannot say", int(Exit.BAD_INPUT), why)
    try:
        return _judged(settings, loaded, findings)
    except ModelError as error:
        raise InputError(f"{error}{_whole_runs(settings)}") from error


def _whole_runs(settings: BacktestSettings) -> str:
    """Return what would leave nothing of the runs to be fitted, where that is in the way."""
    if settings.fit_on or settings.robot is not None:
        return ""
    part = f"(only the first {100.0 * settings.fit_share:.3g} % of each run is fitted"
    return f" {part}; --robot FILE judges a robot file on all of it, --fit LOG fits on other runs)"


def _notes_on_evidence(settings: BacktestSettings, loaded: _Loaded) -> list[str]:
    """Return a note on runs that are judged and were fitted on: here, or by whoever wrote the robot file."""
    judged = [(log, files) for (log, _), files in zip(loaded.judged, settings.runs, strict=True)]
    fitted = [(log, files) for (log, _), files in zip(loaded.fitted, settings.fit_on, strict=True)]
    notes = []
    if seen := seen_before(judged, fitted):
        notes.append(no_evidence(seen, len(judged), "had a part in the fit (--fit)"))
    if loaded.robot is not None and settings.robot is not None:
        behind = behind_robot(judged, loaded.robot, repositories(settings.robot, judged))
        if behind:
            who = f"had a part in the numbers of {settings.robot.as_posix()} (its fitted.files)"
            notes.append(no_evidence(behind, len(judged), who))
    return notes


def _notes_on_checkpoints(
    settings: BacktestSettings, loaded: _Loaded, named: Sequence[RoutineRun]
) -> list[str]:
    """Return a note on runs judged that the robots of their routines were fitted on."""
    files = {id(log): paths for (log, _), paths in zip(loaded.judged, settings.runs, strict=True)}
    notes = []
    for group in by_routine(named):
        judged = [(run.log, files[id(run.log)]) for run in group]
        behind = behind_robot(judged, group[0].prepared.case.robot, repositories(None, judged))
        if behind:
            who = f"had a part in the numbers of the robot of {group[0].log.routine} (its fitted.files), "
            who += "which predict its checkpoints"
            notes.append(no_evidence(behind, len(judged), who))
    return notes


def _load(settings: BacktestSettings, findings: list[Finding]) -> _Loaded | None:
    judged = [_read(paths, findings) for paths in settings.runs]
    fitted = [_read(paths, findings) for paths in settings.fit_on]
    beacons = (
        None
        if settings.beacons is None
        else read_beacons(settings.beacons, findings, folder_of([settings.beacons]))
    )
    robot: Robot | None = None
    if settings.robot is not None:
        robot, more = load_robot(settings.robot)
        findings += more
    sound = [pair for pair in judged if pair is not None], [pair for pair in fitted if pair is not None]
    if len(sound[0]) < len(judged) or len(sound[1]) < len(fitted):
        return None
    for pairs, runs in ((sound[0], settings.runs), (sound[1], settings.fit_on)):
        refuse_copies((log, files) for (log, _), files in zip(pairs, runs, strict=True))
    check_steps(
        [(log, [folder_of(files)]) for (log, _), files in zip(sound[0], settings.runs, strict=True)],
        findings,
        missing=False,
    )
    if settings.robot is None:
        refuse_several_robots(log for log, _ in (*sound[0], *sound[1]))
    elif robot is not None:
        named = [(log, files) for (log, _), files in zip(sound[0], settings.runs, strict=True)]
        check_robots(named, settings.robot, robot, findings)
    errors = _errors_of(sound[1], settings.fit_on)
    return _Loaded(*sound, beacons, robot, errors)


def _errors_of(fitted: Sequence[tuple[Log, Track]], runs: Sequence[Sequence[Path]]) -> ErrorSources:
    """Return the error sources of the robot that fitted logs name: what of it is constant over a run.

    Of one that is not there, or not sound, nothing is known, and what is usual is taken.
    """
    for (log, _), files in zip(fitted, runs, strict=True):
        if log.robot is not None:
            path = named_file(log.robot, folder_of(files))
            robot = None if path is None else load_robot(path)[0]
            return ErrorSources() if robot is None else robot.errors
    return ErrorSources()


def _read(paths: Sequence[Path], findings: list[Finding]) -> tuple[Log, Track] | None:
    log = read_log(paths, findings, folder_of(paths))
    if log is None:
        return None
    try:
        return log, track_of(log)
    except ModelError as error:
        raise InputError(f"{log.path}: {error}") from error


def _split(settings: BacktestSettings, track: Track) -> tuple[Track, Track]:
    """Return what of a judged run is fitted, and what is judged."""
    whole = float(track.distance_m[-1])
    if settings.fit_on or settings.robot is not None:
        return part(track, 0.0, -1.0), track
    return part(track, 0.0, settings.fit_share * whole), part(track, settings.fit_share * whole, whole)


def _judged(settings: BacktestSettings, loaded: _Loaded, findings: list[Finding]) -> Backtest:
    tracks = [track for _, track in loaded.judged]
    others = [track for _, track in loaded.fitted]
    if not any(np.isfinite(t.reference).all(axis=1).sum() > 1 for t in tracks):
        raise InputError(
            f"{loaded.judged[0][0].path}: no run has two reference poses with a heading: the error over a "
            "stretch is told along and across where the robot really headed at its start; "
            "add 'reference heading [deg]' "
            "(README, 'Where the robot stands, by tape')"
        )
    plan = WindowPlan(settings.lengths_m, settings.every_m, settings.jump_m)
    random = any(settings.added.get(key, 0.0) > 0.0 for key in ("distance_walk", "heading_walk"))
    warnings = _notes_on_evidence(settings, loaded)
    seeds = range(settings.seed, settings.seed + settings.seeds)
    rows = []
    for seed in seeds if random else seeds[:1]:
        worse = [with_errors(track, settings.added, seed) for track in (*tracks, *others)]
        rows.append(_reckoning(settings, loaded, plan, worse, seed, warnings))
    replays: tuple[CorrectionRow, ...] = ()
    model: BeaconModel | None = None
    if loaded.beacons is not None:
        worse = [with_errors(track, settings.added, settings.seed) for track in (*tracks, *others)]
        halves = [_split(settings, track) for track in worse[: len(tracks)]]
        fitted = [h[0] for h in halves if len(h[0].twist)] or worse[len(tracks) :]
        logs = [log for log, _ in (loaded.judged if not settings.fit_on else loaded.fitted)]
        model, replays = correct_runs(
            settings.correction, plan, settings.constants, settings.noises, rows[0].models,
            (logs, fitted), ([log for log, _ in loaded.judged], [h[1] for h in halves]),
            loaded.beacons, seeds,
        )  # fmt: skip
    named = routine_runs(
        loaded.judged, [paths[0] for paths in settings.runs], loaded.robot, findings, warnings
    )
    checkpoints = tuple(checkpoint_rows(named))
    if loaded.robot is None and checkpoints:
        warnings += _notes_on_checkpoints(settings, loaded, named)
    warnings += unmeasured(named)
    warnings += unused_ranges([log for log, _ in (*loaded.judged, *loaded.fitted)], loaded.beacons, named)
    for run in named:
        replays += tuple(wall_rows(settings.correction, run, seeds, warnings))
    _refuse_unused(settings, named)
    if settings.seeds > 1 and not random and (not replays or settings.correction.count(seeds) == 1):
        warnings.append("nothing is drawn at random here, so that all seeds are one")
    rows, replays, checkpoints, words = _with_words(rows, replays, checkpoints)
    word = worst(words)
    warnings = list(dict.fromkeys(warnings))
    facts = tuple(_facts(settings, log, track) for log, track in loaded.judged)
    if not any(row.scores for row in rows):
        late = [_split(settings, track)[1] for track in tracks]
        warnings.append(f"no window is judged: {why_no_windows(plan, late)}")
    status = Exit.PASS if word == "calibrated" else Exit.FAIL
    why = f"{word}, by {words.count(word)} of {counted(len(words), 'score')}"
    if (unsaid := words.count("cannot say")) and word != "cannot say":
        why += f", {unsaid} cannot say"
    return Backtest(
        tuple(findings), facts, _fitted_words(settings), tuple(rows), model, replays, checkpoints,
        tuple(warnings), word, int(status), why,
    )  # fmt: skip


def _refuse_unused(settings: BacktestSettings, named: Sequence[RoutineRun]) -> None:
    """Refuse what changes a replay where nothing is replayed.

    Raises
    ------
    InputError
        If there is nothing to replay, and settings for it.
    """
    plan, usual = settings.correction, CorrectionPlan()
    changed = [
        option
        for option, fields in _REPLAYED.items()
        if any(getattr(plan, field) != getattr(usual, field) for field in fields)
    ]
    if not changed or settings.beacons is not None or any(run.replayed for run in named):
        return
    why = "no log names a routine"
    if named:
        why = "the robot of the logs' routine makes no fixes, or the logs have none of its readings"
    raise InputError(f"{changed[0]} changes the replay of the correction, and nothing is replayed: {why}")


def _with_words(
    rows: Sequence[ReckoningRow], replays: Sequence[CorrectionRow], checkpoints: Sequence[CheckpointRow]
) -> tuple[list[ReckoningRow], tuple[CorrectionRow, ...], tuple[CheckpointRow, ...], list[Word]]:
    """Return everything with its verdicts as parts of a whole, and the words that make the whole's."""
    among = sum(len(row.scores) for row in rows) + sum(row.judged for row in replays) + len(checkpoints)
    among = max(among, 1)

    def scores(of: Sequence[ReckoningScore]) -> tuple[ReckoningScore, ...]:
        return tuple(
            replace(
                one,
                model=with_verdict(one.model, among),
                zero_mean=None if one.zero_mean is None else with_verdict(one.zero_mean, among),
            )
            for one in of
        )

    whole = [replace(row, scores=scores(row.scores), with_jumps=scores(row.with_jumps)) for row in rows]
    replayed = tuple(replace(row, score=with_correction_verdict(row.score, among)) for row in replays)
    reached = tuple(replace(row, score=with_verdict(row.score, among)) for row in checkpoints)
    words: list[Word] = [one.model.word for row in whole for one in row.scores]
    words += [row.score.word for row in replayed if row.judged]
    words += [row.score.word for row in reached]
    return whole, replayed, reached, words


def _reckoning(
    settings: BacktestSettings,
    loaded: _Loaded,
    plan: WindowPlan,
    worse: Sequence[Track],
    seed: int,
    warnings: list[str],
) -> ReckoningRow:
    judged = worse[: len(loaded.judged)]
    halves = [_split(settings, track) for track in judged]
    scored = [late for _, late in halves]
    biases: list[RunBias | None] = []
    if loaded.robot is not None:
        model, plain = robot_model(loaded.robot), None
        models = [with_reference_spread(model, log.reference_spread) for log, _ in loaded.judged]
    else:
        sources = worse[len(judged) :] if settings.fit_on else [early for early, _ in halves]
        plain, _ = fit_reckoning(sources, plan, (), settings.noises)
        if settings.fit_on and enough_runs(sources):
            model, models, biases = _of_runs(settings, loaded, sources, scored, warnings)
            warnings += poorly_shown(model)
        else:
            keys = settings.constants
            if settings.fit_on:
                keys = tuple(dict.fromkeys((*keys, "distance_scale")))
            model, own = fit_reckoning(sources, plan, keys, settings.noises, settings.slips)
            if settings.fit_on:
                model = with_usual_spreads(model, loaded.errors)
                models, biases = _of_others(model, own, scored, warnings)
            else:
                models, biases = _of_first_parts(model, own, scored, warnings)
            warnings += poorly_shown(next((found for found in own if found is not None), model))
    every = replace(plan, jump_m=None)
    scores = tuple(score_reckoning(scored, models, plan, plain))
    left_out = sum(len(every.of(t)) - len(plan.of(t)) for t in scored)
    with_jumps = tuple(score_reckoning(scored, models, every, plain)) if left_out else ()
    known = tuple(bias for bias in biases if bias is not None)
    return ReckoningRow(seed, model, tuple(models), known, scores, with_jumps, left_out)


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
    loaded: _Loaded,
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
    spreads = [log.reference_spread for log, _ in loaded.fitted]
    model = fit_of_runs(sources, spreads, loaded.errors, settings.jump_m, settings.slips)
    # Their biases themselves are not asked for where they are enough: their spread is in the model.
    biases = [model.constants[BIAS]] * len(sources)
    found = [for_another_run(model, biases, track) for track in judged]
    warnings += [words for _, _, words in found if words]
    models = [
        with_reference_spread(own, log.reference_spread)
        for (own, _, _), (log, _) in zip(found, loaded.judged, strict=True)
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


def _facts(settings: BacktestSettings, log: Log, track: Track) -> RunFacts:
    late = _split(settings, track)[1]
    jumps = 0 if settings.jump_m is None else int(track.jumps(settings.jump_m).sum())
    return RunFacts(
        track.name,
        len(track.time_s),
        float(track.time_s[-1] - track.time_s[0]),
        float(track.distance_m[-1]),
        float(late.distance_m[-1]),
        jumps,
        sum(int(column.fired.sum()) for column in log.ranges.values()),
    )


def _fitted_words(settings: BacktestSettings) -> str:
    if settings.robot is not None:
        return f"the error sources of {settings.robot.as_posix()}"
    if settings.fit_on:
        return f"fitted on {counted(len(settings.fit_on), 'run')} (--fit)"
    return f"fitted on the first {100.0 * settings.fit_share:.3g} % of the odometry distance"
