"""The runs of a backtest: read, checked against each other, and whether any is fitted and judged alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from driftgate.calibrate.doubted import Doubted
from driftgate.calibrate.tracks import track_of
from driftgate.calibrate.windows import Track
from driftgate.core.errors import ModelError
from driftgate.core.findings import Finding
from driftgate.logs import Beacons, read_beacons
from driftgate.logs.values import NAMED, Named
from driftgate.run.backtest_settings import BacktestSettings
from driftgate.run.log_columns import check_judged
from driftgate.run.log_files import folder_of
from driftgate.run.log_robots import check_robots, refuse_several_robots
from driftgate.run.log_steps import check_steps
from driftgate.run.named_files import check_named, named_file, places
from driftgate.run.read_run import read_run, refuse_links
from driftgate.run.routine_logs import RoutineRun, by_routine
from driftgate.run.run_parts import say_parts
from driftgate.run.same_runs import (
    ReadRun,
    behind_robot,
    named,
    no_evidence,
    refuse_copies,
    repositories,
    seen_before,
)
from driftgate.run.status import InputError
from driftgate.run.tape import load_robot
from driftgate.schema.drift import ErrorSources
from driftgate.schema.robot import Robot


@dataclass(frozen=True, eq=False)
class LoadedRun(ReadRun):
    """A run with its odometry; attributes as in `ReadRun`."""

    track: Track


@dataclass(frozen=True)
class Loaded:
    """All that a backtest reads.

    Attributes
    ----------
    judged, fitted : list of LoadedRun
        The runs to judge, and those of `--fit`.
    beacons : Beacons or None
        Where beacons stand.
    robot : Robot or None
        The robot file whose error sources are judged.
    errors : ErrorSources
        Those of the robot that the runs name which are fitted: what of it is constant over a run.
    """

    judged: list[LoadedRun]
    fitted: list[LoadedRun]
    beacons: Beacons | None
    robot: Robot | None
    errors: ErrorSources = field(default_factory=ErrorSources)

    @property
    def every(self) -> list[LoadedRun]:
        """All runs, those judged first."""
        return [*self.judged, *self.fitted]


def load(settings: BacktestSettings, findings: list[Finding]) -> Loaded | None:
    """Return what a backtest reads; None if a log is not sound.

    Raises
    ------
    InputError
        If a run counts twice, has no odometry, or is of another robot than the others.
    """
    say_parts(settings.runs, findings)
    say_parts(settings.fit_on, findings)
    judged = [_read(paths, findings) for paths in settings.runs]
    fitted = [_read(paths, findings) for paths in settings.fit_on]
    beacons: Beacons | None = None
    if settings.beacons is not None and not refuse_links([settings.beacons], findings):
        beacons = read_beacons(settings.beacons, findings, folder_of([settings.beacons]))
    robot: Robot | None = None
    if settings.robot is not None:
        robot, more = load_robot(settings.robot)
        findings += more
    sound = [run for run in judged if run is not None], [run for run in fitted if run is not None]
    if len(sound[0]) < len(judged) or len(sound[1]) < len(fitted):
        return None
    for runs in sound:
        refuse_copies(runs)
    every = [*sound[0], *sound[1]]
    # One that is judged and fitted on is one log.
    once = {named(run.files): run for run in every}.values()
    # (With --robot, `check_robots` asks for the robot.)
    asked: tuple[Named, ...] = ("routine", "field") if settings.robot is not None else NAMED
    check_named([(run.log, places(run.files)) for run in sound[0]], findings, asked)
    check_steps([(run.log, places(run.files)) for run in once], findings)
    if settings.robot is None:
        refuse_several_robots(run.log for run in every)
    elif robot is not None:
        check_robots([(run.log, run.files) for run in sound[0]], settings.robot, robot, findings)
    meant = None if settings.robot is None or robot is None else (settings.robot, robot)
    listed = () if beacons is None else beacons.name
    fitted_on = sound[1]
    if settings.robot is None or robot is not None:
        doubted = check_judged([(run.log, run.files) for run in once], meant, listed, findings)
        # What is fitted on is fitted as `calibrate` fits it; what judges is not trimmed.
        fitted_on = [_undoubted(run, doubted) for run in fitted_on]
    return Loaded(sound[0], fitted_on, beacons, robot, _errors_of(sound[1] or sound[0]))


def _read(paths: Sequence[Path], findings: list[Finding]) -> LoadedRun | None:
    log = read_run(paths, findings)
    if log is None:
        return None
    try:
        return LoadedRun(log, paths, track_of(log))
    except ModelError as error:
        raise InputError(f"{log.path}: {error}") from error


def _undoubted(run: LoadedRun, doubted: Doubted) -> LoadedRun:
    log = doubted.without(run.log) if run.log.path in doubted.logs else run.log
    return run if log is run.log else replace(run, log=log, track=track_of(log))


def _errors_of(fitted: Sequence[LoadedRun]) -> ErrorSources:
    """Return the error sources of the robot that fitted logs name: what of it is constant over a run.

    Of one that is not there, or not sound, nothing is known, and what is usual is taken.
    """
    for run in fitted:
        if run.log.robot is not None:
            path = named_file(run.log.robot, places(run.files))
            robot = None if path is None else load_robot(path)[0]
            return ErrorSources() if robot is None else robot.errors
    return ErrorSources()


def notes_on_evidence(settings: BacktestSettings, loaded: Loaded) -> list[str]:
    """Return a note on runs that are judged and were fitted on: here, or by whoever wrote the robot file."""
    judged = loaded.judged
    notes = []
    if seen := seen_before(judged, loaded.fitted):
        notes.append(no_evidence(seen, len(judged), "had a part in the fit (--fit)"))
    if loaded.robot is not None and settings.robot is not None:
        behind = behind_robot(judged, loaded.robot, repositories(settings.robot, judged))
        if behind:
            who = f"had a part in the numbers of {settings.robot.as_posix()} (its fitted.files)"
            notes.append(no_evidence(behind, len(judged), who))
    return notes


def notes_on_checkpoints(loaded: Loaded, runs: Sequence[RoutineRun]) -> list[str]:
    """Return a note on runs judged that the robots of their routines were fitted on."""
    of_log = {id(run.log): run for run in loaded.judged}
    notes = []
    for group in by_routine(runs):
        judged = [of_log[id(run.log)] for run in group]
        behind = behind_robot(judged, group[0].prepared.case.robot, repositories(None, judged))
        if behind:
            who = f"had a part in the numbers of the robot of {group[0].log.routine} (its fitted.files), "
            who += "which predict its checkpoints"
            notes.append(no_evidence(behind, len(judged), who))
    return notes
