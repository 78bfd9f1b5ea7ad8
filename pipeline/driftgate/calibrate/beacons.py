"""Ranges to beacons at known points: scale, offset and noise of each, and what the filter expects.

A reading is (1 + scale) times the true range, plus an offset, plus white noise. An offset alone does not do:
a scale that is left in looks like noise that the filter believes, and its innovations look right while it is
not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.calibrate.tracks import Ranges
from driftgate.calibrate.windows import IntArray, Track
from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray
from driftgate.predict.constants import NOWHERE, Pair
from driftgate.world.beam import PoseModel
from driftgate.world.point import range_to_point

# Readings further from the line than this are left out of the fit, until that changes nothing.
_FARTHEST_SIGMAS = 4.0
_ROUNDS = 20
# The median deviation of a normal distribution is this share of its standard deviation.
_MEDIAN_SHARE = 0.674490
FEWEST_READINGS = 10


@dataclass(frozen=True)
class BeaconModel:
    """Where beacons stand and how ranges to them read; k of them.

    Attributes
    ----------
    name : tuple of str
        Their names.
    position : ndarray, shape (k, 2)
        Field axes. [m]
    scale, offset_m : ndarray, shape (k,)
        Reading = (1 + scale) range + offset.
    scale_error, offset_error_m : ndarray, shape (k,)
        Their standard errors.
    sigma_m : ndarray, shape (k,)
        Standard deviation of the noise, as read. [m]
    used, left_out : ndarray of int, shape (k,)
        Readings in the fit, and those too far off.
    mount : tuple of float
        Where the antenna or sensor sits on the robot: ahead, left. [m]
    """

    name: tuple[str, ...]
    position: FloatArray
    scale: FloatArray
    offset_m: FloatArray
    scale_error: FloatArray
    offset_error_m: FloatArray
    sigma_m: FloatArray
    used: IntArray
    left_out: IntArray
    mount: tuple[float, float] = (0.0, 0.0)

    def corrected(self, ranges: Ranges) -> FloatArray:
        """Return the readings with scale and offset taken out. [m]"""
        more = (slice(None),) + (None,) * (ranges.reading_m.ndim - 1)
        offset, factor = self.offset_m[ranges.source][more], 1.0 + self.scale[ranges.source][more]
        return np.asarray((ranges.reading_m - offset) / factor)

    def own_sigma_m(self) -> FloatArray:
        """Return the noise of a corrected reading. [m]"""
        return np.asarray(self.sigma_m / (1.0 + self.scale))


def true_ranges(
    track: Track, ranges: Ranges, position: FloatArray, mount: tuple[float, float] = (0.0, 0.0)
) -> FloatArray:
    """Return the range from the reference pose to the beacon of each reading; nan where there is none."""
    known = np.isfinite(track.reference).all(axis=1)
    if known.sum() < 2:
        return np.full(len(ranges), np.nan)
    at = [
        np.interp(ranges.time_s, track.time_s[known], column, left=np.nan, right=np.nan)
        for column in (*track.reference[known, :2].T, np.unwrap(track.reference[known, 2]))
    ]
    point = position[ranges.source]
    model = range_to_point((at[0], at[1], at[2]), mount, (point[:, 0], point[:, 1]))
    return model.range_m


def fit_beacons(
    tracks: Sequence[Track],
    ranges: Sequence[Ranges],
    names: Sequence[str],
    position: FloatArray,
    mount: tuple[float, float] = (0.0, 0.0),
) -> BeaconModel:
    """Fit scale, offset and noise of each beacon against the reference poses.

    Parameters
    ----------
    tracks, ranges : sequence
        The runs, or parts of them, and their readings.
    names : sequence of str
        The beacons.
    position : ndarray, shape (k, 2)
        Where they stand. [m]
    mount : tuple of float
        Where the antenna sits on the robot. [m]

    Raises
    ------
    ModelError
        If a beacon has fewer than 10 readings with a reference.
    """
    source = np.concatenate([r.source for r in ranges])
    reading = np.concatenate([r.reading_m for r in ranges])
    true = np.concatenate([true_ranges(t, r, position, mount) for t, r in zip(tracks, ranges, strict=True)])
    rows = []
    for i, name in enumerate(names):
        which = (source == i) & np.isfinite(reading) & np.isfinite(true)
        if which.sum() < FEWEST_READINGS:
            words = f"beacon '{name}' has {int(which.sum())} readings with a reference pose"
            raise ModelError(f"{words}; {FEWEST_READINGS} are needed to fit its scale and offset")
        rows.append(_line(true[which], reading[which]))
    scale, offset, scale_error, offset_error, sigma, used, left_out = np.array(rows).T
    return BeaconModel(
        tuple(names),
        position,
        scale,
        offset,
        scale_error,
        offset_error,
        sigma,
        used.astype(np.intp),
        left_out.astype(np.intp),
        mount,
    )


def _line(true: FloatArray, reading: FloatArray) -> tuple[float, ...]:
    """Return scale, offset, their standard errors, noise, readings used and left out."""
    matrix = np.column_stack([true, np.ones_like(true)])
    # From the medians: false readings pull a first least-squares line away.
    slope, level = _median_line(true, reading)
    left = reading - slope * true - level
    sigma = float(np.median(np.abs(left))) / _MEDIAN_SHARE
    use = np.abs(left) <= _FARTHEST_SIGMAS * max(sigma, 1e-9)
    for _ in range(_ROUNDS):
        (slope, level), *_ = np.linalg.lstsq(matrix[use], reading[use], rcond=None)
        left = reading - slope * true - level
        sigma = float(np.sqrt(np.sum(left[use] ** 2) / max(int(use.sum()) - 2, 1)))
        again = np.abs(left) <= _FARTHEST_SIGMAS * max(sigma, 1e-9)
        if np.array_equal(again, use):
            break
        use = again
    cov = sigma**2 * np.linalg.pinv(matrix[use].T @ matrix[use])
    errors = np.sqrt(np.diag(cov))
    counts = float(use.sum()), float((~use).sum())
    return (float(slope) - 1.0, float(level), float(errors[0]), float(errors[1]), sigma, *counts)


def _median_line(true: FloatArray, reading: FloatArray) -> tuple[float, float]:
    """Return a line that a third of false readings does not move far.

    The medians of the outer thirds (R. A. Brown and A. M. Mood's resistant line, from memory).
    """
    order = np.argsort(true)
    third = max(len(order) // 3, 1)
    low, high = order[:third], order[-third:]
    run = float(np.median(true[high]) - np.median(true[low]))
    rise = float(np.median(reading[high]) - np.median(reading[low]))
    slope = rise / run if run > 0.0 else 1.0
    return slope, float(np.median(reading - slope * true))


@dataclass(frozen=True)
class PointExpectation:
    """What each trial expects of a range to a beacon; see `driftgate.predict.trial_update.Expectation`."""

    surface: IntArray
    model: PoseModel
    axis: Pair
    robot: Pair
    sure: int


def expect_point(
    pose: tuple[FloatArray, FloatArray, FloatArray],
    beacon: int,
    position: tuple[float, float],
    mount: tuple[float, float],
) -> PointExpectation:
    """Return the expected range to a beacon from believed poses."""
    model = range_to_point(pose, mount, position)
    surface = np.full(len(model.range_m), beacon, dtype=np.intp)
    # It is heard from all round.
    return PointExpectation(surface, model, NOWHERE, (pose[0], pose[1]), beacon)
