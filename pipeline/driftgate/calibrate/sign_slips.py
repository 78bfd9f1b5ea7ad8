"""Runs in which a column counts the wrong way: what was driven fits the places only with its sign changed.

Half a turn, whole turns and straight lines look alike under both signs of a heading, and most of a drive may
be made of them. What tells is each way from pose to pose by itself, under both signs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from driftgate.calibrate.chain import LoggedRun
from driftgate.calibrate.dead_reckoning import reckon
from driftgate.calibrate.windows import BoolArray, IntArray, Track
from driftgate.core.findings import Finding
from driftgate.core.many import also_in_logs
from driftgate.core.pose import FloatArray, compose, inverse, wrap_angles
from driftgate.logs.values import Log

# From pose to pose the robot drives or turns at least so far, so that a sign shows. [m, rad]
_WAY_M: Final = 0.5
_TURN_RAD: Final = 0.8
# A way fits if its end is off by no more than this, of which a share goes with its length. [m, 1, rad]
_FITS: Final = (0.05, 0.2, 0.3)
# ... and contradicts if it is off by more than this: no gyro or wheel is so poor over one way (our choice).
_CONTRADICTS: Final = (0.1, 0.4, 0.5)
# Ways that contradict a sign and fit the other: so many at least, and so many times the others.
_LEAST_WAYS: Final = 2
_TIMES: Final = 4

_SIGNS: Final = (
    ("heading", 2, "counts clockwise: it counts counter-clockwise, seen from above"),
    ("sideways", 1, "counts to the right: it counts to the left"),
    ("forward", 0, "counts backwards: it counts ahead"),
)


@dataclass(frozen=True)
class _Count:
    """How many ways of a run speak for another sign of a column, and how many against."""

    ways: int
    against: int

    @property
    def wrong(self) -> bool:
        return self.ways > _TIMES * self.against


def wrong_signs(runs: Sequence[LoggedRun], logs: Sequence[Log]) -> list[Finding]:
    """Return an error for a column whose sign is wrong in runs of one robot.

    Parameters
    ----------
    runs, logs
        Runs of one robot, each with its log. Those without headings among their reference poses are passed
        over: onto places alone a way is turned as it fits best.

    Returns
    -------
    list of Finding
        DG618, at the title of the column in the first log in which it is wrong, or none.
    """
    both = [(_counts(run.seen), log) for run, log in zip(runs, logs, strict=True) if run.headings]
    found: tuple[int, list[tuple[_Count, Log]], int] | None = None
    for i, (title, _, _) in enumerate(_SIGNS):
        counted = [(counts[i], log) for counts, log in both if title in log.titles]
        wrong = [(count, log) for count, log in counted if count.wrong]
        ways = sum(count.ways for count, _ in wrong)
        if ways >= _LEAST_WAYS and (found is None or ways > found[2]):
            found = i, wrong, ways
    if found is None:
        return []
    i, wrong, ways = found
    title, _, meant = _SIGNS[i]
    at = wrong[0][1].place(title)
    more = also_in_logs(len(wrong) - 1)
    of = f"{wrong[0][0].ways} way{'s' if wrong[0][0].ways > 1 else ''}"
    message = (
        f"on {of} between reference poses the robot went and turned as it would if '{title}' had the other "
        f"sign, and not as it says{more}"
    )
    advice = f"it seems that '{title}' {meant}; change its sign"
    return [Finding(at.path, at.line, at.column, "DG618", message, "error", advice, at.excerpt)]


def _counts(track: Track) -> tuple[_Count, ...]:
    """Return the counts of each of `_SIGNS`."""
    ends = _ends(track)
    real = _moves(track.reference[ends])

    def off(t: Track) -> _Off:
        return _off(_moves(reckon(t, {})[0][ends]), real)

    as_is, found = off(track), []
    for _, axis, _ in _SIGNS:
        if not np.any(track.twist[:, axis]):
            found.append(_Count(0, 0))
            continue
        turned = track.twist.copy()
        turned[:, axis] *= -1.0
        other = off(replace(track, twist=turned))
        ways = other.fits & as_is.contradicts
        found.append(_Count(int(ways.sum()), int((as_is.fits & other.contradicts).sum())))
    return tuple(found)


def _ends(track: Track) -> IntArray:
    """Return the rows of poses between which the robot has driven or turned far enough."""
    known = np.flatnonzero(np.isfinite(track.reference).all(axis=1))
    turned = np.concatenate([[0.0], np.cumsum(np.abs(track.twist[:, 2]))])
    cell = np.floor(track.distance_m / _WAY_M + turned / _TURN_RAD)[known]
    return np.asarray(known[np.unique(cell, return_index=True)[1]])


def _moves(poses: FloatArray) -> FloatArray:
    """Return each pose as seen from the one before."""
    return compose(inverse(poses[:-1]), poses[1:])


@dataclass(frozen=True)
class _Off:
    """By how much the ends of ways are off. [m, rad]; lengths of the longer way. [m]"""

    place_m: FloatArray
    turn_rad: FloatArray
    length_m: FloatArray

    @property
    def fits(self) -> BoolArray:
        least, share, turn = _FITS
        return np.asarray((self.place_m < least + share * self.length_m) & (self.turn_rad < turn))

    @property
    def contradicts(self) -> BoolArray:
        least, share, turn = _CONTRADICTS
        return np.asarray((self.place_m > least + share * self.length_m) | (self.turn_rad > turn))


def _off(driven: FloatArray, real: FloatArray) -> _Off:
    apart = driven - real
    lengths = np.maximum(np.hypot(driven[:, 0], driven[:, 1]), np.hypot(real[:, 0], real[:, 1]))
    return _Off(np.hypot(apart[:, 0], apart[:, 1]), np.abs(wrap_angles(apart[:, 2])), lengths)
