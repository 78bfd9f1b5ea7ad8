"""Logs that name their routine: poses measured at its checkpoints, the robot's own correction run again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from driftgate.calibrate.correction_score import score_correction, too_still
from driftgate.calibrate.dead_reckoning import reckon
from driftgate.calibrate.perturb import starts, with_false
from driftgate.calibrate.replay import Replayed, replay
from driftgate.calibrate.tracks import Ranges, ranges_of
from driftgate.calibrate.walls import wall_expecting
from driftgate.calibrate.windows import Track
from driftgate.core.findings import Finding
from driftgate.core.pose import FloatArray, compose, inverse, wrap_angles
from driftgate.logs import Log
from driftgate.plan.values import Law
from driftgate.predict import Prepared
from driftgate.predict.logged import FIX_WORDS
from driftgate.predict.values import Moment, Outcome
from driftgate.report.backtest_model import CorrectionRow
from driftgate.run.corrected import CorrectionPlan, correction_row
from driftgate.run.explain import ExplainSettings, chosen_case
from driftgate.run.named_files import named_file
from driftgate.run.tasks import plan_one
from driftgate.schema.robot import Robot
from driftgate.world.footprint import footprint_reach_m

# A pose this long before a checkpoint still counts as its own. [s]
NEAR_S = 0.1


@dataclass(frozen=True)
class RoutineRun:
    """A log and the routine it names."""

    log: Log
    track: Track
    prepared: Prepared

    @property
    def replayed(self) -> bool:
        """Whether the robot makes fixes, and the log has readings of its sensors."""
        robot = self.prepared.case.robot
        return robot.correction.enabled and any(s.id in self.log.ranges for s in robot.sensors)


def routine_runs(
    loaded: Sequence[tuple[Log, Track]],
    roots: Sequence[Sequence[Path]],
    robot: Robot | None,
    findings: list[Finding],
) -> list[RoutineRun]:
    """Return the runs whose log names a routine, with its plan.

    Those that name a routine or a field which is not there are left out, which `check_named` says.

    Parameters
    ----------
    loaded, roots : sequence
        The runs, and the repositories in which the files that each names may lie.
    robot : Robot, optional
        The robot to take in place of the routine's own.
    findings : list of Finding
        What is wrong with the routines is added.
    """
    known: dict[tuple[Path, Path | None], Prepared | None] = {}
    found = []
    for (log, track), own in zip(loaded, roots, strict=True):
        routine, field = named_file(log.routine, own), named_file(log.field, own)
        if routine is None or (field is None and log.field is not None):
            continue
        key = routine, field
        if key not in known:
            more, named, _, _ = chosen_case(ExplainSettings(routine, field=field))
            findings += [finding for finding in more if finding not in findings]
            known[key] = None
            if named is not None:
                case = named.case if robot is None else replace(named.case, robot=robot)
                known[key] = plan_one((case, named.written)).prepared
        prepared = known[key]
        if prepared is not None:
            found.append(RoutineRun(log, track, prepared))
    return found


def by_routine(runs: Sequence[RoutineRun]) -> list[list[RoutineRun]]:
    """Return the runs of each routine and field together: those that share a plan."""
    grouped: dict[int, list[RoutineRun]] = {}
    for run in runs:
        grouped.setdefault(id(run.prepared), []).append(run)
    return list(grouped.values())


def measured_at(run: RoutineRun, moment: Moment) -> FloatArray | None:
    """Return true less wanted pose at a moment, field axes; None if nobody measured it."""
    row = step_row(run, moment.step)
    if row is None:
        return None
    log = run.log
    known = np.flatnonzero(np.isfinite(log.reference[:, :2]).all(axis=1))
    if not len(known):
        return None
    near = int(known[np.argmin(np.abs(log.time_s[known] - log.time_s[row]))])
    if abs(log.time_s[near] - log.time_s[row]) > NEAR_S:
        return None
    error = log.reference[near] - np.array(moment.pose)
    error[2] = wrap_angles(error[2])
    return np.asarray(error)


def step_row(run: RoutineRun, step: int) -> int | None:
    """Return the row of a log in which a planned step ended, by the order of the steps in it; None without.

    A step that takes next to no time need not be in the log: then it is the end of the one before. Where more
    is missing, as in a run that was cut off, its end is nowhere.
    """
    labels = run.log.step
    if labels is None:
        return None
    # A row without a step, such as that of a pose from a file of its own, ends none and parts none in two.
    named = [k for k, label in enumerate(labels) if label]
    ends = [
        k
        for k, after in zip(named, [*named, None][1:], strict=True)
        if after is None or labels[after] != labels[k]
    ]
    at, found, missed_s = 0, None, 0.0
    for planned in run.prepared.plan.steps[: step + 1]:
        names = (planned.name, str(planned.index + 1))
        if at < len(ends) and labels[ends[at]] in names:
            found, at, missed_s = ends[at], at + 1, 0.0
        elif found is None or labels[found] not in names:
            # (One that is repeated at once has one stretch of rows.)
            missed_s += planned.end_s - planned.begin_s
    return found if missed_s <= NEAR_S else None


def wall_rows(
    plan: CorrectionPlan, run: RoutineRun, seeds: Sequence[int], warnings: list[str]
) -> list[CorrectionRow]:
    """Return how the robot's own correction, and other settings of it, do on a run's readings.

    A false reading comes from something that stands before what was read: nobody logs the true range to a
    wall, and what was read is right but for its noise. No verdict rests on one run of it: all its readings
    share the walls' offsets and the gyro's bias.
    """
    robot, prepared, track = run.prepared.case.robot, run.prepared, run.track
    names = [sensor.id for sensor in robot.sensors]
    ranges = ranges_of(run.log, names)
    if not len(ranges) or not robot.correction.enabled:
        return []
    if not np.isfinite(track.reference[:, :2]).all(axis=1).any():
        warnings.append(f"run '{track.name}' has no reference poses: nothing of it is judged")
        return []
    if why := too_still(track):
        warnings.append(f"the correction of run '{track.name}' is not replayed: {why}")
        return []
    if any(step.law is Law.CONTACT for step in prepared.plan.steps):
        warnings.append(f"run '{track.name}' squares up against walls: its correction is not replayed")
        return []
    if robot.correction.pairs:
        warnings.append(f"run '{track.name}': readings of a pair are replayed one by one")
    changed, false = plan.every_nth > 1, None
    count = plan.count(seeds)
    if plan.false_share > 0.0:
        ranges, false = with_false(ranges, ranges.reading_m, plan.false_share, seeds)
        changed, false = True, false[:: plan.every_nth]
    ranges = ranges.pick(slice(None, None, plan.every_nth))
    start = np.array(prepared.plan.steps[0].start_pose)
    path, twist, _ = reckon(track, {})
    alone = compose(start, compose(inverse(path[0]), path))[:, :2]
    begin = starts(start, plan.off_m, plan.off_rad, count)
    expecting = wall_expecting(robot, prepared.believed, track)
    rows = []
    for setting in plan.settings(robot.correction):
        done = replay(
            track, twist, ranges, expecting, prepared.filter, setting, begin, len(names),
            footprint_reach_m(robot.footprint),
        )  # fmt: skip
        found = score_correction(track, done, false, alone, run.log.reference_spread)
        same = None if changed else _same(run, names, ranges, done)
        rows.append(correction_row(track.name, setting, False, found, same))
    return rows


def _same(run: RoutineRun, names: Sequence[str], ranges: Ranges, done: Replayed) -> float | None:
    """Return the share of the readings that the log says the same of."""
    said: dict[tuple[float, int], str] = {}
    for i, name in enumerate(names):
        column = run.log.ranges.get(name)
        if column is not None and column.fix is not None:
            for row in np.flatnonzero(column.fired):
                said[float(run.log.time_s[row]), i] = column.fix[row]
    pairs = [
        (said[float(t), int(source)], FIX_WORDS[Outcome(outcome)])
        for t, source, outcome in zip(ranges.time_s, ranges.source, done.outcome[:, 0].tolist(), strict=True)
        if outcome >= 0 and said.get((float(t), int(source)))
    ]
    return sum(a == b for a, b in pairs) / len(pairs) if pairs else None
