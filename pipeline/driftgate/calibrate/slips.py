"""Rare slips: now and then the odometry counts a distance that the robot did not go, or misses one.

Most of the way a wheel that only tracks is right within a millimetre, and once in a hundred metres it is off
by decimetres: a wheel that spins, a move backwards that an unsigned counter takes for one ahead. A random
walk of the same variance is far too wide most of the time, and far too narrow then. So slips come as a
Poisson process of some rate per metre, each of a normal size along the travel, and a window's error is a
mixture over how many it has. It is fitted by expectation-maximisation.

Source: A. P. Dempster, N. M. Laird and D. B. Rubin, "Maximum likelihood from incomplete data via the EM
algorithm", J. R. Statist. Soc. B 39 (1977) 1-38.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri, erf, gammaln, logsumexp

from driftgate.core.pose import FloatArray

# More slips than this in one window are counted as this many.
MOST = 4
SLIP = "slip"
# A share of a window below this is left out.
_LEAST_SHARE = 1e-7


@dataclass(frozen=True)
class Slips:
    """How often the odometry slips, and by how much.

    Attributes
    ----------
    rate_per_m : float
        Expected number per metre. [1/m]
    size_m : float
        Standard deviation of one slip, along the travel. [m]
    rate_error_per_m : float
        Standard error of the rate. [1/m]
    """

    rate_per_m: float
    size_m: float
    rate_error_per_m: float = 0.0

    @property
    def walk(self) -> float:
        """The random walk that has the same variance. [m per root metre]"""
        return float(np.sqrt(self.rate_per_m) * self.size_m)


def log_counts(rate_per_m: float, length_m: FloatArray) -> FloatArray:
    """Return the log-probability of 0, 1, ... slips in windows of such lengths, shape (k, MOST + 1)."""
    n = np.arange(MOST + 1)
    expected = np.maximum(rate_per_m * length_m, 1e-300)[:, None]
    logs = n * np.log(expected) - expected - gammaln(n + 1.0)
    return np.asarray(logs - logsumexp(logs, axis=1, keepdims=True))


def log_normal(error: FloatArray, cov: FloatArray) -> FloatArray:
    """Return the log-density of each error under a normal distribution of mean zero, shape (k,)."""
    squares = np.einsum("...i,...i->...", error, np.linalg.solve(cov, error[..., None])[..., 0])
    size = error.shape[-1]
    return np.asarray(-0.5 * (squares + np.linalg.slogdet(cov)[1] + size * np.log(2.0 * np.pi)))


def log_mixture(
    error: FloatArray, quiet: FloatArray, one: FloatArray, logs: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the log-density of each error, and the shares of 0, 1, ... slips in it.

    Parameters
    ----------
    error : ndarray, shape (k, d)
        The errors.
    quiet, one : ndarray, shape (k, d, d)
        Covariance without a slip, and what one slip adds.
    logs : ndarray, shape (k, MOST + 1)
        From `log_counts`.
    """
    parts = np.stack([log_normal(error, quiet + n * one) for n in range(MOST + 1)], axis=1) + logs
    total = logsumexp(parts, axis=1)
    return np.asarray(total), np.exp(parts - total[:, None])


def kept_shares(shares: FloatArray) -> tuple[np.ndarray, np.ndarray, FloatArray]:
    """Return window, number of slips and share of each part worth keeping."""
    which, count = np.nonzero(shares > _LEAST_SHARE)
    return which, count, shares[which, count]


def expected_number(shares: FloatArray) -> FloatArray:
    """Return the expected number of slips in each window."""
    return np.asarray(shares @ np.arange(shares.shape[1]))


def of_one_slip(walk: FloatArray, length_m: FloatArray) -> FloatArray:
    """Return the covariance of one slip of unit size somewhere in each window, shape (k, 3, 3).

    Parameters
    ----------
    walk : ndarray, shape (k, 3, 3)
        The covariance of a unit walk of the distance.
    length_m : ndarray, shape (k,)
        Travelled in the window. [m]
    """
    return np.asarray(walk / np.maximum(length_m, 1e-9)[:, None, None])


# Nodes of the integrals over one direction, and how far out a normal is integrated.
_NODES, _FARTHEST = 24, 8.0
# A chance smaller than this is rounding.
_SMALLEST = 1e-12


def as_normal(error: FloatArray, quiet: FloatArray, one: FloatArray, logs: FloatArray) -> FloatArray:
    r"""Return the squared distance that is as rare for a normal distribution as an error for the mixture.

    Errors that slip now and then are no normal ones: nearly all lie well inside the region that the whole
    covariance spans, and a model that is right would look overcautious. So each error is judged by the chance
    of one no further out, :math:`P(x^T Q^{-1} x \le d^2)` under the mixture with *Q* the covariance without a
    slip, and its distance is that of the same chance under chi-square.

    Parameters
    ----------
    error, quiet, one, logs
        As in `log_mixture`.

    Returns
    -------
    ndarray, shape (k,)
        Chi-square of as many degrees of freedom as an error has components, if the model is right.
    """
    size = error.shape[-1]
    root = np.linalg.inv(np.linalg.cholesky(quiet))
    own = np.square(np.einsum("kij,kj->ki", root, error)).sum(axis=1)
    inside = np.zeros(len(error))
    for n in range(MOST + 1):
        wider = np.eye(size) + root @ (n * one) @ root.transpose(0, 2, 1)
        values = np.asarray(np.linalg.eigvalsh(wider)[:, ::-1], dtype=np.float64)
        inside += np.exp(logs[:, n]) * _weighted_sum(own, values)
    return np.asarray(chdtri(size, np.clip(1.0 - inside, _SMALLEST, 1.0)))


def _weighted_sum(limit: FloatArray, weights: FloatArray) -> FloatArray:
    """Return the chance that a weighted sum of squares of independent normals is at most `limit`.

    Parameters
    ----------
    limit : ndarray, shape (k,)
        Zero or more.
    weights : ndarray, shape (k, d)
        Falling.
    """
    if weights.shape[1] == 1:
        return np.asarray(erf(np.sqrt(0.5 * limit / weights[:, 0])))
    node, share = np.polynomial.legendre.leggauss(_NODES)
    angle = 0.25 * np.pi * (node + 1.0)
    # Of the first normal: as far as the limit lets it go, in steps that lie close where the rest ends.
    farthest = np.minimum(np.sqrt(limit / weights[:, 0]), _FARTHEST)
    first = farthest[:, None] * np.sin(angle)
    step = 0.25 * np.pi * share * farthest[:, None] * np.cos(angle)
    left = np.maximum(limit[:, None] - weights[:, :1] * first**2, 0.0)
    rest = _weighted_sum(left.ravel(), np.repeat(weights[:, 1:], _NODES, axis=0)).reshape(first.shape)
    return np.asarray(np.sum(step * np.sqrt(2.0 / np.pi) * np.exp(-0.5 * first**2) * rest, axis=1))
