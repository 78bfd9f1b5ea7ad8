"""What a warning speaks of is left out of a fit. All runs are invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibrate.test_stray_poses import a_run, log_of, mistyped
from driftgate.calibrate.doubted import Doubted
from driftgate.calibrate.log_checks import check_logs, reckoned
from driftgate.logs.values import RangeColumn


def test_law_nothing_is_left_out_of_sound_logs():
    """They stay what they are."""
    log, doubted = log_of(a_run(0)), Doubted()
    assert check_logs([log, log_of(a_run(1), name="two.csv")], None, doubted=doubted) == []
    assert doubted == Doubted()
    same = doubted.without(log)
    np.testing.assert_array_equal(same.reference, log.reference)
    assert same.reference_by == log.reference_by


def test_err_a_pose_that_is_doubted_and_not_sure():
    """Its row, and no other, is left out; the warning says so. An error leaves nothing out."""
    # Where odometry is poor, a pose is likely wrong and not surely so.
    runs = [a_run(seed, walk=0.025) for seed in range(3)]
    for off, level in ((0.12, "warning"), (1.0, "error")):
        track, row = mistyped(runs[0], 7, lambda p, off=off: p + np.array((off, 0.0, 0.0)))
        logs = [log_of(t, name=f"{i}.csv") for i, t in enumerate([track, *runs[1:]])]
        doubted = Doubted()
        (found,) = check_logs(logs, None, doubted=doubted)
        assert (found.code, found.line, found.level) == ("DG625", row + 5, level)
        assert doubted.poses == ({"0.csv": {row}} if level == "warning" else {})
    log = log_of(mistyped(runs[0], 7, lambda p: p + np.array((0.12, 0.0, 0.0)))[0], name="0.csv")
    left = Doubted(poses={"0.csv": {row}}).without(log)
    known, kept = (np.isfinite(each.reference[:, 0]) for each in (log, left))
    assert list(np.flatnonzero(known & ~kept)) == [row]
    assert (left.reference_by[row], log.reference_by[row]) == ("", "tape")
    assert reckoned([left])[0].poses == reckoned([log])[0].poses - 1
    assert check_logs([left, *(log_of(t, name=f"{i}.csv") for i, t in enumerate(runs[1:], 1))], None) == []


def test_law_silences_are_taken_for_rows_without_a_reading():
    """Neither a reading nor a loss: the sensor did not fire."""
    log = log_of(a_run(0))
    n = len(log.time_s)
    column = RangeColumn(np.full(n, np.nan), np.ones(n, dtype=bool), ("used",) * n)
    log = replace(log, ranges={"front": column, "left": column})
    left = Doubted(silent={(log.path, "front"): {2, 3}}).without(log)
    assert list(np.flatnonzero(~left.ranges["front"].fired)) == [2, 3]
    assert left.ranges["front"].fix[1:5] == ("used", "", "", "used")
    assert left.ranges["left"].fired.all()
