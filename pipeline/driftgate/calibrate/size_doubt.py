"""Predictions from variances that are estimates: how much wider they are for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from driftgate.calibrate.dead_reckoning import Segments
from driftgate.calibrate.estimate import t_widening
from driftgate.calibrate.usual import FEWEST_RUNS
from driftgate.core.pose import FloatArray

# Noises and constants with a spread between runs, and the covariance of their estimated variances.
Doubt = tuple[tuple[str, ...], FloatArray]
# What so few runs as show a spread at all know it with.
_LEAST_FREEDOM = FEWEST_RUNS - 1.0


def widened(
    found: Segments, noise: Mapping[str, float], spread: Mapping[str, float], doubt: Doubt, cov: FloatArray
) -> FloatArray:
    r"""Return each window's predicted covariance as wide as its estimated variances leave it, (k, 3, 3).

    Where the variances :math:`v_j` that make it are estimates, it is wider in each direction by as much as a
    normal distribution must be to have the 95 % interval of Student's t, with the degrees of freedom that the
    variance in that direction is known with (B. L. Welch and F. E. Satterthwaite; JCGM 100:2008, G.4.1):
    those are two over the eigenvalues of
    :math:`\sum_{jk} \mathrm{cov}(v_j, v_k)\, C_j C_k` in units of the prediction.
    """
    if not doubt[0]:
        return cov
    lower = np.linalg.cholesky(cov)
    whiten = np.linalg.inv(lower)
    parts = unit_parts(found, noise, spread, doubt[0], whiten)
    square = np.einsum("jkab,jm,mkbc->kac", parts, doubt[1], parts)
    values, vectors = np.linalg.eigh(0.5 * (square + square.transpose(0, 2, 1)))
    freedom = np.clip(2.0 / np.maximum(values, 1e-9), _LEAST_FREEDOM, np.inf)
    wider = np.array([t_widening(f) for f in freedom.ravel().tolist()]).reshape(freedom.shape)
    root = lower @ (vectors * wider[:, None, :])
    return np.asarray(root @ root.transpose(0, 2, 1))


def unit_parts(
    found: Segments,
    noise: Mapping[str, float],
    spread: Mapping[str, float],
    names: Sequence[str],
    whiten: FloatArray,
) -> FloatArray:
    """Return what each variance named makes of each window's covariance, per unit, whitened: (g, k, d, d)."""
    size = whiten.shape[1]
    parts = []
    for name in names:
        own = np.zeros_like(whiten)
        if name in noise:
            own = found.noise[name][:, :size, :size]
        elif name in spread and name in found.columns:
            column = found.columns[name][:, :size]
            own = column[:, :, None] * column[:, None, :]
        parts.append(whiten @ own @ whiten.transpose(0, 2, 1))
    return np.array(parts).reshape(len(parts), *whiten.shape)


def root_of(cov: FloatArray) -> FloatArray:
    """Return a factor of a covariance of numbers of very different size."""
    sd = np.sqrt(np.maximum(np.diag(cov), 0.0))
    safe = np.where(sd > 0.0, sd, 1.0)
    values, vectors = np.linalg.eigh(cov / np.outer(safe, safe))
    return np.asarray(safe[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))
