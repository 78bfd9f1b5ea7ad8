"""`driftgate backtest`: from logs to scores."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from driftgate.calibrate.backtest import ReckoningScore, WindowPlan, why_no_windows
from driftgate.calibrate.beacons import BeaconModel
from driftgate.calibrate.correction_score import with_correction_verdict
from driftgate.calibrate.filter_claim import FilterClaim, filter_claim
from driftgate.calibrate.perturb import with_errors
from driftgate.calibrate.score import Word, with_doubt, with_verdict, worst
from driftgate.calibrate.windows import Track, excursion, stands
from driftgate.core.errors import ModelError
from driftgate.core.findings import Finding
from driftgate.logs import Log
from driftgate.report.backtest_constants import constants_off
from driftgate.report.backtest_filter import CLAIMS
from driftgate.report.backtest_model import Backtest, CheckpointRow, CorrectionRow, ReckoningRow, RunFacts
from driftgate.run.backtest_load import Loaded, load, notes_on_checkpoints, notes_on_evidence
from driftgate.run.backtest_models import reckoning, split
from driftgate.run.backtest_settings import BacktestSettings
from driftgate.run.checkpoint_scores import checkpoint_rows
from driftgate.run.corrected import CorrectionPlan, correct_runs
from driftgate.run.left_out import unmeasured, unused_ranges
from driftgate.run.log_files import refuse_twice
from driftgate.run.named_files import places
from driftgate.run.routine_logs import RoutineRun, routine_runs, wall_rows
from driftgate.run.run_parts import with_parts
from driftgate.run.status import Exit, InputError, counted, findings_status
from driftgate.schema.robot import Robot

# Options that change the replay, and what they set of `CorrectionPlan`.
_REPLAYED = {
    "--gate": ("gates",),
    "--way-back": ("ways_back",),
    "--false-share": ("false_share",),
    "--every-nth": ("every_nth",),
    "--start-off": ("off_m", "off_rad"),
}


def backtest(settings: BacktestSettings, findings: list[Finding] | None = None) -> Backtest:
    """Fit or load a model and judge it on what it was not fitted on.

    Parameters
    ----------
    settings : BacktestSettings
        What was asked for.
    findings : list of Finding, optional
        What is found of the files is added, as it is found: also where it ends in an error.

    Raises
    ------
    InputError
        If what was asked for cannot be done with these logs.
    """
    refuse_twice(settings.runs)
    refuse_twice(settings.fit_on)
    findings = [] if findings is None else findings
    try:
        loaded = load(settings, findings)
        if loaded is None or findings_status(findings)[0] is not Exit.PASS:
            return _refused(findings)
        return _judged(settings, loaded, findings)
    except ModelError as error:
        raise InputError(f"{error}{_whole_runs(settings)}") from error
    except InputError as error:
        raise InputError(with_parts(str(error), findings)) from error


def _refused(findings: Sequence[Finding]) -> Backtest:
    """Return what comes of files with errors: these, and no numbers."""
    why = findings_status(findings)[1]
    return Backtest(tuple(findings), (), "", (), None, (), (), (), "cannot say", int(Exit.BAD_INPUT), why)


def _whole_runs(settings: BacktestSettings) -> str:
    """Return what would leave nothing of the runs to be fitted, where that is in the way."""
    if settings.fit_on or settings.robot is not None:
        return ""
    part = f"(only the first {100.0 * settings.fit_share:.3g} % of each run is fitted"
    return f" {part}; --robot FILE judges a robot file on all of it, --fit LOG fits on other runs)"


def _judged(settings: BacktestSettings, loaded: Loaded, findings: list[Finding]) -> Backtest:
    tracks = [run.track for run in loaded.judged]
    others = [run.track for run in loaded.fitted]
    if not any(np.isfinite(t.reference).all(axis=1).sum() > 1 for t in tracks):
        raise InputError(
            f"{loaded.judged[0].log.path}: no run has two reference poses with a heading: the error over a "
            "stretch is told along and across where the robot really headed at its start; "
            "add 'reference heading [deg]' "
            "(README, 'Where the robot stands, by tape')"
        )
    plan = WindowPlan(settings.lengths_m, settings.every_m, settings.jump_m)
    random = any(settings.added.get(key, 0.0) > 0.0 for key in ("distance_walk", "heading_walk"))
    warnings = [*_leave_out_still(loaded), *notes_on_evidence(settings, loaded)]
    seeds = range(settings.seed, settings.seed + settings.seeds)
    rows = []
    for seed in seeds if random else seeds[:1]:
        worse = [with_errors(track, settings.added, seed) for track in (*tracks, *others)]
        rows.append(reckoning(settings, loaded, plan, worse, seed, warnings))
    replays: tuple[CorrectionRow, ...] = ()
    model: BeaconModel | None = None
    if loaded.beacons is not None:
        worse = [with_errors(track, settings.added, settings.seed) for track in (*tracks, *others)]
        halves = [split(settings, track) for track in worse[: len(tracks)]]
        fitted = [h[0] for h in halves if len(h[0].twist)] or worse[len(tracks) :]
        logs = [run.log for run in (loaded.judged if not settings.fit_on else loaded.fitted)]
        model, replays = correct_runs(
            settings.correction, plan, settings.constants, settings.noises, rows[0].models,
            (logs, fitted), ([run.log for run in loaded.judged], [h[1] for h in halves]),
            loaded.beacons, seeds, warnings, findings,
        )  # fmt: skip
        if findings_status(findings)[0] is not Exit.PASS:
            return _refused(findings)
    named = routine_runs(
        [(run.log, run.track) for run in loaded.judged],
        [places(run.files) for run in loaded.judged],
        loaded.robot,
        findings,
    )
    checkpoints = tuple(checkpoint_rows(named, settings.seed))
    if loaded.robot is None and checkpoints:
        warnings += notes_on_checkpoints(loaded, named)
    warnings += unmeasured(named)
    warnings += unused_ranges([run.log for run in loaded.every], loaded.beacons, named)
    for run in named:
        replays += tuple(wall_rows(settings.correction, run, seeds, warnings))
    _refuse_unused(settings, named)
    if settings.seeds > 1 and not random and (not replays or settings.correction.count(seeds) == 1):
        warnings.append("nothing is drawn at random here, so that all seeds are one")
    rows, replays, checkpoints, words = _with_words(rows, replays, checkpoints)
    word = worst(words)
    warnings = list(dict.fromkeys(warnings))
    facts = tuple(_facts(settings, run.log, run.track) for run in loaded.judged)
    if not any(row.scores for row in rows):
        late = [split(settings, track)[1] for track in tracks]
        warnings.append(f"no window is judged: {why_no_windows(plan, late)}")
    worsened = next((row.worsened for row in rows if row.worsened is not None), None)
    status = Exit.PASS if word == "calibrated" and worsened is None else Exit.FAIL
    why = f"{word}, by {words.count(word)} of {counted(len(words), 'score')}"
    if (unsaid := words.count("cannot say")) and word != "cannot say":
        why += f", {unsaid} cannot say"
    held = next((row.constants for row in rows if row.constants is not None and row.constants.found), None)
    if held is not None:
        why += f"; {constants_off(held)}"
    claim = _claim(settings, replays)
    if claim is not None and claim.word in CLAIMS:
        why += f"; the filter {CLAIMS[claim.word]}"
    if worsened is not None:
        rms, before = worsened
        why += f", but the fit is of no use: the fitted runs are {rms:.3f} m off, {before:.3f} m without it"
    return Backtest(
        tuple(findings), facts, _fitted_words(settings), tuple(rows), model, replays, checkpoints,
        tuple(warnings), word, int(status), why, claim,
        any(_has_means(run.prepared.case.robot) for run in named),
    )  # fmt: skip


def _leave_out_still(loaded: Loaded) -> list[str]:
    """Return a note on runs judged that hardly move.

    Raises
    ------
    InputError
        If none of them moves, or one of those fitted on does not.
    """
    still = [run.track for run in loaded.judged if stands(run.track)]
    fitted = [run.track for run in loaded.fitted if stands(run.track)]
    if fitted:
        raise InputError(f"{_standing(fitted)}; nothing can be fitted on that: leave it out of --fit")
    if len(still) == len(loaded.judged):
        raise InputError(
            f"{_standing(still)}; log runs in which the robot drives, measured at two places or more"
        )
    return [f"{_standing(still)}: of that no dead reckoning is judged"] if still else []


def _standing(tracks: Sequence[Track]) -> str:
    far = [excursion(track) for track in tracks]
    away, turned = 1e3 * max(m for m, _ in far), math.degrees(max(rad for _, rad in far))
    who = f"run '{tracks[0].name}' stands" if len(tracks) == 1 else f"{len(tracks)} runs stand"
    return f"{who}: by the odometry it gets {away:.0f} mm far, and turns {turned:.1f} deg"


def _claim(settings: BacktestSettings, replays: Sequence[CorrectionRow]) -> FilterClaim | None:
    """Return what the replays say of the filter, those of the first setting; None if they were made worse."""
    plan = settings.correction
    worse = plan.false_share > 0.0 or plan.off_m > 0.0 or plan.off_rad > 0.0 or any(settings.added.values())
    if worse or not replays:
        return None
    first = replays[0].gate, replays[0].way_back
    own = [row for row in replays if (row.gate, row.way_back) == first]
    return filter_claim([row.score for row in own], long=all(row.judged for row in own))


def _has_means(robot: Robot) -> bool:
    """Return whether the robot file has a mean of a range sensor in it."""
    parts = [
        part for s in robot.sensors for part in (s.errors.bias, s.errors.scale, s.errors.mount_angle) if part
    ]
    return any(part.mean != 0.0 for part in parts)


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
    # What is held against each constant of a robot file has its own share of the false alarms.
    shared = any(row.constants is not None for row in rows)
    among = max(among, 1) * (2 if shared else 1)

    def scores(of: Sequence[ReckoningScore]) -> tuple[ReckoningScore, ...]:
        return tuple(
            replace(
                one,
                model=with_doubt(
                    with_verdict(one.model, among),
                    None if one.doubted is None else with_verdict(one.doubted, among),
                ),
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
    words += ["overconfident" for row in rows if row.constants is not None and row.constants.found]
    return whole, replayed, reached, words


def _facts(settings: BacktestSettings, log: Log, track: Track) -> RunFacts:
    late = split(settings, track)[1]
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
