"""Range columns whose readings do not fit where their sensor sits: a unit, a name or a mount is wrong.

What a sensor should have read follows from the reference poses, the map and its place on the robot. A column
that has nothing to do with that still yields numbers when it is fitted, a scale of -100 % say, and no error
model is meant to hold them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import combinations
from typing import Final

import numpy as np

from driftgate.calibrate.chain import LoggedRun
from driftgate.calibrate.from_logs import USUAL_POSE, surface_spread
from driftgate.calibrate.range_causes import Cause, common_causes
from driftgate.calibrate.range_data import RangeData, Sighted, misfit_m, range_data
from driftgate.calibrate.range_fit import LIKELY_M, RangeFit, fit_ranges
from driftgate.calibrate.unit_slips import units_of
from driftgate.core.findings import Finding
from driftgate.core.many import also_in_logs, named_of
from driftgate.core.pose import FloatArray
from driftgate.logs.values import Log
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.robot import Robot
from driftgate.schema.sensor import Sensor
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
_OTHER_SHARE = 0.7
# Two columns are exchanged if the other way round both leave less than this share of their misfit, which is
# no mount's or bias's. (Our choice.) [1, m]
_MISFIT_LEFT, _MISFIT_M = 0.5, 0.03
# Logs that a message names beside its own.
_MOST_NAMED: Final = 4
# Readings in another unit are all off by one ratio, within this. [natural logarithm]
_ONE_RATIO: Final = 0.15
# ... where one ratio leaves so much less than one length does, or it is larger: of walls that are equally far
# a sensor that sits elsewhere reads all longer by one ratio, too. [1, natural logarithm]
_TOLD, _NO_SHIFT = 0.5, math.log(5.0)
# What the way from a reference pose adds to its own spread. [m, m, rad]
_WAY: Final = (0.003, 0.003, math.radians(0.5))


def check_ranges(seen: Sighted, robot: Robot, field: FieldMap) -> list[Finding]:
    """Return an error for each sensor whose readings near reference poses do not fit where it sits.

    Parameters
    ----------
    seen : Sighted
        Logs of one robot on one field, of which `check_logs` of `driftgate.calibrate.log_checks` found
        nothing. Those without measured headings are passed over.
    robot : Robot
        Their robot.
    field : FieldMap
        The field as it really was.

    Returns
    -------
    list of Finding
        DG618, at the title of the column, at most one for each sensor.
    """
    both = [(log, run, its) for (log, run), its in zip(seen.runs, seen.readings, strict=True)]
    of = [(log, run) for log, run, _ in both if run is not None and run.headings]
    known = [its for _, run, its in both if run is not None and run.headings]
    if not of:
        return []
    world = seen.world
    spread = surface_spread(field, world)
    turned = [
        exchanged_columns(log, run, data, robot, world) for (log, run), data in zip(of, known, strict=True)
    ]
    found: list[tuple[Sensor, list[_Wrong]]] = []
    for sensor in robot.sensors:
        # Each log by itself, where it says enough: one that is wrong drowns among sound ones.
        wrong: list[_Wrong] = []
        rest = []
        for (log, run), all_data, its in zip(of, known, turned, strict=True):
            data, other = all_data.get(sensor.id), its.get(sensor.id)
            if data is None:
                continue
            why = _unlike(sensor, data) or _like_other(other) or _beyond([log], data, sensor, spread)
            if why is None:
                rest.append((log, run))
            else:
                wrong.append((log, other, why))
        if len(rest) > 1:
            logs = [log for log, _ in rest]
            data = range_data(sensor, [run for _, run in rest], logs, {}, world)
            if (why := _beyond(logs, data, sensor, spread)) is not None:
                wrong += [(log, None, why) for log in logs]
        if wrong:
            found.append((sensor, wrong))
    runs = {log.path: (run, its) for (log, run), its in zip(of, known, strict=True)}
    return _findings(found, runs, robot, world)


def _findings(
    found: Sequence[tuple[Sensor, list[_Wrong]]],
    runs: Mapping[str, tuple[LoggedRun, Mapping[str, RangeData]]],
    robot: Robot,
    world: World,
) -> list[Finding]:
    """Return one finding for each fault: two columns exchanged are one, and so is what mends several."""
    unknown = [(sensor, wrong) for sensor, wrong in found if not any(o or why[1] for _, o, why in wrong)]
    mended: list[Finding] = []
    if unknown:
        log = unknown[0][1][0][0]
        run, its = runs[log.path]
        sensors = [(sensor, its[sensor.id]) for sensor in robot.sensors if sensor.id in its]
        causes = common_causes(log, run, sensors, world)
        if causes:
            mended.append(_mended(unknown, causes))
    said: list[Finding] = []
    pairs: set[frozenset[str]] = set()
    for sensor, wrong in found:
        if mended and any(sensor is each for each, _ in unknown):
            continue
        pair = frozenset({sensor.id, *(other for _, other, _ in wrong if other is not None)})
        if len(pair) == 2 and all(other for _, other, _ in wrong):
            if pair in pairs:
                continue
            pairs.add(pair)
        said.append(_finding(sensor, wrong))
    return [*mended, *said]


def _mended(unknown: Sequence[tuple[Sensor, list[_Wrong]]], causes: Sequence[Cause]) -> Finding:
    """Return an error for sensors whose readings fit with one change."""
    logs = list(dict.fromkeys(log for _, wrong in unknown for log, _, _ in wrong))
    names = [f"'{sensor.id}'" for sensor, _ in unknown]
    which = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
    words = " or if ".join(cause.words for cause in causes)
    message = f"the readings of {which} do not fit where they sit, but do if {words}{_also(logs[1:])}"
    at = logs[0].place(causes[0].title or f"range {unknown[0][0].id}")
    advice = "; or ".join(cause.advice for cause in causes)
    return Finding(at.path, at.line, at.column, "DG618", message, "error", advice, at.excerpt)


def _also(logs: Sequence[Log]) -> str:
    """Return which logs more have a fault, in words; nothing without any."""
    return also_in_logs(len(logs), named_of([log.path for log in logs], _MOST_NAMED))


def _beyond(logs: Sequence[Log], data: RangeData, sensor: Sensor, spread: FloatArray) -> _Why | None:
    """Return what a fit to logs together says that no sensor has, if they say enough."""
    fit = fit_ranges(sensor, data, spread, _pose_sd(logs))
    return _beyond_all(fit, int(np.isfinite(data.reading_m).sum()))


def _data(sensor: Sensor, log: Log, run: LoggedRun, world: World) -> RangeData:
    return range_data(sensor, [run], [log], {}, world)


def _pose_sd(logs: Sequence[Log]) -> tuple[float, float, float]:
    stated = [log.reference_spread or USUAL_POSE for log in logs]
    x, y, heading = np.hypot(np.max(np.array(stated), axis=0), _WAY).tolist()
    return x, y, heading


_Why = tuple[str, str]
"""What is wrong, in words, and the advice; none where the advice is the usual one."""
_Wrong = tuple[Log, str | None, _Why]
"""A log, the sensor with which a sensor is exchanged in it, and what is wrong."""


def _unlike(sensor: Sensor, data: RangeData) -> _Why | None:
    """Return how the readings of one log differ from all that this sensor can read, if they do."""
    got = np.isfinite(data.reading_m) & (data.reading_m > 0.0)
    if int(got.sum()) < _LEAST:
        return None
    reading, expected = data.reading_m[got], data.expected_m[got]
    logs = np.log(reading / expected)
    middle = float(np.median(logs))
    names = units_of(math.exp(middle))
    off = reading - expected
    by_ratio = float(np.mean(np.abs(reading - math.exp(middle) * expected)))
    by_shift = float(np.mean(np.abs(off - np.median(off))))
    told = by_ratio < _TOLD * by_shift or abs(middle) > _NO_SHIFT
    if names and told and float(np.mean(np.abs(logs - middle) < _ONE_RATIO)) > _FIT_SHARE:
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


def _like_other(other: str | None) -> _Why | None:
    return None if other is None else ("each are as long as those of the other should be", "")


_IT_SITS: Final = {True: "it sits", False: "they sit"}


def _finding(sensor: Sensor, wrong: Sequence[_Wrong]) -> Finding:
    log, other, (words, advice) = wrong[0]
    at = log.place(f"range {sensor.id}")
    which = f"'{sensor.id}' do" if other is None else f"'{sensor.id}' and '{other}' do"
    message = f"the readings of {which} not fit where {_IT_SITS[other is None]}: {words}"
    message += _also([each for each, _, _ in wrong[1:]])
    if other is not None and not advice:
        titles = f"'range {sensor.id}' and 'range {other}'"
        advice = f"exchange the titles {titles}: the readings fit the other way round"
    advice = advice or (
        "are two range columns exchanged? check also the sensor's mount in the robot file, the unit in this "
        "title, and the field map that the log names"
    )
    return Finding(at.path, at.line, at.column, "DG618", message, "error", advice, at.excerpt)


def exchanged_columns(
    log: Log, run: LoggedRun, known: Mapping[str, RangeData], robot: Robot, world: World
) -> dict[str, str]:
    """Return the sensors of a log whose columns are exchanged, each with the other: both fit so only."""
    found: dict[str, str] = {}
    there = [sensor for sensor in robot.sensors if sensor.id in log.ranges]
    for one, other in combinations(there, 2):
        if one.id in found or other.id in found:
            continue
        swapped = {one.id: log.ranges[other.id], other.id: log.ranges[one.id]}
        turned = replace(log, ranges=dict(log.ranges) | swapped)
        if all(_fits_better(known[each.id], _data(each, turned, run, world)) for each in (one, other)):
            found |= {one.id: other.id, other.id: one.id}
    return found


def _fits_better(own: RangeData, other: RangeData) -> bool:
    """Return whether readings fit closely, and leave far less than a sensor's own do."""
    if min(int(np.isfinite(data.reading_m).sum()) for data in (own, other)) < _LEAST or not _fits_closely(
        other
    ):
        return False
    left = misfit_m([own])
    return left > _MISFIT_M and misfit_m([other]) < _MISFIT_LEFT * left


def _fits_closely(data: RangeData) -> bool:
    got = np.isfinite(data.reading_m)
    return bool(got.any() and np.mean(data.fits[got]) > _OTHER_SHARE)
