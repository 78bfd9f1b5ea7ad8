"""A run as arrays, and the windows of it over which dead reckoning is judged.

Single steps of a log tell little about drift: their jitter, which does not accumulate, is larger than what
does, and a walk fitted on steps comes out many times too large. So a run is cut into windows of several
lengths, each anchored at a reference pose, and what is looked at is the error at the window's end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray, compose, inverse

IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

# Slower than this the robot stands. [m/s]
STANDING_MPS = 1e-3
# A run that gets no further and turns no more has no dead reckoning to speak of (our choice). [m, rad]
STILL_M, STILL_RAD = 0.2, np.deg2rad(20.0)
# A robot that moves no faster, and turns, turns on the spot; its wheel may count all the same. [m/s]
_SPOT_MPS = 0.04
# ... but no more than this for each radian: a wheel further off its place would be noticed. [m/rad]
_SPOT_M_PER_RAD = 0.03
# ... and at any speed this: a fast turn takes a wheel a little off its place along fast, and no robot drives
# arcs so tight (our choice). [m/rad]
_TIGHT_M_PER_RAD = 0.02
_ABOUT_S = 0.1
# Over a longer way than this drift is no leap of the reference (our choice). [m]
_NEAR_M = 0.5


@dataclass(frozen=True)
class Track:
    """The odometry of one run between its rows, and where the robot really was at them.

    Attributes
    ----------
    name : str
        The run.
    time_s : ndarray, shape (n,)
        Of the rows.
    twist : ndarray, shape (n - 1, 3)
        Measured increment of each step, body frame: ahead, left, turn. [m, m, rad]
    reference : ndarray, shape (n, 3)
        True poses; nan where there is none. [m, m, rad]
    """

    name: str
    time_s: FloatArray
    twist: FloatArray
    reference: FloatArray

    @property
    def duration_s(self) -> FloatArray:
        """Duration of each step, shape (n - 1,). [s]"""
        return np.diff(self.time_s)

    @property
    def distance_m(self) -> FloatArray:
        """Odometry distance from the start to each row, shape (n,). [m]"""
        return np.concatenate([[0.0], np.cumsum(np.hypot(self.twist[:, 0], self.twist[:, 1]))])

    @property
    def moving(self) -> BoolArray:
        """Whether the wheels count in each step, turns on the spot included, shape (n - 1,)."""
        return np.hypot(self.twist[:, 0], self.twist[:, 1]) > STANDING_MPS * self.duration_s

    @cached_property
    def travelling(self) -> BoolArray:
        """Whether the robot leaves its place in each step, shape (n - 1,).

        In a turn on the spot it does not, whatever a wheel off its place counts. A plan says which steps are
        turns on the spot (`driftgate.predict.linear.travelling_ticks`), a log does not: there it is what the
        odometry shows about each step.
        """
        middle = 0.5 * (self.time_s[1:] + self.time_s[:-1])
        sums = np.concatenate([np.zeros((1, 3)), np.cumsum(self.twist, axis=0)])
        since, until = (
            np.stack([np.interp(middle + off, self.time_s, column) for column in sums.T], axis=-1)
            for off in (-_ABOUT_S, _ABOUT_S)
        )
        gone, turned = np.hypot(*(until - since)[:, :2].T), np.abs(until - since)[:, 2]
        slow = (gone < 2.0 * _ABOUT_S * _SPOT_MPS) & (gone <= _SPOT_M_PER_RAD * turned)
        spot = slow | (gone <= _TIGHT_M_PER_RAD * turned)
        return np.asarray(self.moving & ~spot)

    def jumps(self, sideways_m: float) -> BoolArray:
        """Return in which steps the reference jumps sideways by more than so much, shape (n - 1,).

        A reference that comes in fixes of its own (satellites, tags that come into sight) moves by leaps that
        the robot did not make. Sideways is across the true heading half way, where no distance error shows,
        less what the odometry went that way. Poses further apart than `_NEAR_M` are not compared:
        there drift is no leap. The leap is that of the last step before a pose.
        """
        known = np.flatnonzero(np.isfinite(self.reference).all(axis=1))
        before, after = known[:-1], known[1:]
        path = _reckoned(self)
        off = _across(self.reference[before], self.reference[after]) - _across(path[before], path[after])
        near = self.distance_m[after] - self.distance_m[before] <= _NEAR_M
        found = np.zeros(len(self.twist), dtype=bool)
        found[after - 1] = (near | (after == before + 1)) & (np.abs(off) > sideways_m)
        return found


def _across(start: FloatArray, end: FloatArray) -> FloatArray:
    """Return how far poses lie apart across the heading half way. [m]"""
    step = compose(inverse(start), end)
    half = 0.5 * step[:, 2]
    return np.asarray(np.cos(half) * step[:, 1] - np.sin(half) * step[:, 0])


def _reckoned(track: Track) -> FloatArray:
    """Return the path of the odometry as it stands, each step along its middle heading, shape (n, 3)."""
    heading = np.concatenate([[0.0], np.cumsum(track.twist[:, 2])])
    half = heading[:-1] + 0.5 * track.twist[:, 2]
    ahead, left = track.twist[:, 0], track.twist[:, 1]
    x = np.concatenate([[0.0], np.cumsum(np.cos(half) * ahead - np.sin(half) * left)])
    y = np.concatenate([[0.0], np.cumsum(np.sin(half) * ahead + np.cos(half) * left)])
    return np.stack([x, y, heading], axis=-1)


def stands(track: Track) -> bool:
    """Return whether a run hardly moves: its windows would tell of the reference's error alone."""
    away_m, turned_rad = excursion(track)
    return away_m < STILL_M and turned_rad < STILL_RAD


def excursion(track: Track) -> tuple[float, float]:
    """Return how far a run gets from its beginning, and how far it turns, by its odometry. [m, rad]

    Noise of counters that stand adds up to a way driven, but leads nowhere.
    """
    x, y, heading = _reckoned(track).T
    return float(np.hypot(x, y).max(initial=0.0)), float(np.ptp(heading))


def part(track: Track, low_m: float, high_m: float) -> Track:
    """Return the part of a track between two odometry distances."""
    distance = track.distance_m
    rows = np.flatnonzero((distance >= low_m) & (distance <= high_m))
    if len(rows) < 2:
        return Track(track.name, track.time_s[:1], track.twist[:0], track.reference[:1])
    first, last = int(rows[0]), int(rows[-1])
    return Track(
        track.name,
        track.time_s[first : last + 1],
        track.twist[first:last],
        track.reference[first : last + 1],
    )


@dataclass(frozen=True)
class Windows:
    """Windows of a track: from row `start` to row `end`, shape (k,) each.

    Attributes
    ----------
    start, end : ndarray of int
        Rows of the track; both have a reference.
    length_m : ndarray
        The nominal length; windows of one length are scored together. [m]
    weight : ndarray
        How much of a window no other window of its length shares, at most 1: windows that overlap
        count together as much as those that tell something of their own.
    block : ndarray of int
        Stretches of the track that are taken as independent of each other.
    """

    start: IntArray
    end: IntArray
    length_m: FloatArray
    weight: FloatArray
    block: IntArray

    def __len__(self) -> int:
        return len(self.start)

    def pick(self, which: BoolArray | IntArray) -> Windows:
        """Return some of the windows."""
        return Windows(
            self.start[which], self.end[which], self.length_m[which], self.weight[which], self.block[which]
        )


# Windows whose starts are nearer than this many times the longest length are taken as dependent.
_BLOCK = 1.5
# Sums of increments miss round numbers by a rounding error. [m]
_SLACK_M = 1e-9


def windows_of(track: Track, lengths_m: Sequence[float], every_m: float) -> Windows:
    """Return sliding windows of each length, one starting every `every_m` of odometry distance.

    Windows end at the first row at or beyond their length; those that would start or end where there
    is no reference pose do so at the next row that has one.

    Parameters
    ----------
    track : Track
        The run.
    lengths_m : sequence of float
        The lengths. [m]
    every_m : float
        Distance from start to start. [m]
    """
    known = np.flatnonzero(np.isfinite(track.reference).all(axis=1))
    distance = track.distance_m[known]
    none = np.zeros(0, dtype=np.intp)
    starts, ends, lengths = [none], [none], [np.zeros(0)]
    if len(known) > 1:
        anchors = np.arange(distance[0], distance[-1], every_m)
        first = np.unique(np.searchsorted(distance, anchors - _SLACK_M))
        for length in lengths_m:
            last = np.searchsorted(distance, distance[first] + length - _SLACK_M)
            inside = last < len(known)
            starts.append(known[first[inside]])
            ends.append(known[last[inside]])
            lengths.append(np.full(int(inside.sum()), float(length)))
    start, nominal = np.concatenate(starts), np.concatenate(lengths)
    weight = np.minimum(every_m / np.maximum(nominal, 1e-9), 1.0)
    spacing = _BLOCK * max(lengths_m)
    block = np.floor((track.distance_m[start] - track.distance_m[0]) / spacing).astype(np.intp)
    return Windows(start, np.concatenate(ends), nominal, weight, block)


def windows_between(track: Track, most: int = 4) -> Windows:
    """Return windows between reference poses that are few: from each to each of the next `most`.

    Parameters
    ----------
    track : Track
        The run.
    most : int
        The nominal length of a window is how many reference poses it goes on, in place of metres.
    """
    known = np.flatnonzero(np.isfinite(track.reference).all(axis=1))
    pairs = [(a, a + k, k) for k in range(1, most + 1) for a in range(len(known) - k)]
    table = np.array(pairs, dtype=np.intp).reshape(-1, 3)
    steps = table[:, 2].astype(np.float64)
    return Windows(
        known[table[:, 0]], known[table[:, 1]], steps, 1.0 / steps, np.zeros(len(table), dtype=np.intp)
    )


def without_jumps(track: Track, windows: Windows, sideways_m: float) -> Windows:
    """Return the windows in which the reference does not jump; see `Track.jumps`."""
    count = np.concatenate([[0], np.cumsum(track.jumps(sideways_m))])
    return windows.pick(count[windows.end] == count[windows.start])
