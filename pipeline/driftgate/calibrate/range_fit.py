r"""The error sources of a range sensor, from its readings where the robot's true place is known.

A reading that is none of the false ones is :math:`z = (1 + s) r + b + \psi\,\partial r/\partial\psi + e`,
with *r* what the map has there, and *e* normal with standard deviation :math:`a + c r`. What readings share,
errors of the map and of the reference poses, is carried along as unknowns with the spread that the field map
and the logs state: a wall 4 mm off its place is no bias of the sensor, and a hundred readings of it do not
make it known. False readings, short or long, are told apart by how likely each is (S. Thrun, W. Burgard and
D. Fox, Probabilistic Robotics, 2005, section 6.3, fits its beam mixture in the same way; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from driftgate.calibrate.estimate import Estimate
from driftgate.calibrate.range_data import RangeData
from driftgate.core.pose import FloatArray
from driftgate.schema.sensor import Sensor

_ROUNDS = 30
# Where the search begins: noise of a time-of-flight sensor. [m]
_BEGIN_M = 0.015
# Of readings further off than this none tells noise from false returns. [m]
LIKELY_M = 6.0 * _BEGIN_M
# A reading off by less is never called false outright. [m]
_SMALLEST_M = 1e-4
# Bias, scale, mounting angle: so wide a prior holds what nothing shows. [m, 1, rad]
_PRIOR = (0.2, 0.2, 0.35)
_LEAST_READINGS = 20


@dataclass(frozen=True)
class Rate:
    """How often something happens: share of so many readings that count as independent."""

    share: float
    readings: float
    run_length: float = 1.0

    def interval(self, confidence: float) -> tuple[float, float]:
        """Return the interval of Jeffreys' prior, Beta(k + 1/2, n - k + 1/2)."""
        hits, misses = self.share * self.readings + 0.5, (1.0 - self.share) * self.readings + 0.5
        tail = 0.5 * (1.0 - confidence)
        low, high = (float(special.betaincinv(hits, misses, p)) for p in (tail, 1.0 - tail))
        return (0.0 if self.share == 0.0 else low), high


@dataclass(frozen=True)
class RangeFit:
    """What readings show of a sensor.

    Attributes
    ----------
    bias, scale, angle : Estimate
        Reading too long [m], by a share of the range, and how much further left it looks than mounted [rad].
    placed_bias : Estimate
        Reading too long, the sensor's place on the robot included: what readings show. [m]
    at_zero, per_range : Estimate
        Standard deviation of the noise. [m, 1]
    freedom : float
        Degrees of freedom of the noise.
    dropout, short, long : Rate
        Readings that did not come, and false ones.
    readings, runs : int
        How many readings of walls there were, in how many runs.
    together : ndarray, shape (3, 3)
        Covariance of the errors of placed bias, scale and angle. [m, 1, rad]
    """

    bias: Estimate
    placed_bias: Estimate
    scale: Estimate
    angle: Estimate
    at_zero: Estimate
    per_range: Estimate
    freedom: float
    dropout: Rate
    short: Rate
    long: Rate
    readings: int
    runs: int
    together: FloatArray


def fit_ranges(
    sensor: Sensor,
    data: RangeData,
    surface_sd_m: FloatArray,
    pose_sd: tuple[float, float, float],
) -> RangeFit | None:
    """Fit the error sources of a sensor; None if there are too few readings.

    Parameters
    ----------
    sensor : Sensor
        As the robot file has it.
    data : RangeData
        Its readings.
    surface_sd_m : ndarray, shape (edges,)
        Standard deviation of each surface's offset from the map. [m]
    pose_sd : tuple of float
        Standard deviation of a reference pose. [m, m, rad]
    """
    got = np.isfinite(data.reading_m)
    if int(got.sum()) < _LEAST_READINGS:
        return None
    off = data.reading_m[got] - data.expected_m[got]
    expected = data.expected_m[got]
    design = _design(data, got)
    shared, shared_sd = _shared(data, got, surface_sd_m, pose_sd)
    whole = np.hstack([design, shared])
    precision = 1.0 / np.square(np.concatenate([np.array(_PRIOR), shared_sd]))
    if int((np.abs(off) < LIKELY_M).sum()) < _LEAST_READINGS:
        # None that could be right: there is nothing to tell noise from false returns by.
        return None
    state = _Mixture.begin(sensor, off, expected)
    value = np.zeros(whole.shape[1])
    normal = np.diag(precision)
    freedom = 1.0
    for _ in range(_ROUNDS):
        sd = state.at_zero + state.per_range * expected
        weight = state.right / sd**2
        normal = (whole * weight[:, None]).T @ whole + np.diag(precision)
        found = np.linalg.solve(normal, whole.T @ (weight * off))
        moved = float(np.max(np.abs(found[:3] - value[:3]) / np.array(_PRIOR)))
        value = found
        spent = float(np.trace(np.linalg.solve(normal, normal - np.diag(precision))))
        freedom = max(float(state.right.sum()) - spent, 1.0)
        before = state
        state = state.improved(off - whole @ value, expected, freedom)
        if moved < 1e-7 and abs(state.at_zero - before.at_zero) < 1e-7:
            break
    cov = np.linalg.inv(normal)
    place = sensor.errors.mount_position
    # A sensor a millimetre off its place reads a millimetre long: no wall tells that from a bias.
    placed, scale, angle = (
        Estimate(float(v), float(e), freedom) for v, e in zip(value, np.sqrt(np.diag(cov)[:3]), strict=False)
    )
    bias = Estimate(placed.value, math.hypot(placed.error, 0.0 if place is None else place.spread), freedom)
    noise = state.noise_errors(expected, freedom)
    return RangeFit(
        bias,
        placed,
        scale,
        angle,
        Estimate(state.at_zero, noise[0], freedom),
        Estimate(state.per_range, noise[1], freedom),
        freedom,
        _rate(~got, np.arange(len(got)), data.run),
        _rate(state.called("short"), np.flatnonzero(got), data.run[got]),
        _rate(state.called("long"), np.flatnonzero(got), data.run[got]),
        len(got),
        len(np.unique(data.run)),
        cov[:3, :3],
    )


def _design(data: RangeData, got: np.ndarray) -> FloatArray:
    expected = data.expected_m[got]
    return np.stack([np.ones_like(expected), expected, data.by_angle[got]], axis=-1)


def _shared(
    data: RangeData, got: np.ndarray, surface_sd_m: FloatArray, pose_sd: tuple[float, float, float]
) -> tuple[FloatArray, FloatArray]:
    """Return the columns of what readings share, and their standard deviations."""
    columns, sds = [np.zeros((int(got.sum()), 0))], [np.zeros(0)]
    surface = data.surface[got]
    for edge in np.unique(surface):
        if surface_sd_m[edge] > 0.0:
            columns.append(np.where(surface == edge, data.by_offset[got], 0.0)[:, None])
            sds.append(surface_sd_m[edge : edge + 1])
    poses, index = np.unique(data.pose[got], return_inverse=True)
    for axis, sd in enumerate(pose_sd):
        if sd > 0.0:
            own = np.zeros((len(index), len(poses)))
            own[np.arange(len(index)), index] = data.by_pose[got][:, axis]
            columns.append(own)
            sds.append(np.full(len(poses), sd))
    return np.hstack(columns), np.concatenate(sds)


@dataclass(frozen=True)
class _Mixture:
    """Which readings are right, and how noisy those are.

    `right`, `short` and `long` are the chances of each reading to be of that kind. Short ones lie anywhere
    before the surface, long ones anywhere beyond it in reach: that is the room they have.
    """

    at_zero: float
    per_range: float
    right: FloatArray
    short: FloatArray
    long: FloatArray
    shares: tuple[float, float, float]
    room_short_m: FloatArray
    room_long_m: FloatArray

    @staticmethod
    def begin(sensor: Sensor, off: FloatArray, expected: FloatArray) -> _Mixture:
        """Return a first guess."""
        before = np.maximum(expected - sensor.reach.low, 0.05)
        beyond = np.maximum(sensor.reach.high - expected, 0.05)
        right = (np.abs(off) < 6.0 * _BEGIN_M).astype(float)
        first = _Mixture(
            *(_BEGIN_M, 0.0, right, np.zeros_like(off), np.zeros_like(off), (0.9, 0.05, 0.05)),
            *(before, beyond),
        )
        return first.improved(off - float(np.median(off[right > 0.0])) if right.any() else off, expected)

    def improved(self, left: FloatArray, expected: FloatArray, freedom: float | None = None) -> _Mixture:
        """Return the next guess, for the residuals of readings taken as right.

        What was fitted has taken up part of the scatter: of so many readings that are right only `freedom`
        are left to tell of noise, as n - 1 are of a plain standard deviation.
        """
        sd = np.maximum(self.at_zero + self.per_range * expected, _SMALLEST_M)
        p_right, p_short, p_long = self.shares
        dense = p_right * np.exp(-0.5 * np.square(left / sd)) / (sd * math.sqrt(2.0 * math.pi))
        short = np.where(left < 0.0, p_short / self.room_short_m, 0.0)
        long = np.where(left > 0.0, p_long / self.room_long_m, 0.0)
        total = dense + short + long
        right, short, long = dense / total, short / total, long / total
        spent = 1.0 if freedom is None else math.sqrt(max(float(right.sum()) / freedom, 1.0))
        at_zero, per_range = _noise(spent * left, right, expected, (self.at_zero, self.per_range))
        count = len(left) + 1.5
        # Half a reading of each kind keeps a kind that has not been seen alive.
        shares = tuple((float(r.sum()) + 0.5) / count for r in (right, short, long))
        return _Mixture(
            *(at_zero, per_range, right, short, long, (shares[0], shares[1], shares[2])),
            *(self.room_short_m, self.room_long_m),
        )

    def called(self, kind: str) -> np.ndarray:
        """Return which readings are called false of a kind."""
        return np.asarray((self.short if kind == "short" else self.long) > 0.5)

    def noise_errors(self, expected: FloatArray, freedom: float) -> tuple[float, float]:
        """Return the standard errors of the noise's two numbers, by the expected information."""
        sd = np.maximum(self.at_zero + self.per_range * expected, _SMALLEST_M)
        if self.per_range == 0.0 or self.at_zero == 0.0:
            # At an edge the split is a guess, and so would be what near readings seem to say of it.
            sd = np.full_like(sd, math.sqrt(float(self.right @ sd**2) / max(float(self.right.sum()), 1e-12)))
        slope = np.stack([np.ones_like(sd), expected], axis=-1) / sd[:, None]
        information = 2.0 * (slope * self.right[:, None]).T @ slope
        cov = np.linalg.pinv(information, hermitian=True) * max(float(self.right.sum()) / freedom, 1.0)
        return math.sqrt(max(cov[0, 0], 0.0)), math.sqrt(max(cov[1, 1], 0.0))


def _noise(
    left: FloatArray, weight: FloatArray, expected: FloatArray, at: tuple[float, float]
) -> tuple[float, float]:
    """Return the noise's two numbers, neither negative, by scoring steps from where they are."""
    a, c = at
    for _ in range(8):
        sd = np.maximum(a + c * expected, _SMALLEST_M)
        slope = np.stack([np.ones_like(sd), expected], axis=-1) / sd[:, None]
        score = (slope * (weight * (np.square(left / sd) - 1.0))[:, None]).sum(axis=0)
        information = 2.0 * (slope * weight[:, None]).T @ slope
        step = np.linalg.pinv(information, hermitian=True) @ score
        a, c = a + float(step[0]), c + float(step[1])
        if c < 0.0 or a < 0.0:
            # At an edge the other number alone: the root of the mean square.
            total = max(float(weight.sum()), 1e-12)
            a_alone = math.sqrt(float((weight * left**2).sum()) / total)
            c_alone = math.sqrt(float((weight * (left / expected) ** 2).sum()) / total)
            a, c = (a_alone, 0.0) if c < 0.0 else (0.0, c_alone)
    return max(a, _SMALLEST_M if c == 0.0 else 0.0), c


def _rate(happened: np.ndarray, order: np.ndarray, run: np.ndarray) -> Rate:
    """Return how often something happens; what happens in a row counts once."""
    count, total = int(happened.sum()), len(happened)
    if total == 0:
        return Rate(0.0, 1.0)
    follows = happened[1:] & happened[:-1] & (np.diff(order) == 1) & (run[1:] == run[:-1])
    starts = count - int(follows.sum())
    length = count / starts if starts else 1.0
    return Rate(count / total, total / length, length)
