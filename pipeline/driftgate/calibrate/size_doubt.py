r"""Predictions from variances that are estimates: a mixture over what the runs leave possible of them.

How far runs differ is known from as many runs as were fitted, and where each run's own errors are larger
than that it may be nothing or several times the estimate. So sizes are drawn (`calibrate.component`),
all of them together, and what is predicted is the mean of the normal distributions of all draws: for one
component Student's t. An error is judged by how far out it lies in that
(`driftgate.calibrate.possible_errors`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from driftgate.calibrate.component import least
from driftgate.calibrate.dead_reckoning import Segments
from driftgate.core.pose import FloatArray
from driftgate.predict.doubt import MOST_FACTOR

# So many draws, always the same ones.
_DRAWS, _SEED = 96, 5


@dataclass(frozen=True, eq=False)
class Doubt:
    """What the runs leave possible of the variances of noises and spreads between runs.

    Attributes
    ----------
    names : tuple of str
        Of noises and of constants with a spread, g of them.
    found : ndarray, shape (g,)
        Their estimated variances.
    draws : ndarray, shape (n, g)
        What they may be, n draws that are equally likely.
    of_mean : ndarray, shape (g,)
        Which share of a variance beyond the estimate the mean, known from so few runs, has as well; zero
        for noises.
    """

    names: tuple[str, ...]
    found: FloatArray
    draws: FloatArray
    of_mean: FloatArray

    @property
    def typical(self) -> FloatArray:
        """Variances about which the draws lie: their mean standard deviations squared, shape (g,)."""
        return np.asarray(np.square(np.sqrt(self.draws).mean(axis=0)))

    def beyond(self, variance: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return what variances add to the estimates, means and all, and to the means alone, (..., g)."""
        more = variance - self.found
        mean = self.of_mean * np.maximum(more, 0.0)
        return more + mean, mean


def drawn(
    noise: tuple[Sequence[str], FloatArray, float],
    spread: tuple[Sequence[str], FloatArray, float],
    between: FloatArray,
    of_mean: float,
) -> Doubt:
    """Return what is possible of estimated variances.

    Noises are larger or smaller together: what one of two walks is too large the other is too small by, and
    the errors of windows show their sum. A spread is drawn as Student's t has it, about its estimate or, near
    zero, about `least` of it: where each run's own error is larger than what runs differ by, all that is
    possible would make a prediction several times too wide. Spreads go together as their estimates do (a
    normal copula).

    Parameters
    ----------
    noise, spread : tuple
        Names, estimated variances, and degrees of freedom.
    between : ndarray, shape (s, s)
        Covariance of the estimated spreads' variances.
    of_mean : float
        See `Doubt`; that of the spreads.
    """
    count = len(spread[0])
    rng = np.random.default_rng(_SEED)
    # Each by itself evenly over all that is possible (M. D. McKay, R. J. Beckman and W. J. Conover 1979).
    even = (np.argsort(rng.random((_DRAWS, count + 1)), axis=0) + 0.5) / _DRAWS
    noises = np.outer(noise[2] / special.chdtri(noise[2], even[:, 0]), noise[1])
    sd = np.sqrt(np.maximum(np.diag(between), 0.0))
    safe = np.where(sd > 0.0, sd, 1.0)
    values, vectors = np.linalg.eigh(between / np.outer(safe, safe) + np.diag((sd <= 0.0).astype(float)))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    # Where the estimates' covariance is not of full rank the rows are brought back to unit variance.
    root = root / np.maximum(np.sqrt(np.square(root).sum(axis=1)), 1e-12)[:, None]
    together = special.ndtri(even[:, 1:]) @ root.T
    # Ranks, so that each stays even.
    ranked = (np.argsort(np.argsort(together, axis=0), axis=0) + 0.5) / _DRAWS
    about = np.array([least(v, e) for v, e in zip(spread[1].tolist(), np.square(sd).tolist(), strict=True)])
    spreads = about * spread[2] / special.chdtri(spread[2], ranked)
    return Doubt(
        (*noise[0], *spread[0]),
        np.concatenate([noise[1], spread[1]]),
        np.hstack([noises, spreads.reshape(_DRAWS, count)]),
        np.array([0.0] * len(noise[0]) + [of_mean] * count),
    )


def written(
    numbers: Sequence[tuple[Sequence[str], float]], variances: FloatArray, of_mean: FloatArray
) -> Doubt:
    """Return what is possible of variances whose degrees of freedom a robot file has, as the trials draw it.

    Parameters
    ----------
    numbers : sequence of (names, float)
        What is larger or smaller together, and with how many degrees of freedom it is known.
    variances, of_mean : ndarray
        Of all these names, in their order; see `Doubt`.
    """
    rng = np.random.default_rng(_SEED)
    even = (np.argsort(rng.random((_DRAWS, len(numbers))), axis=0) + 0.5) / _DRAWS
    columns = []
    for k, (names, freedom) in enumerate(numbers):
        squares = np.minimum(freedom / special.chdtri(freedom, even[:, k]), MOST_FACTOR**2)
        columns += [squares] * len(names)
    names = tuple(name for group, _ in numbers for name in group)
    return Doubt(names, variances, np.stack(columns, axis=-1) * variances, of_mean)


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
