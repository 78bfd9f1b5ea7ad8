"""Whether two logs are of one run: their rows compared by value, whatever their clock and units.

A copy may be written in other units, rounded otherwise, started by another clock or gyro zero, cut, or lack
rows. A row is found again if at the same time into the run odometry and gyro say the same, to within what the
rounding of both logs explains. Of logs written coarsely, or of counts, rows agree by chance as well: two runs
of one routine have its speeds in common. So only cells count as proof that tell runs apart: those whose
second difference is larger than rounding leaves of a smooth drive, such as jolts of the odometry; and where
these are too few, readings of range sensors, each of which has a noise of its own. Where nothing tells, only
logs that are equal throughout, but for where clock and gyro begin, are one run.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.logs.values import Log, RangeColumn
from driftgate.run.same_grid import (
    ANGLES,
    COARSEST_M,
    COARSEST_RAD,
    COARSEST_RANGE_M,
    COARSEST_S,
    FINEST,
    LENGTHS,
    grid_of,
    quantum_of,
)

BoolArray = NDArray[np.bool_]

# Of the moving rows that both logs have time for: how many are found again, and at least how many; and which
# share of the shorter log's they are. (Our choice.)
_FOUND: Final = 0.95
_LEAST_FOUND: Final = 40
_LEAST_SHARED: Final = 0.5
# Cells that tell runs apart: a second difference of so many steps of rounding; a smooth drive leaves two.
_TELLING: Final = 2.5
# So many in a column that its noise makes them, and not the corners of a routine's speeds; as a share, and at
# least, all columns together. (Our choice.)
_NOISY: Final = 0.1
_LEAST_TELLING: Final = 40
# Alignments that are tried, what is looked for to find them, and in how many places each is taken for found.
_MOST_TRIED: Final = 8
_MOST_ALIKE: Final = 64
_PROBES: Final = 16
_RANGE_PROBES: Final = 8


@dataclass(frozen=True)
class Readings:
    """What one range sensor said; m readings.

    Attributes
    ----------
    time_s : ndarray, shape (m,)
        As logged. [s]
    reading_m : ndarray, shape (m,)
        nan where nothing came back. [m]
    order : ndarray of int
        Readings from short to long.
    grid_m : float
        What they are rounded to. [m]
    """

    time_s: FloatArray
    reading_m: FloatArray
    order: NDArray[np.intp]
    grid_m: float


@dataclass(frozen=True)
class Rows:
    """The rows in which odometry or gyro of a run said something; n of them.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
        As logged. [s]
    told : ndarray, shape (n, 3)
        Increment forward, increment sideways, heading; nan where the gyro is silent. [m, m, rad]
    bend : ndarray, shape (n, 3)
        Size of their second differences; 0 at the ends and where there is none. [m, m, rad]
    moving : ndarray of int, shape (k,)
        Rows in which the robot moves, by index.
    order : ndarray of int, shape (n,)
        Rows by what they say of the way forward, from little to much.
    grid : tuple of four floats
        What time, forward, sideways and heading are rounded to. [s, m, m, rad]
    quantum : tuple of three floats
        By how much forward, sideways and heading differ at least: rounding, or a count. [m, m, rad]
    ranges : mapping of str to Readings
        By the name of the sensor.
    """

    time_s: FloatArray
    told: FloatArray
    bend: FloatArray
    moving: NDArray[np.intp]
    order: NDArray[np.intp]
    grid: tuple[float, float, float, float]
    quantum: tuple[float, float, float]
    ranges: Mapping[str, Readings]


def rows_of(log: Log) -> Rows:
    """Return what a run's odometry, gyro and range sensors said; name, day and reference do not count."""
    rows = log.has_odometry | ~np.isnan(log.heading_rad)
    time, heading = log.time_s[rows], log.heading_rad[rows]
    told = np.column_stack([log.forward_m[rows], log.sideways_m[rows], heading]) + 0.0
    turned = np.abs(np.diff(heading, prepend=heading[:1])) > 0.0
    known = heading[~np.isnan(heading)]
    moving = np.flatnonzero(turned | (told[:, :2] != 0.0).any(axis=1))
    grid = (
        grid_of(time - time[:1], (1.0,), COARSEST_S),
        grid_of(told[:, 0], LENGTHS, COARSEST_M),
        grid_of(told[:, 1], LENGTHS, COARSEST_M),
        grid_of(known - known[:1], ANGLES, COARSEST_RAD),
    )
    quantum = (
        quantum_of(told[moving, 0], grid[1]),
        quantum_of(told[moving, 1], grid[2]),
        quantum_of(np.diff(known), grid[3]),
    )
    ranges = {name: _readings(log, column) for name, column in log.ranges.items() if column.fired.any()}
    order = np.argsort(told[:, 0], kind="stable")
    return Rows(time, told, _bend(told), moving, order, grid, quantum, ranges)


def _readings(log: Log, column: RangeColumn) -> Readings:
    time, reading = log.time_s[column.fired], column.reading_m[column.fired]
    known = reading[~np.isnan(reading)]
    grid = grid_of(known, LENGTHS, COARSEST_RANGE_M) if len(known) else FINEST
    return Readings(time, reading, np.argsort(reading, kind="stable"), grid)


def _bend(told: FloatArray) -> FloatArray:
    bend = np.zeros_like(told)
    for column in range(told.shape[1]):
        known = np.flatnonzero(~np.isnan(told[:, column]))
        if len(known) > 2:
            bend[known[1:-1], column] = np.abs(np.diff(told[known, column], n=2))
    return bend


def same_run(one: Rows, other: Rows) -> bool:
    """Return whether two logs are of one run: equal, or rows of the one found again in the other.

    Parameters
    ----------
    one, other : Rows
        What each says. Rows may be missing anywhere in either, a twentieth of them at most of what both have
        time for, which is half of the shorter one or more.
    """
    if np.array_equal(one.time_s, other.time_s) and np.array_equal(one.told, other.told, equal_nan=True):
        return True
    short, long = (one, other) if len(one.moving) <= len(other.moving) else (other, one)
    if len(short.moving) < _LEAST_FOUND:
        return False
    if _equal_throughout(short, long):
        return True
    bounds = _bounds(short, long)
    telling = _telling(short, long)
    shared = [name for name in short.ranges if name in long.ranges]
    if not telling.any() and not shared:
        return False
    ends = (long.time_s[0] - short.time_s[0], long.time_s[-1] - short.time_s[-1])
    if any(_found_again(short, long, shift, bounds, telling, shared) for shift in ends):
        return True
    likely = _likely(list(_shifts(short, long, bounds, telling, shared)), float(bounds[0]))
    return any(_found_again(short, long, shift, bounds, telling, shared) for shift in likely)


def _equal_throughout(one: Rows, other: Rows) -> bool:
    """Return whether all that two logs say is the same but for where clock and gyro begin."""
    if len(one.time_s) != len(other.time_s):
        return False
    zero = [np.where(np.isnan(rows.told[:, 2]), 0.0, rows.told[:, 2])[:1] for rows in (one, other)]
    heading = np.abs((one.told[:, 2] - zero[0]) - (other.told[:, 2] - zero[1]))
    return bool(
        np.array_equal(np.isnan(one.told[:, 2]), np.isnan(other.told[:, 2]))
        and np.all(np.nan_to_num(heading) < FINEST)
        and np.all(np.abs(one.told[:, :2] - other.told[:, :2]) < FINEST)
        and np.all(np.abs((one.time_s - one.time_s[0]) - (other.time_s - other.time_s[0])) < 1e-6)
    )


def _bounds(one: Rows, other: Rows) -> FloatArray:
    """Return by how much time, forward, sideways and heading of one row may differ by rounding.

    Increments of the same rounding are equal; others are differences of two numbers, each of which is off by
    half of it in either log. So are time and heading, which are rounded anew where clock or gyro begin
    elsewhere.
    """
    a, b = np.array(one.grid), np.array(other.grid)
    same = np.isclose(a, b, rtol=1e-6) & [False, True, True, False]
    bounds = np.where(same, 0.0, a + b)
    return np.asarray(bounds + np.array([1e-6, FINEST, FINEST, 1e-6]))


def _telling(short: Rows, long: Rows) -> BoolArray:
    """Return which cells of the moving rows of the shorter log tell runs apart, shape (k, 3).

    Second differences leave nothing of a drive at even speed or acceleration, which runs have in common, but
    for two steps of rounding.
    """
    steps = np.maximum(np.maximum(short.quantum, long.quantum), np.maximum(short.grid[1:], long.grid[1:]))
    telling = short.bend[short.moving] > _TELLING * steps
    return np.asarray(telling & (telling.mean(axis=0) >= _NOISY))


def _shifts(
    short: Rows, long: Rows, bounds: FloatArray, telling: BoolArray, shared: list[str]
) -> Iterator[float]:
    """Yield by how much the longer log's clock may be ahead, by rows and readings that are in both."""
    first = short.moving[telling.any(axis=1)]
    step = max(len(first) // _PROBES, 1)
    for at in first[::step][:_PROBES].tolist():
        if 0 < at < len(short.time_s) - 1:
            for to in _alike(short, long, at, bounds):
                yield float(long.time_s[to] - short.time_s[at])
    for name in shared:
        yield from _range_shifts(short.ranges[name], long.ranges[name])


def _likely(shifts: list[float], bound_s: float) -> list[float]:
    """Return the clock differences that most speaks for, each as the middle of those that are one."""
    if not shifts:
        return []
    told = np.array(shifts)
    place = np.round(told / (2.0 * bound_s))
    places, count = np.unique(place, return_counts=True)
    most = places[np.argsort(-count, kind="stable")][:_MOST_TRIED]
    return [float(np.median(told[np.abs(place - at) <= 1.0])) for at in most]


def _alike(short: Rows, long: Rows, at: int, bounds: FloatArray) -> list[int]:
    """Return rows of the longer log that say what a row and its neighbours say."""
    sought = short.told[at, 0]
    forward = long.told[:, 0]
    low = int(np.searchsorted(forward, sought - bounds[1], "left", sorter=long.order))
    high = int(np.searchsorted(forward, sought + bounds[1], "right", sorter=long.order))
    found = long.order[low:high]
    found = found[(found > 0) & (found < len(long.time_s) - 1)]
    for beside in (-1, 0, 1):
        off = np.abs(long.told[found + beside, :2] - short.told[at + beside, :2])
        found = found[(off <= bounds[1:3]).all(axis=1)]
    turned = short.told[at + 1, 2] - short.told[at - 1, 2]
    off = np.abs(long.told[found + 1, 2] - long.told[found - 1, 2] - turned)
    return [int(to) for to in found[~(off > bounds[3])][:_MOST_ALIKE]]


def _range_shifts(short: Readings, long: Readings) -> Iterator[float]:
    """Yield clock differences at which three readings in a row of a sensor are there again."""
    bound = _range_bound(short, long)
    whole = np.flatnonzero(np.isfinite(short.reading_m[:-2] + short.reading_m[1:-1] + short.reading_m[2:]))
    if not len(whole) or len(long.time_s) < 3:
        return
    spread = np.ptp([short.reading_m[whole + k] for k in range(3)], axis=0)
    # Those of much noise are found in few places; an edge in the way of the beam is in every run.
    typical = np.argsort(np.abs(spread - np.quantile(spread, 0.8)), kind="stable")
    for at in whole[typical[:_RANGE_PROBES]].tolist():
        sought = short.reading_m[at]
        low = int(np.searchsorted(long.reading_m, sought - bound, "left", sorter=long.order))
        high = int(np.searchsorted(long.reading_m, sought + bound, "right", sorter=long.order))
        found = long.order[low:high]
        found = found[found < len(long.time_s) - 2]
        for k in (1, 2):
            found = found[np.abs(long.reading_m[found + k] - short.reading_m[at + k]) <= bound]
        for to in found[:_MOST_ALIKE].tolist():
            yield float(long.time_s[to] - short.time_s[at])


def _range_bound(one: Readings, other: Readings) -> float:
    same = np.isclose(one.grid_m, other.grid_m, rtol=1e-6)
    return (0.0 if same else 0.5 * (one.grid_m + other.grid_m)) + FINEST


def _near(
    long_s: FloatArray, time_s: FloatArray, bound_s: float
) -> Iterator[tuple[NDArray[np.intp], BoolArray]]:
    """Yield the instants of a log nearest to some, and those before and after, and which are near enough.

    Where the clock is coarse a row may be told a tick early or late.
    """
    near = np.clip(np.searchsorted(long_s, time_s), 0, len(long_s) - 1)
    for beside in (0, -1, 1):
        at = np.clip(near + beside, 0, len(long_s) - 1)
        yield at, np.abs(long_s[at] - time_s) <= bound_s


def _within(long_s: FloatArray, time_s: FloatArray, bound_s: float) -> BoolArray:
    return np.asarray((time_s >= long_s[0] - bound_s) & (time_s <= long_s[-1] + bound_s))


def _found_again(
    short: Rows, long: Rows, shift: float, bounds: FloatArray, telling: BoolArray, shared: list[str]
) -> bool:
    """Return whether the shorter log is there again in the longer one, whose clock is ahead by so much."""
    time, bound_s = short.time_s[short.moving] + shift, float(bounds[0])
    within = _within(long.time_s, time, bound_s)
    both = int(within.sum())
    if both < max(_LEAST_FOUND, _LEAST_SHARED * len(short.moving)):
        return False
    sought = short.told[short.moving]
    off = [(long.told[at] - sought, there) for at, there in _near(long.time_s, time, bound_s)]
    turned = np.concatenate([each[there, 2] for each, there in off])
    turned = turned[~np.isnan(turned)]
    zero = float(np.median(turned)) if len(turned) else 0.0
    again, right = np.zeros(len(sought), dtype=bool), np.zeros(sought.shape, dtype=bool)
    for each, there in off:
        each[:, 2] -= zero
        # Where one of the gyros is silent there is nothing to compare.
        agree = there & ~(np.abs(each) > bounds[1:]).any(axis=1)
        again |= agree
        right |= agree[:, None] & ~np.isnan(each)
    if (again & within).sum() < _FOUND * both:
        return False
    cells = telling & within[:, None] & ~(again[:, None] & ~right)
    told, found = int(cells.sum()), int((cells & right).sum())
    if _prove(told, found):
        return True
    for name in shared:
        more, good = _ranges_again(short.ranges[name], long.ranges[name], shift, bound_s)
        told, found = told + more, found + good
    return _prove(told, found)


def _prove(told: int, found: int) -> bool:
    return found >= _LEAST_TELLING and found >= _FOUND * told


def _ranges_again(short: Readings, long: Readings, shift: float, bound_s: float) -> tuple[int, int]:
    """Return how many readings tell runs apart, and how many of them are there again.

    One tells if it differs from its neighbours by more than rounding; of a wall the noise does that.
    """
    time, bound = short.time_s + shift, _range_bound(short, long)
    within = _within(long.time_s, time, bound_s)
    bend = np.zeros(len(time))
    if len(bend) > 2:
        bend[1:-1] = np.nan_to_num(np.abs(np.diff(short.reading_m, n=2)))
    telling = (bend > _TELLING * max(short.grid_m, long.grid_m)) & within
    if telling.sum() < _NOISY * within.sum():
        return 0, 0
    again = np.zeros(len(time), dtype=bool)
    for at, there in _near(long.time_s, time, bound_s):
        again |= there & (np.abs(long.reading_m[at] - short.reading_m) <= bound)
    return int(telling.sum()), int((telling & again).sum())
