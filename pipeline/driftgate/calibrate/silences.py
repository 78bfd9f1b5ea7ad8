"""Sensors that were silent for one long stretch: a cable that was loose is no dropout of the sensor.

A share of readings that do not come is a property of a sensor if they are missing now and then. Where nearly
all of them are missing one after the other, from walls that it reads at other times, something was wrong with
the run; counted as dropout it would be said of every run to come.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from driftgate.calibrate.doubted import Doubted
from driftgate.calibrate.range_data import RangeData, Sighted
from driftgate.calibrate.windows import BoolArray
from driftgate.core.findings import Finding
from driftgate.logs.values import Log
from driftgate.schema.robot import Robot

# So many readings one after the other that should have come and did not, over so long. [1, s]
_LEAST: Final = 20
_LEAST_S: Final = 0.5
# By what is missing at other times, and how often twice in a row, that is rarer than this (our choice).
_CHANCE: Final = 1e-6
# A surface counts as one that gives an echo if so many readings of it came, and so large a share.
_LEAST_SEEN: Final = 10
_SEEN: Final = 0.5
# Where so large a share of the logs has such a stretch, it is the sensor, or a wall that swallows its beam.
_MANY: Final = 0.5


def check_silences(seen: Sighted, robot: Robot, doubted: Doubted) -> list[Finding]:
    """Return a warning for each stretch of a log in which a sensor was silent that is not otherwise.

    Parameters
    ----------
    seen : Sighted
        Logs of one robot on one field.
    robot : Robot
        Their robot.
    doubted : Doubted
        To which the rows are added in which it was silent.

    Returns
    -------
    list of Finding
        DG627, at the title of the readings.
    """
    found = []
    for sensor in robot.sensors:
        known = [
            (log, own[sensor.id])
            for (log, _), own in zip(seen.runs, seen.readings, strict=True)
            if sensor.id in own and len(own[sensor.id])
        ]
        stretches = [_longest(data) for _, data in known]
        odd = [
            i
            for i, (begin, end) in enumerate(stretches)
            if end - begin >= _LEAST and _is_odd(known, stretches, i)
        ]
        if not odd or (len(known) > 1 and len(odd) > _MANY * len(known)):
            continue
        lost, all_of = _elsewhere(known, stretches, odd)
        for i in odd:
            log, data = known[i]
            rows = _rows(log, sensor.id, data, *stretches[i])
            doubted.silent.setdefault((log.path, sensor.id), set()).update(rows.tolist())
            at, (begin, end) = log.place(f"range {sensor.id}"), stretches[i]
            words = (
                f"no echo for '{sensor.id}' from {log.time_s[rows[0]]:.4g} s to {log.time_s[rows[-1]]:.4g} s "
                f"of this run, in which {end - begin} readings near measured poses should have met a wall; "
                f"elsewhere {100.0 * lost / all_of:.2g} % are lost"
            )
            advice = "was its cable loose, or something before it? A fit leaves that stretch out"
            found.append(Finding(at.path, at.line, at.column, "DG627", words, "warning", advice, at.excerpt))
    return found


def _longest(data: RangeData) -> tuple[int, int]:
    """Return where the longest stretch of readings that did not come begins, and where it ends."""
    lost = np.concatenate([[0], np.isnan(data.reading_m).astype(int), [0]])
    edges = np.diff(lost)
    begins, ends = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0)
    if not len(begins):
        return 0, 0
    at = int(np.argmax(ends - begins))
    return int(begins[at]), int(ends[at])


_Known = Sequence[tuple[Log, RangeData]]


def _is_odd(known: _Known, stretches: Sequence[tuple[int, int]], i: int) -> bool:
    """Return whether a stretch is too long for chance, though its walls are read at other times."""
    (log, data), (begin, end) = known[i], stretches[i]
    times = log.time_s[data.row[[begin, end - 1]]]
    if float(times[1] - times[0]) < _LEAST_S:
        return False
    others = [np.isnan(its.reading_m) for k, (_, its) in enumerate(known) if k != i]
    others += [np.isnan(data.reading_m[:begin]), np.isnan(data.reading_m[end:])]
    lost = np.concatenate(others)
    if len(lost) < _LEAST:
        return False
    again = sum(int((each[1:] & each[:-1]).sum()) for each in others)
    share = (lost.sum() + 0.5) / (len(lost) + 1.0)
    follows = (again + 0.5) / (lost.sum() + 1.0)
    if len(data) * share * follows ** (end - begin - 1) > _CHANCE:
        return False
    return bool(np.isin(data.surface[begin:end], _echoing(known, i, begin, end)).mean() > _SEEN)


def _echoing(known: _Known, i: int, begin: int, end: int) -> np.ndarray:
    """Return the surfaces that give an echo outside of a stretch."""
    surface, came = [], []
    for k, (_, data) in enumerate(known):
        keep: BoolArray = np.ones(len(data), dtype=bool)
        if k == i:
            keep[begin:end] = False
        surface.append(data.surface[keep])
        came.append(np.isfinite(data.reading_m[keep]))
    of, good = np.concatenate(surface), np.concatenate(came)
    return np.array(
        [
            each
            for each in np.unique(of)
            if (count := int(good[of == each].sum())) >= _LEAST_SEEN
            and count > _SEEN * int((of == each).sum())
        ],
        dtype=np.intp,
    )


def _elsewhere(known: _Known, stretches: Sequence[tuple[int, int]], odd: Sequence[int]) -> tuple[int, int]:
    """Return how many readings are lost outside of the stretches, and of how many."""
    lost = sum(int(np.isnan(data.reading_m).sum()) for _, data in known)
    all_of = sum(len(data) for _, data in known)
    silent = sum(stretches[i][1] - stretches[i][0] for i in odd)
    return lost - silent, max(all_of - silent, 1)


def _rows(log: Log, sensor: str, data: RangeData, begin: int, end: int) -> np.ndarray:
    """Return all rows of a log in which a sensor was silent about a stretch, whatever was before it."""
    column = log.ranges[sensor]
    came = np.flatnonzero(np.isfinite(column.reading_m))
    first, last = int(data.row[begin]), int(data.row[end - 1])
    before, after = came[came < first], came[came > last]
    low = int(before[-1]) if len(before) else -1
    high = int(after[0]) if len(after) else len(log.time_s)
    rows = np.flatnonzero(column.fired)
    return np.asarray(rows[(rows > low) & (rows < high)])
