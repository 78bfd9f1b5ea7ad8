"""What makes the readings of several sensors fit at once: poses of another point of the robot, late readings.

A sensor whose readings do not fit where it sits may sit elsewhere. But where the front edge was measured and
not the robot's middle, or readings are written late, all sensors are off, each as if its mount were wrong.
What tells them apart is that one number mends all; and where the robot turned between poses, that the point
measured went round the point that the odometry speaks of.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np

from driftgate.calibrate.chain import LoggedRun
from driftgate.calibrate.dead_reckoning import reckon
from driftgate.calibrate.range_data import MOST_OFF_M, RangeData, misfit_m, range_data
from driftgate.calibrate.windows import Track
from driftgate.core.pose import FloatArray, compose, inverse, wrap_angles
from driftgate.logs.values import Log
from driftgate.schema.sensor import Sensor
from driftgate.world.values import World

# Points of the robot that may have been measured, and how late a reading may be (our choice). [m, s]
_ARMS_M: Final = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3)
_LATE_S: Final = (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.7, 1.0)
# Each is then tried so much nearer by. [m, s]
_FINER_M, _FINER_S = (0.0125, 0.025, 0.0375), (0.025, 0.05)
# A cause leaves this share of the misfit, and at least so many readings fit with it; one that leaves no more
# than so many times the misfit of another is as good.
_LEFT: Final = 0.4
_FITS: Final = 0.7
_AS_GOOD: Final = 1.5
_LEAST: Final = 20
# Turns between poses that say where the point lies that was measured: by so much, so many; and what they may
# be off then, against what they were. [rad, 1, 1]
_TURNED_RAD: Final = 0.5
_TURNS: Final = 3
_TURNS_LEFT: Final = 0.7


@dataclass(frozen=True)
class Cause:
    """A change with which the readings fit.

    Attributes
    ----------
    title : str
        The column to look at; empty: that of the ranges.
    words, advice : str
        What it is, and what to do.
    left_m : float
        The misfit that is left. [m]
    """

    title: str
    words: str
    advice: str
    left_m: float


def common_causes(
    log: Log, run: LoggedRun, known: Sequence[tuple[Sensor, RangeData]], world: World
) -> list[Cause]:
    """Return changes with which the readings of all sensors of a log fit, the best first; several if as good.

    Parameters
    ----------
    log, run
        A log some readings of which do not fit, with measured headings.
    known : sequence of Sensor with RangeData
        All sensors that it has readings of.
    world : World
        The field.
    """
    before = _left_m([data for _, data in known])
    sensors = [sensor for sensor, _ in known]
    found = []
    for axis, sides in enumerate((("ahead of", "behind"), ("left of", "right of"))):
        at, data = _best(
            [sign * size for size in _ARMS_M for sign in (1.0, -1.0)],
            _FINER_M,
            partial(_from, log, run, sensors, world, axis),
        )
        turns = _turns_left(run, _point(axis, at))
        if _explains(data, before) and (turns is None or turns < _TURNS_LEFT):
            side = sides[0] if at > 0.0 else sides[1]
            size = f"about {10 * round(100.0 * abs(at))} mm"
            words = f"the measured poses are those of a point {size} {side} the robot's own"
            advice = "was an edge of it measured? Write where the point is that its code calls its position"
            # Without a turn, nor another sensor, a mount that is off looks the same.
            advice += "; or is the sensor's mount off by that?" if turns is None and len(known) == 1 else ""
            found.append(Cause("reference x", words, advice, _left_m(data)))
    at, data = _best(
        list(_LATE_S),
        _FINER_S,
        lambda late: [range_data(_later(s, late), [run], [log], {}, world) for s in sensors],
    )
    if _explains(data, before):
        words = f"they are {at:.2g} s older than the row that they stand in and the sensors' latency say"
        advice = "write each reading in the row in which it arrives, or its age as the sensor's latency"
        found.append(Cause("", words, advice, _left_m(data)))
    found.sort(key=lambda cause: cause.left_m)
    return [cause for cause in found if cause.left_m <= _AS_GOOD * found[0].left_m]


def _best(
    first: Sequence[float], finer: Sequence[float], tried: Callable[[float], list[RangeData]]
) -> tuple[float, list[RangeData]]:
    """Return the size at which least is left, and the readings with it."""
    data = {size: tried(size) for size in first}
    left = {size: _left_m(own) for size, own in data.items()}
    coarse = min(left, key=lambda size: left[size])
    for near in (coarse + sign * step for step in finer for sign in (-1.0, 1.0)):
        data[near] = tried(near)
        left[near] = _left_m(data[near])
    best = min(left, key=lambda size: left[size])
    return best, data[best]


def _left_m(known: Sequence[RangeData]) -> float:
    """Return the misfit of enough readings; of fewer the largest there is."""
    got = sum(int(np.isfinite(data.reading_m - data.expected_m).sum()) for data in known)
    return misfit_m(known) if got >= _LEAST else MOST_OFF_M


def _explains(known: Sequence[RangeData], before: float) -> bool:
    fits = np.concatenate([data.fits[np.isfinite(data.reading_m)] for data in known])
    return len(fits) >= _LEAST and float(fits.mean()) > _FITS and _left_m(known) < _LEFT * before


def _point(axis: int, arm_m: float) -> FloatArray:
    """Return a point of the robot, robot axes."""
    point = np.zeros(3)
    point[axis] = arm_m
    return point


def _from(
    log: Log, run: LoggedRun, sensors: Sequence[Sensor], world: World, axis: int, arm_m: float
) -> list[RangeData]:
    """Return the readings where the poses measured are those of a point of the robot."""
    track = run.track
    moved = LoggedRun(
        Track(track.name, track.time_s, track.twist, compose(track.reference, -_point(axis, arm_m))),
        run.spread,
        run.blind,
    )
    return [range_data(sensor, [moved], [log], {}, world) for sensor in sensors]


def _later(sensor: Sensor, late_s: float) -> Sensor:
    return sensor.model_copy(update={"latency": sensor.latency + late_s})


def _turns_left(run: LoggedRun, point: FloatArray) -> float | None:
    """Return the share of what ways with turns are off by that is left if a point was measured; or None."""
    track = run.seen
    at = np.flatnonzero(np.isfinite(track.reference).all(axis=1))
    path = reckon(track, {})[0][at]
    driven = compose(inverse(path[:-1]), path[1:])
    turning = np.abs(wrap_angles(driven[:, 2])) > _TURNED_RAD
    if int(turning.sum()) < _TURNS:
        return None

    def off(arm: FloatArray) -> float:
        own = compose(track.reference[at], -arm)
        apart = (driven - compose(inverse(own[:-1]), own[1:]))[turning]
        return float(np.median(np.hypot(apart[:, 0], apart[:, 1])))

    return off(point) / max(off(np.zeros(3)), 1e-6)
