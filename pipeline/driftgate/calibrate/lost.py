"""As how many fewer errors those count that share sizes which are not well known."""

from __future__ import annotations

import numpy as np

from driftgate.calibrate.dead_reckoning import Segments
from driftgate.calibrate.fit import Fit, wider_by_name
from driftgate.calibrate.size_doubt import root_of, unit_parts
from driftgate.core.pose import FloatArray


def lost_by_sizes(found: Segments, fit: Fit, cov: FloatArray, size: int) -> FloatArray:
    """Return how sizes that are not well known move the mean normalised error: a factor, shape (k, g).

    Its mean over the windows, squared and summed, is the variance of that mean over twice the components.
    With `Fit.sized`: the trace of the inverse of the predicted covariance times a group's own, each of its
    own degrees of freedom. With `Fit.doubt`: of each variance at once, by the covariance of the estimates.
    """
    inverse, wider = np.linalg.inv(cov[:, :size, :size]), wider_by_name(fit)
    rows = []
    for names, freedom in fit.sized:
        own = np.zeros_like(inverse)
        for name in names:
            if name in fit.noise:
                own += wider[name] * fit.noise[name] ** 2 * found.noise[name][:, :size, :size]
        rows.append(np.einsum("kij,kji->k", inverse, own) / np.sqrt(freedom * size))
    groups = np.array(rows).reshape(len(fit.sized), len(cov)).T
    if not fit.doubt[0]:
        return groups
    whiten = np.linalg.inv(np.linalg.cholesky(cov[:, :size, :size]))
    slope = np.trace(unit_parts(found, fit.noise, fit.spread, fit.doubt[0], whiten), axis1=2, axis2=3).T
    return np.concatenate([groups, slope @ root_of(fit.doubt[1]) / np.sqrt(2.0 * size)], axis=1)
