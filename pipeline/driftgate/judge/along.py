"""How large the true error is along the plan: 95 % errors of a normal distribution, and of trials."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.special import ndtr

from driftgate.core.pose import FloatArray
from driftgate.judge.bounds import plain_rank

# Below a micrometre or microradian a spread is none; keeps the quotients finite.
_LEAST_SPREAD = 1e-9
_HALVINGS = 44
_NODES = 256
_TAIL = 8.0  # spreads from the mean beyond which there is nothing


def distance_quantile(mean: FloatArray, cov: FloatArray, share: float) -> FloatArray:
    r"""Return how far from the plan the position is at most in a share of all runs, if it is normal.

    Parameters
    ----------
    mean : ndarray, shape (n, 2)
        Means of the deviation in x and y. [m]
    cov : ndarray, shape (n, 2, 2)
        Its covariances. [m^2]
    share : float
        In (0, 1).

    Returns
    -------
    ndarray, shape (n,)
        The quantile of the distance. [m]

    Notes
    -----
    In the principal axes, with :math:`s_1 \ge s_2`,

    .. math:: P(r \le R) = \int_{-R}^{R} \varphi_1(u)
        \left[\Phi_2(\sqrt{R^2 - u^2}) - \Phi_2(-\sqrt{R^2 - u^2})\right] du,

    by the mid-point rule in an angle (u = c + h sin a over the part of the range that has density), and R by
    halving. `tests/judge/test_along.py` holds it against the closed forms of its limits.
    """
    mean, cov = np.asarray(mean, float), np.asarray(cov, float)
    variance, axes = np.linalg.eigh(cov)
    spread = np.sqrt(np.maximum(variance, _LEAST_SPREAD**2))
    along = np.einsum("nij,ni->nj", axes, mean)
    s2, s1, m2, m1 = spread[:, 0], spread[:, 1], along[:, 0], along[:, 1]
    angle = (np.arange(_NODES) + 0.5) / _NODES * np.pi - 0.5 * np.pi
    sine, weight = np.sin(angle)[:, None], np.cos(angle)[:, None] * (np.pi / _NODES)

    def inside(radius: FloatArray) -> FloatArray:
        # Only where there is any density to speak of, so that a small spread about a large mean is met.
        low = np.clip(m1 - _TAIL * s1, -radius, radius)
        high = np.clip(m1 + _TAIL * s1, -radius, radius)
        half = 0.5 * (high - low)
        u = 0.5 * (low + high) + half * sine
        v = np.sqrt(np.maximum(radius * radius - u * u, 0.0))
        density = np.exp(-0.5 * np.square((u - m1) / s1)) / (np.sqrt(2.0 * np.pi) * s1)
        within = ndtr((v - m2) / s2) - ndtr((-v - m2) / s2)
        return np.asarray((density * within * half * weight).sum(axis=0))

    high = np.hypot(m1, m2) + 10.0 * np.hypot(s1, s2)
    return _halved(inside, high, share)


def size_quantile(mean: FloatArray, spread: FloatArray, share: float) -> FloatArray:
    """Return how large a normal error is at most in a share of all runs, whatever its sign; shape (n,)."""
    s = np.maximum(spread, _LEAST_SPREAD)

    def inside(limit: FloatArray) -> FloatArray:
        return np.asarray(ndtr((limit - mean) / s) - ndtr((-limit - mean) / s))

    return _halved(inside, np.abs(mean) + 10.0 * s, share)


def _halved(inside: Callable[[FloatArray], FloatArray], high: FloatArray, share: float) -> FloatArray:
    """Return where a rising function reaches a share, by halving from zero to where it surely has."""
    low = np.zeros_like(high)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        enough = inside(middle) >= share
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return high


def sample_quantile(sizes: FloatArray, share: float) -> FloatArray:
    """Return the quantile of sizes along the last axis, never interpolated and never too small."""
    rank = plain_rank(sizes.shape[-1], share)
    return np.asarray(np.partition(sizes, rank - 1, axis=-1)[..., rank - 1])
