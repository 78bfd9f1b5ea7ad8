"""Readings that no sensor can have: beyond its reach, below it, or one number whatever the robot does.

Most are a robot's word for "nothing came back": 0, 8190, 65535, the longest range of the sensor. Taken for
ranges they become a noise, a share of false returns or a bias that the sensor has not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from driftgate.calibrate.windows import BoolArray
from driftgate.core.findings import Finding
from driftgate.core.pose import FloatArray
from driftgate.logs.cells import NO_ECHO
from driftgate.logs.values import Log, RangeColumn
from driftgate.schema.robot import Robot
from driftgate.schema.sensor import Sensor

# Readings of a run, and the share of them beyond the sensor's reach, that no false returns explain.
_LEAST_READINGS: Final = 10
_BEYOND_SHARE: Final = 0.9
# Readings outside the reach, of which so many are one number, are a sensor's word for no echo (our choice).
_ONE_NUMBER_SHARE: Final = 0.9
# So far outside the reach as the file has it a reading may well be.
_SLACK: Final = 0.05
# A range that stays the same to the last digit while the robot goes along the beam, or turns, by so much at
# a time is none; and so much of that in all. [m, rad, 1]
_ALONG_M, _TURN_RAD = 0.03, math.radians(20.0)
_TIMES: Final = 10.0


@dataclass(frozen=True)
class _Fault:
    """What is wrong with a column, and the advice."""

    words: str
    advice: str


def outside_reach(logs: Sequence[Log], robot: Robot) -> list[Finding]:
    """Return an error for each range column with readings that its sensor cannot have.

    Parameters
    ----------
    logs, robot
        Runs of one robot.

    Returns
    -------
    list of Finding
        DG610, at the title of the column in the first log that has them.
    """
    found = []
    for sensor in robot.sensors:
        wrong = []
        for log in logs:
            column = log.ranges.get(sensor.id)
            fault = None if column is None else _fault(sensor, log, column)
            if fault is not None:
                wrong.append((log, fault))
        if wrong:
            log, fault = wrong[0]
            at, others = log.place(f"range {sensor.id}"), len(wrong) - 1
            more = f" (and such in {others} log{'s' if others > 1 else ''} more)" if others else ""
            words = f"{fault.words}{more}"
            found.append(
                Finding(at.path, at.line, at.column, "DG610", words, "error", fault.advice, at.excerpt)
            )
    return found


def _fault(sensor: Sensor, log: Log, column: RangeColumn) -> _Fault | None:
    read = column.reading_m[np.isfinite(column.reading_m)]
    if len(read) < _LEAST_READINGS:
        return None
    return _beyond(sensor, read) or _below(sensor, read) or _unmoved(sensor, log, column)


def _often(numbers: FloatArray) -> tuple[float, int]:
    """Return the number that is there most often, and how often."""
    values, times = np.unique(numbers, return_counts=True)
    most = int(np.argmax(times))
    return float(values[most]), int(times[most])


def _beyond(sensor: Sensor, read: FloatArray) -> _Fault | None:
    beyond = read[read > (1.0 + _SLACK) * sensor.reach.high]
    if not len(beyond):
        return None
    number, times = _often(beyond)
    one = times >= max(_LEAST_READINGS, _ONE_NUMBER_SHARE * len(beyond))
    if not one and len(beyond) < _BEYOND_SHARE * len(read):
        return None
    words = (
        f"{len(beyond)} of {len(read)} readings lie beyond the reach of the sensor {sensor.id} "
        f"({sensor.reach.high:.4g} m), the median at {np.median(beyond):.4g} m"
    )
    advice = "check the unit in this title, and the reach in the robot file"
    if one:
        words = f"{words}, {times} of them at {number:.6g} m exactly"
        advice = f"if that number stands for no echo, write {NO_ECHO} in its place; else {advice}"
    return _Fault(words, advice)


def _below(sensor: Sensor, read: FloatArray) -> _Fault | None:
    below = read[(read < (1.0 - _SLACK) * sensor.reach.low) | (read == 0.0)]
    if not len(below):
        return None
    number, times = _often(below)
    if times < max(_LEAST_READINGS, _ONE_NUMBER_SHARE * len(below)):
        return None
    words = (
        f"{times} of {len(read)} readings of the sensor {sensor.id} are {number:.6g} m exactly, which is "
        f"less than it can measure ({sensor.reach.low:.4g} m)"
    )
    advice = (
        f"if that number stands for no echo, write {NO_ECHO} in its place; for a reading that was not taken, "
        "leave the cell blank"
    )
    return _Fault(words, advice)


def _unmoved(sensor: Sensor, log: Log, column: RangeColumn) -> _Fault | None:
    """Find one number that a reading stays at while the robot moves along the beam, or turns."""
    rows = np.flatnonzero(column.fired)
    reading = column.reading_m[rows]
    number, times = _often(reading[np.isfinite(reading)])
    if times < _LEAST_READINGS:
        return None
    along, turned = _moved(sensor, log)
    lost = 0.0
    for begin, end in _stretches(reading == number):
        went = abs(float(along[rows[end]] - along[rows[begin]]))
        swung = abs(float(turned[rows[end]] - turned[rows[begin]]))
        lost += went / _ALONG_M if went > _ALONG_M + _SLACK * number else 0.0
        lost += swung / _TURN_RAD if swung > _TURN_RAD else 0.0
    if lost < _TIMES:
        return None
    words = (
        f"{times} of {len(reading)} readings of the sensor {sensor.id} are {number:.6g} m exactly, while the "
        "robot drove and turned: no wall keeps that distance"
    )
    advice = (
        f"if that number stands for no echo, write {NO_ECHO} in its place; is the sensor's cable loose, or "
        "did its last reading stay in the log? A reading that was not taken is left blank"
    )
    return _Fault(words, advice)


def _moved(sensor: Sensor, log: Log) -> tuple[FloatArray, FloatArray]:
    """Return how far the robot has gone along a sensor's beam, as it stands to the robot, and turned."""
    c, s = math.cos(sensor.mount.heading), math.sin(sensor.mount.heading)
    along = np.cumsum(c * log.forward_m + s * log.sideways_m)
    known = np.flatnonzero(np.isfinite(log.heading_rad))
    if not len(known):
        return along, np.zeros_like(along)
    return along, np.interp(np.arange(len(along)), known, log.heading_rad[known])


def _stretches(alike: BoolArray) -> list[tuple[int, int]]:
    """Return the first and last index of each stretch of two or more."""
    edges = np.diff(np.concatenate([[0], alike.astype(int), [0]]))
    begins, ends = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0) - 1
    return [(int(b), int(e)) for b, e in zip(begins, ends, strict=True) if e > b]
