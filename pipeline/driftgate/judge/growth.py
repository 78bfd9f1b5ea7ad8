"""How much an error source may grow, alone, before a tolerance breaks."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.judge.ratio import AXES, limits_of, share_used
from driftgate.predict.values import CovarianceResult, Moment, MomentCovariance

# Beyond this factor a source is no matter.
MOST = 10.0
_POINTS = 1 << 12
# Factors are found to a part in a thousand: finer than any spread is known.
_FINE = 1e-3


@dataclass(frozen=True)
class Growth:
    """How much one error source may grow, alone, with the robot's filter as it is.

    Attributes
    ----------
    source, title : str
        The source.
    predicted : float or None
        Factor on its spread at which a tolerance breaks by the covariance engine; None if none does
        below `MOST`.
    holds : float
        Largest factor run in trials at which every tolerance still held; 1 if no larger one did.
    breaks : float or None
        Smallest factor run in trials at which one broke; None if it held at `MOST`.
    moment : str
        The tolerance that broke there first, by the largest shortfall; empty if none.
    success, required : float
        Of that tolerance at `breaks`, by the share of the trials; for "contact" the share of trials
        that touch, and what is allowed.
    """

    source: str
    title: str
    predicted: float | None
    holds: float
    breaks: float | None
    moment: str
    success: float
    required: float


def normal_points(count: int = _POINTS) -> FloatArray:
    """Return points of a standard normal in three dimensions, spread evenly, shape (8 count, 3).

    Multiples of the powers of 1 / g, g^4 = g + 1, modulo 1 (a Kronecker sequence; M. Roberts 2018, from
    memory), through the inverse normal; each with all its reflections, so that means and correlations
    are zero exactly.
    """
    from scipy.special import ndtri

    ratio = 1.2207440846057596
    steps = np.array([ratio**-1, ratio**-2, ratio**-3])
    uniform = np.mod(0.5 + np.outer(np.arange(1, count + 1), steps), 1.0)
    signs = np.array(list(itertools.product((1.0, -1.0), repeat=3)))
    points: FloatArray = (ndtri(uniform)[:, None, :] * signs[None, :, :]).reshape(-1, 3)
    return points


def predicted_success(moment: Moment, mean: FloatArray, cov: FloatArray, points: FloatArray) -> float:
    """Return the probability that a normal error is inside every axis of a moment's tolerance.

    Parameters
    ----------
    moment : Moment
        With its tolerance and nominal heading.
    mean, cov : ndarray, shapes (3,) and (3, 3)
        Of the error, field axes. [m, m, rad]
    points : ndarray, shape (n, 3)
        From `normal_points`, with whose 32768 points the probability is good to about 0.001.
    """
    values, vectors = np.linalg.eigh(0.5 * (cov + cov.T))
    error = mean + (points * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
    c, s = math.cos(moment.pose[2]), math.sin(moment.pose[2])
    on = {
        "x": error[:, 0],
        "y": error[:, 1],
        "along": c * error[:, 0] + s * error[:, 1],
        "across": c * error[:, 1] - s * error[:, 0],
        "radial": np.hypot(error[:, 0], error[:, 1]),
        "heading": error[:, 2],
    }
    assert set(on) == set(AXES)
    inside = np.ones(points.shape[0], dtype=bool)
    for limit in limits_of(moment.within):
        inside &= share_used(on[limit.axis], limit.low, limit.high) <= 1.0
    return float(inside.mean())


def grown_cov(moment: MomentCovariance, source: str, factor: float) -> FloatArray:
    """Return the covariance with one source's spread multiplied, for fixed gains.

    Each source's part is quadratic in its spread and no other depends on it (A. Gelb, ed., Applied
    Optimal Estimation, 1974, chapter 7, from memory), so that no further pass is needed.
    """
    part = moment.by_source.get(source)
    return moment.cov if part is None else moment.cov + (factor * factor - 1.0) * part


def predicted_factor(
    moments: tuple[Moment, ...], covariance: CovarianceResult, source: str, points: FloatArray
) -> float | None:
    """Return the factor on a source's spread at which the first tolerance breaks, by covariance.

    Tolerances that the covariance engine sees broken as it is are left out. None if none breaks below
    `MOST`.
    """

    def holding(factor: float) -> list[bool]:
        return [
            predicted_success(moment, found.mean, grown_cov(found, source, factor), points) >= moment.required
            for moment, found in zip(moments, covariance.moments, strict=True)
        ]

    judged = holding(1.0)

    def holds(factor: float) -> bool:
        return all(now for now, before in zip(holding(factor), judged, strict=True) if before)

    low, high = 1.0, MOST
    if holds(high):
        return None
    while high - low > _FINE * low:
        middle = math.sqrt(low * high)
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low
