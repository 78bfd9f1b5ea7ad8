"""Whether two logs are of one run: their rows compared by value, whatever their clock and units.

A copy may be written in other units, rounded otherwise, started by another clock, or lack rows. A row is
found again if at the same time into the run odometry and gyro say the same, to within what the rounding of
both logs explains. Two runs of one robot on one routine differ by their noise alone; where that is no
larger than the rounding, rows that agree prove nothing, and only logs that are equal throughout are one run.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.logs.values import Log

# Of the moving rows of the shorter log: how many are found again, and at least how many. (Our choice.)
_FOUND: Final = 0.95
_LEAST_FOUND: Final = 40
# The noise that proves something, as the middle second difference of a column, in bounds on its rounding.
_NOISE: Final = 2.0
# Alignments that are tried: rows of the other log that say what a rare row of this one says.
_MOST_TRIED: Final = 64
_PROBES: Final = 16
# The finest rounding that is told from none, and what is left of a float that was converted.
_FINEST: Final = 1e-7
_FLOAT: Final = 1e-9
# Units of length and angle that logs are rounded in, and the coarsest rounding that is believed: numbers that
# are round by nature are not rounded. [m], [rad], [s]
_LENGTHS: Final = (1.0, 0.0254, 0.3048)
_ANGLES: Final = (1.0, float(np.pi / 180.0), float(2.0 * np.pi))
_COARSEST_M, _COARSEST_RAD, _COARSEST_S = 1.1e-3, 2e-3, 0.011


@dataclass(frozen=True)
class Rows:
    """The rows in which odometry or gyro of a run said something; n of them.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
        As logged. [s]
    told : ndarray, shape (n, 3)
        Increment forward, increment sideways, heading; nan where the gyro is silent. [m, m, rad]
    moving : ndarray of int, shape (k,)
        Rows in which the robot moves, by index.
    grid : tuple of four floats
        What time, forward, sideways and heading are rounded to. [s, m, m, rad]
    """

    time_s: FloatArray
    told: FloatArray
    moving: NDArray[np.intp]
    grid: tuple[float, float, float, float]


def rows_of(log: Log) -> Rows:
    """Return what odometry and gyro of a run said; name, day, reference and other columns do not count."""
    rows = log.has_odometry | ~np.isnan(log.heading_rad)
    time, heading = log.time_s[rows], log.heading_rad[rows]
    told = np.column_stack([log.forward_m[rows], log.sideways_m[rows], heading]) + 0.0
    turned = np.abs(np.diff(heading, prepend=heading[:1])) > 0.0
    known = heading[~np.isnan(heading)]
    grid = (
        _grid(time - time[:1], (1.0,), _COARSEST_S),
        _grid(told[:, 0], _LENGTHS, _COARSEST_M),
        _grid(told[:, 1], _LENGTHS, _COARSEST_M),
        _grid(known - known[:1], _ANGLES, _COARSEST_RAD),
    )
    return Rows(time, told, np.flatnonzero(turned | (told[:, :2] != 0.0).any(axis=1)), grid)


def same_run(one: Rows, other: Rows) -> bool:
    """Return whether two logs are of one run: equal, or the shorter one's rows found again in the other.

    Parameters
    ----------
    one, other : Rows
        What each says. Rows may be missing anywhere in either, a twentieth of them at most in the longer.
    """
    if np.array_equal(one.time_s, other.time_s) and np.array_equal(one.told, other.told, equal_nan=True):
        return True
    short, long = (one, other) if len(one.moving) <= len(other.moving) else (other, one)
    if len(short.moving) < _LEAST_FOUND:
        return False
    bounds = _bounds(short, long)
    if not _proves(short, bounds[1:]):
        return False
    return any(_found_again(short, long, at, to, bounds) for at, to in _alignments(short, long, bounds))


def _grid(values: FloatArray, units: tuple[float, ...], coarsest: float) -> float:
    """Return the coarsest rounding in any of the units that all values have."""
    steps = {unit * 10.0**-k for unit in units for k in range(9)}
    for step in sorted((s for s in steps if _FINEST <= s <= coarsest), reverse=True):
        if np.all(np.abs(values - np.round(values / step) * step) < _FLOAT * (1.0 + np.abs(values))):
            return step
    return _FINEST


def _bounds(one: Rows, other: Rows) -> FloatArray:
    """Return by how much time, forward, sideways and heading of one row may differ by rounding.

    Numbers of the same rounding are equal; others differ by half of both. Time and heading are differences of
    two such numbers each.
    """
    a, b = np.array(one.grid), np.array(other.grid)
    rounding = np.where(np.isclose(a, b, rtol=1e-6), 0.0, 0.5 * (a + b))
    return np.asarray(rounding * [2.0, 1.0, 1.0, 2.0] + [1e-6, _FINEST, _FINEST, 1e-6])


def _proves(rows: Rows, bounds: FloatArray) -> bool:
    """Return whether some column's noise is so large that rows of two runs would not agree.

    Second differences leave nothing of a drive at even speed or acceleration, which runs have in common.
    """
    for column, bound in zip(rows.told.T, bounds, strict=True):
        change = np.abs(np.diff(column[~np.isnan(column)], n=2))
        if len(change) and float(np.median(change)) > _NOISE * bound:
            return True
    return False


def _alignments(short: Rows, long: Rows, bounds: FloatArray) -> list[tuple[int, int]]:
    """Return pairs of rows that may be the same one, by the one of a few that is rarest in the longer log."""
    probes = short.moving[np.linspace(0, len(short.moving) - 1, _PROBES).astype(int)]
    found: list[tuple[int, int]] = []
    fewest = len(long.time_s) + 1
    for at in probes:
        alike = np.flatnonzero((np.abs(long.told[:, :2] - short.told[at, :2]) <= bounds[1:3]).all(axis=1))
        if 0 < len(alike) < fewest:
            fewest = len(alike)
            found = [(int(at), int(to)) for to in alike[:_MOST_TRIED]]
    return [(0, 0), (len(short.time_s) - 1, len(long.time_s) - 1), *found]


def _found_again(short: Rows, long: Rows, at: int, to: int, bounds: FloatArray) -> bool:
    """Return whether the moving rows are there again if row `at` of the one is row `to` of the other."""
    time = short.time_s[short.moving] - short.time_s[at] + long.time_s[to]
    near = np.clip(np.searchsorted(long.time_s, time), 1, len(long.time_s) - 1)
    near -= time - long.time_s[near - 1] < long.time_s[near] - time
    there = np.abs(long.time_s[near] - time) <= bounds[0]
    off = long.told[near] - short.told[short.moving]
    both = there & ~np.isnan(off[:, 2])
    off[:, 2] -= np.median(off[both, 2]) if both.any() else 0.0
    silent = np.isnan(long.told[near, 2]) & np.isnan(short.told[short.moving, 2])
    off[silent, 2] = 0.0
    again = there & (np.abs(off) <= bounds[1:]).all(axis=1)
    count = int(again.sum())
    return count >= _LEAST_FOUND and count >= _FOUND * len(short.moving)
