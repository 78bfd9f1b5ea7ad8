"""Range columns whose readings do not fit where their sensor sits: a unit, a name or a mount is wrong.

What a sensor should have read follows from the reference poses, the map and its place on the robot. A column
that has nothing to do with that still yields numbers when it is fitted, a scale of -100 % say, and no error
model is meant to hold them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from driftgate.calibrate.chain import LoggedRun
from driftgate.calibrate.from_logs import USUAL_POSE, surface_spread
from driftgate.calibrate.range_data import RangeData, range_data
from driftgate.calibrate.range_fit import LIKELY_M, RangeFit, fit_ranges
from driftgate.calibrate.unit_slips import units_of
from driftgate.core.findings import Finding
from driftgate.core.pose import FloatArray
from driftgate.logs.values import Log
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.robot import Robot
from driftgate.schema.sensor import Sensor
from driftgate.world.build import build_world
from driftgate.world.values import World

# No sensor, however badly mounted, is so far off (our choice). [m, 1, rad]
_BIAS_M: Final = 0.2
_SCALE: Final = 0.25
_ANGLE_RAD: Final = math.radians(15.0)
# A number is beyond that if so many of its standard errors lie between.
_SURE: Final = 2.0
# Fewer readings of walls than this in a log, or of all logs in a fit, say nothing.
_LEAST: Final = 20
# Readings that fit, where most have to; and where a column is another sensor's, more of them, and closely.
_FIT_SHARE: Final = 0.5
_OTHER_SHARE, _CLOSE_M, _CLOSE = 0.7, 0.05, 0.05
# Readings in another unit are all off by one ratio, within this. [natural logarithm]
_ONE_RATIO: Final = 0.15
# What the way from a reference pose adds to its own spread. [m, m, rad]
_WAY: Final = (0.003, 0.003, math.radians(0.5))


_Runs = Sequence[tuple[Log, LoggedRun | None]]


def check_ranges(runs: _Runs, robot: Robot, field: FieldMap) -> list[Finding]:
    """Return an error for each sensor whose readings near reference poses do not fit where it sits.

    Parameters
    ----------
    runs : sequence of Log with LoggedRun
        Logs of one robot on one field, of which `check_logs` of `driftgate.calibrate.log_checks` found
        nothing, and what `reckoned` made of them. Those without measured headings are passed over.
    robot : Robot
        Their robot.
    field : FieldMap
        The field as it really was.

    Returns
    -------
    list of Finding
        DG618, at the title of the column, at most one for each sensor.
    """
    of = [(log, run) for log, run in runs if run is not None and run.headings]
    if not of:
        return []
    world = build_world(field)
    spread = surface_spread(field, world)
    found = []
    for sensor in robot.sensors:
        own = [(log, run, _data(sensor, log, run, world)) for log, run in of if sensor.id in log.ranges]
        wrong = [(log, run, why) for log, run, data in own if (why := _unlike(sensor, data)) is not None]
        if not wrong and own:
            whole = range_data(sensor, [run for _, run, _ in own], [log for log, _, _ in own], {}, world)
            fit = fit_ranges(sensor, whole, spread, _pose_sd([log for log, _, _ in own]))
            beyond = _beyond_all(fit, int(np.isfinite(whole.reading_m).sum()))
            wrong = [(log, run, beyond) for log, run, _ in own] if beyond is not None else []
        if wrong:
            found.append(_finding(sensor, wrong, robot, world))
    return found


def _data(sensor: Sensor, log: Log, run: LoggedRun, world: World) -> RangeData:
    return range_data(sensor, [run], [log], {}, world)


def _pose_sd(logs: Sequence[Log]) -> tuple[float, float, float]:
    stated = [log.reference_spread or USUAL_POSE for log in logs]
    x, y, heading = np.hypot(np.max(np.array(stated), axis=0), _WAY).tolist()
    return x, y, heading


_Why = tuple[str, str]
"""What is wrong, in words, and the advice; none where the advice is the usual one."""


def _unlike(sensor: Sensor, data: RangeData) -> _Why | None:
    """Return how the readings of one log differ from all that this sensor can read, if they do."""
    got = np.isfinite(data.reading_m) & (data.reading_m > 0.0)
    if int(got.sum()) < _LEAST:
        return None
    reading, expected = data.reading_m[got], data.expected_m[got]
    logs = np.log(reading / expected)
    middle = float(np.median(logs))
    names = units_of(math.exp(middle))
    if names and float(np.mean(np.abs(logs - middle) < _ONE_RATIO)) > _FIT_SHARE:
        words = f"they are {math.exp(middle):.3g} times as long as the walls are far"
        return words, f"that is {names}: check the unit in this title"
    fits = np.abs(reading - expected) < _BIAS_M + _SCALE * expected
    if fits.mean() >= _FIT_SHARE:
        return None
    return f"{int(fits.sum())} of {len(fits)} near reference poses are as long as a wall is far", ""


def _beyond_all(fit: RangeFit | None, readings: int) -> _Why | None:
    """Return which number of a fit no sensor has, if one is; or that there is nothing to fit."""
    if fit is None:
        words = f"hardly one of {readings} near reference poses is within {1000.0 * LIKELY_M:.0f} mm of"
        return (f"{words} what it should read", "") if readings >= 2 * _LEAST else None
    false = fit.short.share + fit.long.share
    if false > 1.0 - _FIT_SHARE:
        return f"{100.0 * (1.0 - false):.0f} % of them near reference poses are of a wall", ""
    for name, found, most, words in (
        ("scale", fit.scale, _SCALE, f"{100.0 * fit.scale.value:.0f} %"),
        ("bias", fit.placed_bias, _BIAS_M, f"{1000.0 * fit.placed_bias.value:.0f} mm"),
        ("mount angle", fit.angle, _ANGLE_RAD, f"{math.degrees(fit.angle.value):.1f} deg"),
    ):
        if abs(found.value) - _SURE * found.error > most:
            return f"they would make its {name} {words}, which no sensor has", ""
    return None


def _finding(
    sensor: Sensor, wrong: Sequence[tuple[Log, LoggedRun, _Why]], robot: Robot, world: World
) -> Finding:
    log, run, (words, advice) = wrong[0]
    at = log.place(f"range {sensor.id}")
    others = len(wrong) - 1
    more = f" (and so in {others} log{'s' if others > 1 else ''} more)" if others else ""
    message = f"the readings of '{sensor.id}' do not fit where it sits: {words}{more}"
    advice = advice or _exchanged(sensor, log, run, robot, world)
    return Finding(at.path, at.line, at.column, "DG618", message, "error", advice, at.excerpt)


def _exchanged(sensor: Sensor, log: Log, run: LoggedRun, robot: Robot, world: World) -> str:
    """Return the advice: the column that was exchanged with this one, if that makes both fit."""
    for other in robot.sensors:
        if other.id == sensor.id or other.id not in log.ranges:
            continue
        swapped = {sensor.id: log.ranges[other.id], other.id: log.ranges[sensor.id]}
        turned = replace(log, ranges=dict(log.ranges) | swapped)
        both = [_data(each, turned, run, world) for each in (sensor, other)]
        if all(_fits_closely(data) for data in both):
            return (
                f"exchange the titles 'range {sensor.id}' and 'range {other.id}': the readings fit the other "
                "way round"
            )
    return (
        "are two range columns exchanged? check also the sensor's mount in the robot file, the unit in this "
        "title, and the field map that the log names"
    )


def _fits_closely(data: RangeData) -> bool:
    got = np.isfinite(data.reading_m)
    if not got.any():
        return False
    off: FloatArray = np.abs(data.reading_m[got] - data.expected_m[got])
    return bool(np.mean(off < _CLOSE_M + _CLOSE * data.expected_m[got]) > _OTHER_SHARE)
