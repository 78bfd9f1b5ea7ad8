"""From a log to arrays: the odometry between its rows, its range readings, its bias at standstill."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.calibrate.estimate import t_widening
from driftgate.calibrate.windows import BoolArray, IntArray, Track
from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray
from driftgate.logs.values import Log

# A robot stands before it starts for at least this long, or its gyro tells no bias. [s]
SHORTEST_REST_S = 1.0
# A heading that turns faster than this, over so long about a step, is no gyro's bias: the robot turns about
# the middle of its wheels, which count nothing. Whole degrees make a fifth of it (our choice). [rad/s, s]
_TURNING_RAD_S, _ABOUT_S = math.radians(10.0), 0.25
# Into so many parts a standstill is cut to see how its rate wanders: more would take jitter for a walk.
_REST_BLOCKS = 8


def track_of(log: Log) -> Track:
    """Return the odometry of a log between all rows that have an increment or a reference.

    Between rows of the odometry the robot is taken to go on evenly: an increment is shared out by time
    to a reference that lies inside it, and the heading is read between its neighbours.

    Raises
    ------
    ModelError
        If the log has no odometry, or a heading in fewer than two rows.
    """
    known = np.flatnonzero(~np.isnan(log.heading_rad))
    if not log.has_odometry.any():
        raise ModelError("there is no odometry in it")
    if len(known) < 2:
        raise ModelError("there is no heading in it")
    time = log.time_s
    rolled = np.flatnonzero(log.has_odometry)
    first, last = odometry_rows(log)
    begin = time[first]
    placed = ~np.isnan(log.reference[:, :2]).any(axis=1)
    wanted = (log.has_odometry | placed) & (time >= begin) & (time <= time[last])
    wanted[first] = True
    rows = np.flatnonzero(wanted)
    at = np.concatenate([[begin], time[rolled]]) if begin < time[rolled[0]] else time[rolled]

    def gone(increment: FloatArray) -> FloatArray:
        sums = np.cumsum(increment[rolled])
        total = np.concatenate([[0.0], sums]) if len(at) > len(sums) else sums
        return np.asarray(np.interp(time[rows], at, total))

    heading = np.interp(time[rows], time[known], log.heading_rad[known])
    twist = np.stack([np.diff(gone(log.forward_m)), np.diff(gone(log.sideways_m)), np.diff(heading)], axis=-1)
    return Track(log.run, time[rows], twist, log.reference[rows])


def odometry_rows(log: Log) -> tuple[int, int]:
    """Return the first and the last row of a log that has odometry: from then to then its way is known."""
    rolled = np.flatnonzero(log.has_odometry)
    # The first increment came from before the first row that has one.
    return max(int(rolled[0]) - 1, 0), int(rolled[-1])


@dataclass(frozen=True)
class Ranges:
    """Range readings in the order of time, m of them.

    Attributes
    ----------
    time_s : ndarray, shape (m,)
        When they were taken.
    source : ndarray of int, shape (m,)
        By which sensor, or to which beacon: an index into the names asked for.
    reading_m : ndarray, shape (m,) or (m, n)
        What was read, by seed where readings were replaced; nan where nothing came back. [m]
    """

    time_s: FloatArray
    source: IntArray
    reading_m: FloatArray

    def __len__(self) -> int:
        return len(self.time_s)

    def pick(self, which: BoolArray | IntArray | slice) -> Ranges:
        """Return some of the readings."""
        return Ranges(self.time_s[which], self.source[which], self.reading_m[which])


def ranges_of(log: Log, names: Sequence[str]) -> Ranges:
    """Return the readings of a log that belong to the names given, in the order of time."""
    times, sources, readings = [np.zeros(0)], [np.zeros(0, dtype=np.intp)], [np.zeros(0)]
    for i, name in enumerate(names):
        column = log.ranges.get(name)
        if column is None:
            continue
        fired = np.flatnonzero(column.fired)
        times.append(log.time_s[fired])
        sources.append(np.full(len(fired), i, dtype=np.intp))
        readings.append(column.reading_m[fired])
    time = np.concatenate(times)
    order = np.argsort(time, kind="stable")
    return Ranges(time[order], np.concatenate(sources)[order], np.concatenate(readings)[order])


def bias_at_rest(track: Track) -> tuple[float, float] | None:
    """Return the heading rate before the robot first moves, and its standard error; None if it never rests.

    What a robot does that finds its gyro's bias standing still: a straight line through the headings. Its
    error is the larger of two: that of white jitter of the headings, and that of a heading which walks, as
    it does where the gyro's rate is noisy. [rad/s]
    """
    moving = np.flatnonzero(track.moving)
    rest = min(int(moving[0]) if len(moving) else len(track.twist), _until_turned(track))
    time = track.time_s[: rest + 1] - track.time_s[0]
    if rest < 3 or time[-1] < SHORTEST_REST_S:
        return None
    heading = np.concatenate([[0.0], np.cumsum(track.twist[:rest, 2])])
    centred = time - time.mean()
    spread = float(centred @ centred)
    rate = float(centred @ heading) / spread
    left = heading - heading.mean() - rate * centred
    jitter = float(np.sqrt(left @ left / (len(time) - 2) / spread))
    return rate, max(jitter, _error_of_walk(time, heading))


def _until_turned(track: Track) -> int:
    """Return how many steps are over before the robot may have begun to turn."""
    middle = 0.5 * (track.time_s[1:] + track.time_s[:-1])
    heading = np.concatenate([[0.0], np.cumsum(track.twist[:, 2])])
    later, before = (np.interp(middle + off, track.time_s, heading) for off in (_ABOUT_S, -_ABOUT_S))
    turning = np.flatnonzero(np.abs(later - before) > 2.0 * _ABOUT_S * _TURNING_RAD_S)
    if not len(turning):
        return len(track.twist)
    # It gathers speed: a turn is seen a while after its begin.
    return int(np.searchsorted(track.time_s[1:], middle[turning[0]] - 2.0 * _ABOUT_S, side="right"))


def _error_of_walk(time: FloatArray, heading: FloatArray) -> float:
    """Return the standard error of a line's slope through headings that walk at random.

    The walk is taken from how the mean rate differs from block to block of the time: within blocks it may
    be as it likes. Of a walk of variance q a second a line through the time T has the variance 6/5 q/T, its
    end points q/T. The factor of Student's t is for the few blocks: a normal distribution of this
    error has the 95 % interval.
    """
    count = min(_REST_BLOCKS, len(time) - 1)
    edges = np.round(np.linspace(0, len(time) - 1, count + 1)).astype(np.intp)
    lasted, turned = np.diff(time[edges]), np.diff(heading[edges])
    whole = float(time[-1] - time[0])
    left = turned - (heading[-1] - heading[0]) / whole * lasted
    walk = float(np.sum(left**2 / lasted)) / (count - 1)
    wider = t_widening(count - 1.0)
    return wider * math.sqrt(1.2 * walk / whole)
