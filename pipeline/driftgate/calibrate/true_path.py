"""Where a robot really was between its reference poses: its calibrated odometry, closed onto them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from driftgate.calibrate.dead_reckoning import reckon
from driftgate.calibrate.windows import BoolArray, IntArray, Track
from driftgate.core.pose import FloatArray, compose, exp, inverse, log, wrap_angles

# How far from a reference pose the path is taken as known: errors grow with the way. [m, rad]
NEAR_M, NEAR_RAD = 0.25, 0.3


@dataclass(frozen=True)
class TruePath:
    """Poses at some instants.

    Attributes
    ----------
    pose : ndarray, shape (m, 3)
        Field axes. [m, m, rad]
    nearest : ndarray of int, shape (m,)
        Number of the reference pose, of those there are, that each lies nearest to by the way driven.
    near : ndarray of bool, shape (m,)
        Whether that is near enough.
    """

    pose: FloatArray
    nearest: IntArray
    near: BoolArray


def true_path(track: Track, constants: Mapping[str, float], time_s: FloatArray) -> TruePath:
    """Return where the robot was at some instants.

    Parameters
    ----------
    track : Track
        The run, with a reference pose at least.
    constants : mapping
        The constants of its odometry, as fitted.
    time_s : ndarray, shape (m,)
        The instants; those outside the track are not near.
    """
    known = np.flatnonzero(np.isfinite(track.reference).all(axis=1))
    path, _, _ = reckon(track, constants)
    row = np.clip(np.searchsorted(track.time_s, time_s, side="right") - 1, 0, len(track.time_s) - 2)
    span = track.time_s[row + 1] - track.time_s[row]
    share = np.clip((time_s - track.time_s[row]) / span, 0.0, 1.0)
    step = log(compose(inverse(path[row]), path[row + 1]))
    reckoned = compose(path[row], exp(share[:, None] * step))
    way, turned = _ways(path)
    at_way = way[row] + share * (way[row + 1] - way[row])
    at_turn = turned[row] + share * (turned[row + 1] - turned[row])
    low = np.clip(np.searchsorted(known, row, side="right") - 1, 0, len(known) - 1)
    high = np.clip(low + 1, 0, len(known) - 1)
    cost = way / NEAR_M + turned / NEAR_RAD
    at_cost = at_way / NEAR_M + at_turn / NEAR_RAD
    from_low, from_high = np.abs(at_cost - cost[known[low]]), np.abs(cost[known[high]] - at_cost)
    # Between two references the closing error is shared out by the way.
    whole = np.where(high > low, from_low + from_high, 1.0)
    part = np.where(high > low, from_low / np.where(whole > 0.0, whole, 1.0), 0.0)
    ahead = compose(track.reference[known[low]], compose(inverse(path[known[low]]), reckoned))
    back = compose(track.reference[known[high]], compose(inverse(path[known[high]]), reckoned))
    gap = back - ahead
    gap[:, 2] = wrap_angles(gap[:, 2])
    nearest = np.where((from_high < from_low) & (high > low), high, low)
    inside = (time_s >= track.time_s[0]) & (time_s <= track.time_s[-1])
    near = inside & (np.minimum(from_low, np.where(high > low, from_high, np.inf)) <= 1.0)
    return TruePath(ahead + part[:, None] * gap, nearest, near)


def _ways(path: FloatArray) -> tuple[FloatArray, FloatArray]:
    moved = np.hypot(*np.diff(path[:, :2], axis=0).T)
    turned = np.abs(np.diff(path[:, 2]))
    return tuple(np.concatenate([[0.0], np.cumsum(v)]) for v in (moved, turned))  # type: ignore[return-value]  # two of two
