"""Odometry of which every second or third row alone is in the log, with what one tick rolled.

To the clock such a log is sound, and to the reference poses its wheel is half as large. What tells is what
the robot itself believed, and the ticks of other logs; without either both have to be named, since a factor
on the wheel would make the next log wrong that has all rows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from driftgate.logs.values import Log

# Less than this is a unit. How near ratios are to one row in two, three, ... [1, natural logarithm]
_LEAST: Final = 0.15
_NEAR: Final = 0.12
# What the robot believed is right within this, and so far it believed to go at least. [natural logarithm, m]
_RIGHT: Final = 0.12
_FAR_M: Final = 0.3


def lost_with_rows(ratio: float, log: Log, others: Sequence[Log]) -> str:
    """Return what to look for where the odometry comes short since rows are missing, or may be.

    Parameters
    ----------
    ratio : float
        How far the odometry drives, as a share of how far the robot came.
    log : Log
        The log.
    others : sequence of Log
        Logs of its robot, itself perhaps among them.

    Returns
    -------
    str
        Empty where nothing speaks for rows that are missing.
    """
    if not _LEAST < ratio < 1.0:
        return ""
    row = next((k for k in _ORDINALS if abs(math.log(ratio * k)) < _NEAR), None)
    tick = _tick_s(log)
    for other in others:
        if row is not None and abs(math.log(_tick_s(other) * row / tick)) < _NEAR:
            return (
                f"only every {_ORDINALS[row]} row is in this log, with what one tick rolled: it has one each "
                f"{tick:.3g} s, {other.path} one each {_tick_s(other):.3g} s; {_ALL_ROWS}"
            )
    if _believed_right(log):
        each = "not all rows" if row is None else f"only every {_ORDINALS[row]} row"
        return (
            "the robot itself believed to come as far as it did, so that its wheel is right: it seems that "
            f"{each} of its odometry are in the log, each with what one tick rolled; {_ALL_ROWS}. "
            "Or check the unit of 'forward'"
        )
    if row is None:
        return ""
    return (
        f"two things look like that: only every {_ORDINALS[row]} row is in the log, with what one tick "
        f"rolled ({_ALL_ROWS}), or the robot's code has a wheel, gear or count per turn that is off by {row} "
        f"(multiply its distances by {1.0 / ratio:.3g} there); find out which before you multiply"
    )


_ALL_ROWS: Final = "log all rows, or what was rolled since the last row written; no factor mends it"
_ORDINALS: Final = {2: "second", 3: "third", 4: "fourth", 5: "fifth"}


def _tick_s(log: Log) -> float:
    """Return the usual time between two rows of the odometry. [s]"""
    time = log.time_s[log.has_odometry]
    return float(np.median(np.diff(time))) if len(time) > 1 else math.inf


def _believed_right(log: Log) -> bool:
    """Return whether the pose that the robot believed goes as far between reference poses as these do."""
    both = np.isfinite(log.reference[:, :2]).all(axis=1) & np.isfinite(log.believed[:, :2]).all(axis=1)
    at = np.flatnonzero(both)
    came, thought = (np.hypot(*np.diff(poses[at, :2], axis=0).T) for poses in (log.reference, log.believed))
    far = np.maximum(came, thought) > _FAR_M
    if not far.any():
        return False
    apart = np.log(np.maximum(thought[far], 1e-6) / np.maximum(came[far], 1e-6))
    return bool(abs(float(np.median(apart))) < _RIGHT)
