"""Reference positions without a heading: where a heading is put in that is as good as unknown.

With a tape alone a place is measured, and often no heading. The direction in which the robot went from
place to place says much of it all the same. So a heading is put in, from the odometry turned to fit the
places near by, and given a standard deviation far larger than its error: the fit, which is linear about it,
then takes from the places what they say of it and nothing else.
"""

from __future__ import annotations

import numpy as np

from driftgate.calibrate.dead_reckoning import reckon
from driftgate.calibrate.windows import BoolArray, Track
from driftgate.core.pose import FloatArray

# Of each heading put in, and of all of a run together: far larger than their errors, so that the fit takes
# them from the places. All together they turn with a crab angle, which must not seem measured. [rad]
BLIND_RAD, ALL_BLIND_RAD = 0.15, 0.5
# Places that are further along the way than so many usual ways count little for the direction at one.
_NEAR_WAYS = 1.5
# Places that lie closer together than this, weighted, by odometry too, say nothing of a direction. [m]
_APART_M = 0.1


def with_headings(track: Track) -> tuple[FloatArray, BoolArray]:
    """Return the reference poses of a track with headings put in where only a place was measured.

    Parameters
    ----------
    track : Track
        The run.

    Returns
    -------
    reference : ndarray, shape (n, 3)
        nan where no heading can be told: the places lie too close together.
    blind : ndarray of bool, shape (n,)
        Where a heading was put in.
    """
    reference = track.reference.copy()
    placed = np.isfinite(reference[:, :2]).all(axis=1)
    seen = placed & np.isfinite(reference[:, 2])
    rows = np.flatnonzero(placed & ~seen)
    blind = np.zeros(len(reference), dtype=bool)
    if len(rows) == 0:
        return reference, blind
    path = reckon(track, {})[0]
    if seen.any():
        known = np.flatnonzero(seen)
        near = known[np.argmin(np.abs(track.time_s[rows, None] - track.time_s[known]), axis=1)]
        reference[rows, 2] = reference[near, 2] + path[rows, 2] - path[near, 2]
    else:
        turn = _turn(path[rows], reference[rows], track.distance_m[rows])
        reference[rows, 2] = path[rows, 2] + turn
    blind[rows] = np.isfinite(reference[rows, 2])
    return reference, blind


def _turn(path: FloatArray, reference: FloatArray, distance_m: FloatArray) -> FloatArray:
    """Return by how much the path is turned to fit the places about each of them; nan if they do not say."""
    near_m = _NEAR_WAYS * max(float(distance_m[-1] - distance_m[0]) / max(len(distance_m) - 1, 1), 1e-9)
    weight = np.exp(-np.abs(distance_m[:, None] - distance_m) / near_m)
    weight /= weight.sum(axis=1, keepdims=True)
    driven, real = path[:, 0] + 1j * path[:, 1], reference[:, 0] + 1j * reference[:, 1]
    # Least squares of a turn and a shift in the plane (as numbers of the complex plane).
    from_middle, to_middle = driven - (weight @ driven)[:, None], real - (weight @ real)[:, None]
    product = np.sum(weight * to_middle * np.conj(from_middle), axis=1)
    # One of the two may be in another unit than it says: that is told apart later.
    spread = np.sum(weight * np.maximum(np.abs(from_middle), np.abs(to_middle)) ** 2, axis=1)
    return np.where(spread > _APART_M**2, np.angle(product), np.nan)
