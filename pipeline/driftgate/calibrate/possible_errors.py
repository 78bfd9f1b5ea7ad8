r"""Errors of windows judged by a mixture over what the runs leave possible of the sizes of their causes.

In units of the typical prediction *S* an error is :math:`r^2 = e^T S^{-1} e`. If the sizes were those of one
draw it would be a sum of weighted squares of normals, taken here as :math:`a \chi^2_g` of the same mean and
variance (F. E. Satterthwaite 1946). The mean over all draws is its distribution, and an error counts as the
square that is as rare under chi-square, as with rare slips (`driftgate.calibrate.slips.as_normal`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from driftgate.calibrate.dead_reckoning import Segments
from driftgate.calibrate.size_doubt import Doubt, unit_parts
from driftgate.core.pose import FloatArray

# Of a table of the distribution: how many rows, and over how many powers of ten about its middle.
_TABLE, _LOW, _HIGH = 28, -2.5, 3.0
# Equally likely errors of one draw.
_NODES = 8
# A chance smaller than this is rounding.
_SMALLEST = 1e-12
_LEVEL = 0.95


@dataclass(frozen=True, eq=False)
class PossibleErrors:
    """Predicted distributions of the errors of k windows, d components each, as n equally likely draws.

    Attributes
    ----------
    lower : ndarray, shape (k, d, d)
        Root of the typical covariance.
    wide : ndarray, shape (n, k, d, d)
        Covariance under each draw, in units of the typical one.
    scale, freedom : ndarray, shape (n, k)
        The :math:`a` and :math:`g` of each draw.
    """

    lower: FloatArray
    wide: FloatArray
    scale: FloatArray
    freedom: FloatArray

    @property
    def size(self) -> int:
        """Components of an error."""
        return int(self.lower.shape[1])

    def whitened(self, error: FloatArray) -> FloatArray:
        """Return errors in units of the typical prediction, shape (k, d)."""
        return np.asarray(np.linalg.solve(self.lower, error[..., None])[..., 0])

    def beyond(self, square: FloatArray) -> FloatArray:
        """Return the chance of a larger squared distance, for values of shape (..., k)."""
        ratio = 0.5 * square[..., None, :] / self.scale
        return np.asarray(special.gammaincc(0.5 * self.freedom, ratio).mean(axis=-2))

    def as_normal(self, error: FloatArray) -> FloatArray:
        """Return the squared distances that are as rare for a normal distribution, shape (k,)."""
        square = np.square(self.whitened(error)).sum(axis=-1)
        return self._rare(self.beyond(square))

    def _rare(self, chance: FloatArray) -> FloatArray:
        return np.asarray(special.chdtri(self.size, np.clip(chance, _SMALLEST, 1.0)))

    def log_density(self, error: FloatArray) -> FloatArray:
        """Return the predicted log-density of each error, shape (k,)."""
        white = self.whitened(error)
        solved = np.linalg.solve(self.wide, np.broadcast_to(white, self.wide.shape[:-1])[..., None])[..., 0]
        squares = np.einsum("nki,ki->nk", solved, white)
        logs = -0.5 * (squares + np.linalg.slogdet(self.wide)[1] + self.size * np.log(2.0 * np.pi))
        root = np.log(np.abs(np.diagonal(self.lower, axis1=1, axis2=2))).sum(axis=1)
        return np.asarray(special.logsumexp(logs, axis=0) - np.log(len(logs)) - root)

    def _table(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return about what middle, at what powers of ten, a square counts as which, (k,), (t,), (t, k)."""
        middle = (self.scale * self.freedom).mean(axis=0)
        powers = np.linspace(_LOW, _HIGH, _TABLE)
        return middle, powers, self._rare(self.beyond(middle * 10.0 ** powers[:, None]))

    def widening(self) -> FloatArray:
        """Return by how much a normal distribution must be wider to reach as far at 95 %, shape (k,)."""
        middle, powers, counted = self._table()
        limit = float(special.chdtri(self.size, 1.0 - _LEVEL))
        found = [10.0 ** np.interp(limit, column, powers) for column in counted.T]
        return np.sqrt(middle * np.array(found) / limit)

    def expected(self) -> FloatArray:
        """Return what squares count as in the mean if the sizes are those of each draw, shape (n, k)."""
        middle, powers, counted = self._table()
        z = special.ndtri((np.arange(_NODES) + 0.5) / _NODES)
        # The quantiles of chi-square by E. B. Wilson and M. M. Hilferty (1931).
        small = 2.0 / (9.0 * self.freedom)
        total = np.zeros_like(self.scale)
        for one in z:
            square = self.scale * self.freedom * np.maximum(1.0 - small + one * np.sqrt(small), 0.02) ** 3
            at = np.log10(np.maximum(square / middle, 1e-12))
            total += np.stack(
                [np.interp(at[:, k], powers, counted[:, k]) for k in range(at.shape[1])], axis=1
            )
        return total / _NODES


def possible_errors(
    found: Segments,
    noise: dict[str, float],
    spread: dict[str, float],
    doubt: Doubt,
    typical: FloatArray,
) -> PossibleErrors:
    """Return the predicted distributions of the errors of windows.

    Parameters
    ----------
    found : Segments
        The windows.
    noise, spread : dict
        Which noises and which spreads between runs the prediction has.
    doubt : Doubt
        What is possible of them.
    typical : ndarray, shape (k, d, d)
        The covariance at `doubt.typical`.
    """
    lower = np.linalg.cholesky(typical)
    parts = unit_parts(found, noise, spread, doubt.names, np.linalg.inv(lower))
    more = doubt.beyond(doubt.draws)[0] - doubt.beyond(doubt.typical)[0]
    wide = np.eye(typical.shape[1]) + np.einsum("ng,gkij->nkij", more, parts)
    trace = np.trace(wide, axis1=2, axis2=3)
    square = np.square(wide).sum(axis=(2, 3))
    return PossibleErrors(
        np.asarray(lower, dtype=np.float64),
        np.asarray(wide),
        np.asarray(square / trace),
        np.asarray(trace**2 / square),
    )
