"""Errors held against a sample of what was predicted, where that is no normal distribution.

The smallest region that holds a share of a distribution is the one where its density is highest, whatever
its shape: in two pieces, skew, with a long tail. Whether an error lies in it is told by ranks: half of the
sample gives a density, and the other half is ranked by it together with the error. If the prediction is
right the error is one draw more of the same, so that its rank is any with the same chance, **however rough
the density is**; a rough one makes larger regions, not wrong ones.

The density is that of the nearest neighbours, which is as fine as the sample is dense, in the middle and
far out alike.

Sources: R. J. Hyndman, "Computing and graphing highest density regions", The American Statistician 50 (1996)
120-126 (the regions, and their levels as quantiles of the density at draws); J. Lei, J. Robins and
L. Wasserman, "Distribution-free prediction sets", J. Am. Statist. Assoc. 108 (2013) 278-287 (ranks by a
density from other draws hold at any sample size); D. O. Loftsgaarden and C. P. Quesenberry, "A nonparametric
estimate of a multivariate density function", Ann. Math. Statist. 36 (1965) 1049-1051, and L. F. Kozachenko
and N. N. Leonenko, "Sample estimate of the entropy of a random vector", Probl. Inf. Transm. 23 (1987) 95-101
(the density, with its mean logarithm without bias). All four from memory.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import chdtri, digamma

from driftgate.core.pose import FloatArray

# The least that a neighbour is away, in units of the predicted spread: no two draws are the same.
_NEAREST = 1e-9


class Regions:
    """Regions of highest density of a sample.

    Parameters
    ----------
    sample : ndarray, shape (n, d)
        Draws of the predicted error, in any order that does not hang on them. Those that are not finite
        count as further out than any other.
    metric : ndarray, shape (d, d)
        A covariance: in which units the axes are compared. Any gives valid ranks; one that is like the
        sample's inner part gives the smallest regions.
    """

    def __init__(self, sample: FloatArray, metric: FloatArray) -> None:
        self._root = np.linalg.inv(np.linalg.cholesky(metric))
        half = len(sample) // 2
        white = sample[:half] @ self._root.T
        white = white[np.isfinite(white).all(axis=1)]
        self._tree = cKDTree(white)
        self._count = len(white)
        # As many neighbours as the root of the sample: their distance is rough by a seventh at 50.
        self._neighbours = max(math.isqrt(self._count), 1)
        self._ranked = np.sort(self._distance(sample[half:]))

    def squared(self, error: FloatArray) -> FloatArray:
        """Return the squared distance that is as rare for a normal distribution as each error here.

        Parameters
        ----------
        error : ndarray, shape (k, d)
            The errors.

        Returns
        -------
        ndarray, shape (k,)
            Chi-square of *d* degrees of freedom if the prediction is right, to steps of one draw: beyond
            all draws it is that of half a draw, and grows no further.
        """
        inner = np.searchsorted(self._ranked, self._distance(error), side="left")
        outside = len(self._ranked) - inner
        return np.asarray(chdtri(error.shape[-1], (outside + 0.5) / (len(self._ranked) + 1.0)))

    def log_density(self, error: FloatArray) -> FloatArray:
        """Return the log-density of the prediction at each error, shape (k,)."""
        size = error.shape[-1]
        ball = 0.5 * size * math.log(math.pi) - math.lgamma(0.5 * size + 1.0)
        whole = float(digamma(self._neighbours)) - math.log(self._count) - ball
        return np.asarray(
            whole + np.linalg.slogdet(self._root)[1] - size * np.log(self._distance(error)), dtype=np.float64
        )

    def _distance(self, points: FloatArray) -> FloatArray:
        """Return how far the last of the neighbours is away; infinite of what is no number."""
        white = points @ self._root.T
        known = np.isfinite(white).all(axis=1)
        found = np.full(len(white), np.inf)
        found[known] = self._tree.query(white[known], k=[self._neighbours])[0][:, 0]
        return np.asarray(np.maximum(found, _NEAREST), dtype=np.float64)


def alike_share(squared: FloatArray, again: FloatArray, level_point: float) -> float:
    """Return what share of the spread of scores is that of draws which all errors have in common.

    Two errors of the same robot have the draws of its constants in common; how far their scores go together
    is measured on pairs of trials that have them in common and nothing else (I. M. Sobol', Math. Modelling
    Comput. Experiments 1 (1993) 407-414; from memory). Verdicts go by the mean of scores, and by how many
    are inside a region: the larger of both shares counts.

    Parameters
    ----------
    squared, again : ndarray, shape (n,)
        Scores of the pairs, as of `Regions.squared`.
    level_point : float
        Squared distance that the region reaches.

    Returns
    -------
    float
        From 0 to 1.
    """
    shares = [0.0]
    for one, other in ((squared, again), (squared <= level_point, again <= level_point)):
        a, b = np.asarray(one, np.float64), np.asarray(other, np.float64)
        middle = 0.5 * (a.mean() + b.mean())
        variance = 0.5 * float(np.mean((a - middle) ** 2) + np.mean((b - middle) ** 2))
        if variance > 0.0:
            shares.append(float(np.mean((a - middle) * (b - middle))) / variance)
    return min(max(shares), 1.0)
