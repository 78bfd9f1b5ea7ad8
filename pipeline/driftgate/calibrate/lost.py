"""As how many fewer errors those count that share constants, and sizes which are not well known."""

from __future__ import annotations

import numpy as np

from driftgate.calibrate.dead_reckoning import Segments
from driftgate.calibrate.fit import Fit, Possible, possible_by_size, wider_by_name
from driftgate.core.pose import FloatArray

# Eigenvalues of correlations that are nothing but rounding.
_NOTHING = 1e-12


def lost_by_sizes(
    found: Segments, fit: Fit, cov: FloatArray, size: int, by_size: Possible | None = None
) -> FloatArray:
    """Return how sizes that are not well known move the mean normalised error: a factor, shape (k, g).

    Its mean over the windows, squared and summed, is the variance of that mean over twice the components.
    With `Fit.sized`: the trace of the inverse of the predicted covariance times a group's own, each of its
    own degrees of freedom. With `Fit.doubt`: what the errors would count as under each draw of the sizes,
    which are the same in all windows, less the mean of all draws.
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
    errors = (by_size or possible_by_size(found, fit))(size)
    if errors is None:
        return groups
    counted = errors.expected()
    moved = (counted - counted.mean(axis=0)).T / np.sqrt(2.0 * size * len(counted))
    return np.concatenate([groups, moved], axis=1)


def common_of_constants(found: Segments, fit: Fit) -> FloatArray:
    """Return a factor of what the constants make of each window's error in all runs alike, shape (k, 3, c).

    Windows of different runs share the c draws; models with the same errors of what carries over have the
    same draws. What each run has anew has that part of its error that goes with the others.
    """
    keys = [key for key in fit.constants if key in found.columns and key in fit.names]
    pick = [fit.names.index(key) for key in keys]
    errors = fit.covariance if fit.common is None else fit.common
    alike = keys if fit.common is not None else [key for key in keys if key not in fit.of_each_run]
    common = [fit.names.index(key) for key in alike]
    if not common:
        return np.zeros((len(found), 3, 0))
    sd = np.sqrt(np.maximum(np.diag(errors), 0.0))
    safe = np.where(sd > 0.0, sd, 1.0)
    scaled = errors / np.outer(safe, safe)
    values, vectors = np.linalg.eigh(scaled[np.ix_(common, common)])
    known = values > _NOTHING
    root = scaled[np.ix_(pick, common)] @ (vectors[:, known] / np.sqrt(values[known]))
    columns = np.stack([found.columns[key] for key in keys], axis=-1)
    return np.asarray(columns @ (safe[pick, None] * root))
