"""What logs have to have to be calibrated on: asked before anything is fitted, and by `validate`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from driftgate.calibrate.chain import LoggedRun, logged_run
from driftgate.calibrate.doubted import Doubted
from driftgate.calibrate.pose_checks import check_poses
from driftgate.calibrate.reach_checks import outside_reach
from driftgate.calibrate.sign_slips import wrong_signs
from driftgate.calibrate.tracks import odometry_rows, track_of
from driftgate.calibrate.unit_slips import contradictions
from driftgate.core.findings import Finding
from driftgate.logs.values import Log
from driftgate.schema.robot import Robot

# So many reference poses that are the belief, within this, are copies of it: no tape is as good. [1, m]
_LEAST_COPIES = 3
_COPIED_M = 2e-4
_MEASURE = "measure at the start, at stops and at the end: README, 'Logs of runs'"


def reckoned(logs: Sequence[Log]) -> list[LoggedRun | None]:
    """Return the runs of logs with their reference poses; None for one that no way can be worked out from."""
    return [
        logged_run(track_of(log), log.reference_spread) if no_odometry(log) is None else None for log in logs
    ]


def check_logs(
    logs: Sequence[Log],
    robot: Robot | None,
    runs: Sequence[LoggedRun | None] | None = None,
    doubted: Doubted | None = None,
) -> list[Finding]:
    """Return an error for all that keeps logs of one robot from being calibrated on, each at its place.

    Parameters
    ----------
    logs : sequence of Log
        Runs of one robot.
    robot : Robot, optional
        Their robot, with the reach of its sensors.
    runs : sequence of LoggedRun, optional
        What `reckoned` has made of the logs, where it is at hand.
    doubted : Doubted, optional
        To which poses are added that a warning speaks of.

    Returns
    -------
    list of Finding
        DG617 for what is missing, DG618 and DG610 for columns that contradict each other or the robot,
        DG626 for poses of another run, DG625, an error or a warning, for such as lie apart; and warnings
        of poses from when nothing was logged (DG628).
    """
    runs = reckoned(logs) if runs is None else runs
    found = [fault for log in logs if (fault := no_odometry(log)) is not None]
    whole = [(log, run) for log, run in zip(logs, runs, strict=True) if run is not None]
    if whole and not any(run.poses >= 2 for _, run in whole):
        found += [_no_reference(log, len(whole)) for log, _ in whole]
    found += contradictions([run for _, run in whole], [log for log, _ in whole])
    found += [fault for log, _ in whole if (fault := typed_belief(log)) is not None]
    faulty = {fault.path for fault in found if fault.code != "DG617"}
    agree = [(log, run) for log, run in whole if not log.files & faulty]
    found += wrong_signs([run for _, run in agree], [log for log, _ in agree])
    # One sign is wrong in every log that has the column: no pose is told from that.
    if not any(fault.code == "DG618" for fault in found):
        own = Doubted() if doubted is None else doubted
        found += check_poses([run for _, run in agree], [log for log, _ in agree], own)
    # Poses of another run may end later than the odometry: that is told, and no time was mistyped.
    others = {fault.path for fault in found if fault.code == "DG626"}
    timed = [log for log, _ in whole if not log.files & others]
    found += [fault for log in timed if (fault := untimely_poses(log)) is not None]
    return found + ([] if robot is None else outside_reach(logs, robot))


def untimely_poses(log: Log) -> Finding | None:
    """Return a warning for a log that has typed poses from a time without odometry, or None."""
    rows, time = sorted(log.poses_at), log.time_s
    first, last = odometry_rows(log)
    begin_s, end_s = time[first], time[last]
    outside = [row for row in rows if not begin_s <= time[row] <= end_s]
    if not outside:
        return None
    row = outside[0] if time[outside[0]] < begin_s else outside[-1]
    at, early = log.poses_at[row], time[row] < begin_s
    words = (
        f"{len(outside)} of {len(rows)} reference poses {'is' if len(outside) == 1 else 'are'} from a time "
        f"without odometry and left out: this one is of {time[row]:.6g} s, and the odometry "
        + (f"begins at {begin_s:.6g} s" if early else f"ends at {end_s:.6g} s")
    )
    advice = (
        "correct the time, in seconds as in the log; or is the file that of another run? "
        "For where the robot stood in the end give the time of the log's last row"
    )
    return Finding(at.path, at.line, at.column, "DG628", words, "warning", advice, at.excerpt)


def typed_belief(log: Log) -> Finding | None:
    """Return an error for a log whose reference poses are what the robot believed, or None."""
    both = np.isfinite(log.reference[:, :2]).all(axis=1) & np.isfinite(log.believed).all(axis=1)
    # The first pose is where the robot was told to be.
    rows = np.flatnonzero(both)[1:]
    if len(rows) < _LEAST_COPIES:
        return None
    apart = np.hypot(*(log.reference[rows, :2] - log.believed[rows, :2]).T)
    copied = apart < _COPIED_M
    if copied.mean() < 1.0:
        return None
    at = log.place("reference x")
    words = (
        f"all {len(rows)} reference poses after the first are what the robot believed, to within "
        f"{1e3 * _COPIED_M:g} mm: nobody measured them, and they would make the odometry perfect"
    )
    advice = "measure where the robot really stands: README, 'Where the robot stands, by tape'"
    return Finding(at.path, at.line, at.column, "DG618", words, "error", advice, at.excerpt)


def no_odometry(log: Log) -> Finding | None:
    """Return an error for a log that no way can be worked out from, or None."""
    if not log.has_odometry.any():
        words = "there is no distance driven in it: no number in a column 'forward' or 'sideways'"
        return _lacking(log, words, "log what the tracking wheel rolled since the last row: 'forward [m]'")
    if int((~np.isnan(log.heading_rad)).sum()) < 2:
        words = "there is no heading in it: no two numbers in a column 'heading'"
        return _lacking(log, words, "log the gyro's own heading: 'heading [deg]'", "heading")
    return None


def _no_reference(log: Log, of: int) -> Finding:
    words = "it says nowhere twice" if of == 1 else f"none of {of} logs says twice"
    words += " where the robot really was"
    if "reference x" not in log.titles:
        advice = "add 'reference x [m]', 'reference y [m]', 'reference heading [deg]' and 'reference by'"
        return _lacking(log, words, f"{advice}; {_MEASURE}")
    if int(np.isfinite(log.reference[:, :2]).all(axis=1).sum()) >= 2:
        words += ": its places lie too close together to say how it faced"
    return _lacking(log, words, _MEASURE, "reference x")


def _lacking(log: Log, message: str, advice: str, *titles: str) -> Finding:
    at = log.place(*titles, "time")
    return Finding(at.path, at.line, at.column, "DG617", message, "error", advice, at.excerpt)
