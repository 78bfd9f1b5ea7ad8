"""Known errors put on top of a log, to see whether they are found again, and what they do to the correction.

Everything random comes from a counter-based generator with one key per seed and purpose, over all
steps or readings of the log: neither a split nor thinning deals anything anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from driftgate.calibrate.tracks import Ranges
from driftgate.calibrate.windows import BoolArray, Track
from driftgate.core.pose import FloatArray

# What may be put on top of an odometry: a key of the error sources, and how it is written.
ADDED = {
    "distance_scale": "ratio",
    "heading_scale": "ratio",
    "heading_bias": "turn rate",
    "distance_walk": "length per root metre",
    "heading_walk": "angle per root metre",
}
_PURPOSE = {"distance_walk": 1, "heading_walk": 2, "false": 3}


def _generator(seed: int, purpose: str) -> np.random.Generator:
    return np.random.Generator(np.random.Philox(key=[seed, _PURPOSE[purpose]]))


def with_errors(track: Track, added: Mapping[str, float], seed: int) -> Track:
    """Return a track whose odometry reads wrong by known errors.

    Parameters
    ----------
    track : Track
        The run.
    added : mapping
        Errors by a key of `ADDED`, SI: scales and bias as the error sources define them (positive reads
        too much), walks per root metre.
    seed : int
        Of the walks.
    """
    twist, dt = track.twist.copy(), track.duration_s
    root = np.sqrt(np.hypot(twist[:, 0], twist[:, 1]))
    twist[:, :2] *= 1.0 + added.get("distance_scale", 0.0)
    twist[:, 2] = twist[:, 2] * (1.0 + added.get("heading_scale", 0.0)) + added.get("heading_bias", 0.0) * dt
    for key, axis in (("distance_walk", 0), ("heading_walk", 2)):
        if added.get(key, 0.0) > 0.0:
            twist[:, axis] += added[key] * root * _generator(seed, key).standard_normal(len(twist))
    return Track(track.name, track.time_s, twist, track.reference)


def with_false(
    ranges: Ranges, true_m: FloatArray, share: float, seeds: Sequence[int]
) -> tuple[Ranges, BoolArray]:
    """Return readings of which a share is replaced by ones that lie anywhere before the true range.

    Parameters
    ----------
    ranges : Ranges
        Readings as logged, shape (m,).
    true_m : ndarray, shape (m,)
        The true ranges; readings without one stay as they are. [m]
    share : float
        Which share is replaced.
    seeds : sequence of int
        One set of readings for each.

    Returns
    -------
    replaced : Ranges
        With readings of shape (m, seeds).
    false : ndarray of bool, shape (m, seeds)
        Which were replaced.
    """
    columns, marks = [], []
    for seed in seeds:
        draw = _generator(seed, "false").random((2, len(ranges)))
        false = (draw[0] < share) & np.isfinite(true_m) & np.isfinite(ranges.reading_m)
        columns.append(np.where(false, draw[1] * true_m, ranges.reading_m))
        marks.append(false)
    return Ranges(ranges.time_s, ranges.source, np.stack(columns, axis=1)), np.stack(marks, axis=1)


def starts(pose: FloatArray, off_m: float, off_rad: float, count: int) -> FloatArray:
    """Return so many start poses that are off by a distance and an angle, shape (count, 3).

    The i-th is off towards i / count of a turn, and in heading now to the left, now to the right.
    """
    i = np.arange(count)
    towards = 2.0 * np.pi * i / max(count, 1)
    side = np.where(i % 2 == 0, 1.0, -1.0)
    offset = np.stack([off_m * np.cos(towards), off_m * np.sin(towards), off_rad * side], axis=-1)
    return np.asarray(pose + offset)
