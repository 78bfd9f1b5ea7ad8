"""By how much a filter's own region is too small or too large for the errors that it has.

Not by the mean of the normalised errors: one direction that is known far too well makes it large, and two
that are not known well enough hide that again, whatever the region holds. What counts is the size of the
region that would hold as many as the filter claims, a quantile.
"""

from __future__ import annotations

import functools

import numpy as np

from driftgate.core.pose import FloatArray


def region_factor(filter_cov: FloatArray, mean: FloatArray, cov: FloatArray, level: float) -> float | None:
    """Return the factor on a filter's region, squared, with which it holds as many errors as it claims.

    Parameters
    ----------
    filter_cov : ndarray, shape (3, 3)
        The filter's own covariance.
    mean, cov : ndarray, shape (3,), (3, 3)
        Of its errors, taken as normal.
    level : float
        What the region claims to hold.

    Returns
    -------
    float or None
        Of the squared errors in units of the filter's own the quantile over that of chi-square, both over
        the same draws; None if the filter's covariance has no inverse worth the name.
    """
    values = np.linalg.eigvalsh(filter_cov)
    if values[0] <= 1e-12 * values[-1]:
        return None
    whitened = np.linalg.inv(np.linalg.cholesky(filter_cov))
    spread, turned = np.linalg.eigh(whitened @ cov @ whitened.T)
    z = _normals()
    off = z * np.sqrt(np.maximum(spread, 0.0)) + turned.T @ (whitened @ mean)
    squares, right = np.square(off).sum(axis=1), np.square(z).sum(axis=1)
    return float(np.quantile(squares, level) / np.quantile(right, level))


@functools.cache
def _normals() -> FloatArray:
    """Return the draws: the same for every filter, so that what differs is the filter."""
    return np.random.Generator(np.random.Philox(1)).standard_normal((4000, 3))
