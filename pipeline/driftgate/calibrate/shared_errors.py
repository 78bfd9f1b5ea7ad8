"""What the errors of several runs of one robot on one field have in common, by its filter's own account.

A sensor's bias and a wall's place are the same in all runs. What they make of the belief's error the filter
knows: C_j = E[e u_j] (`driftgate.predict.consider`). Errors at two poses a and b of different runs,
whitened by their covariance P = L L', are correlated by

    R_ab = sum_j L_a^-1 C_ja (L_b^-1 C_jb)'

and of normals the normalised squares by ||R_ab||^2 / 2 of their variance. Its mean over all pairs of poses is
that of matrices: with g_j the whitened C_j, of sum_jk (g_j . g_k)_a (g_j . g_k)_b.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.predict.consider import Key


@dataclass(frozen=True)
class Shared:
    """The mean over a run's poses of g g', of all constants.

    Attributes
    ----------
    keys : tuple of Key
        The constants.
    matrix : ndarray, shape (J, J)
        The mean; no unit.
    """

    keys: tuple[Key, ...]
    matrix: FloatArray


def shared_of(linked: Sequence[Mapping[Key, tuple[float, float]]], cov: FloatArray) -> Shared:
    """Return what a run shares with others.

    Parameters
    ----------
    linked : sequence of dict
        At each pose E[e u] of every constant, x and y. [m]
    cov : ndarray, shape (poses, 3)
        The errors' covariance there: xx, xy, yy. [m^2]
    """
    keys = tuple(sorted({key for row in linked for key in row}))
    c = np.array([[row.get(key, (0.0, 0.0)) for key in keys] for row in linked]).reshape(len(linked), -1, 2)
    xx, xy, yy = (cov[:, i, None] for i in range(3))
    first = c[:, :, 0] / np.sqrt(xx)
    second = (c[:, :, 1] - xy / xx * c[:, :, 0]) / np.sqrt(yy - xy**2 / xx)
    g = np.stack([first, second], axis=-1)
    return Shared(keys, np.einsum("pja,pka->jk", g, g) / max(len(linked), 1))


def share_between(one: Shared, other: Shared) -> float:
    """Return how the normalised squares of two runs go together, as a share of their variance."""
    places = {key: i for i, key in enumerate(one.keys)}
    both = [(places[key], i) for i, key in enumerate(other.keys) if key in places]
    if not both:
        return 0.0
    mine, its = (list(index) for index in zip(*both, strict=True))
    product = one.matrix[np.ix_(mine, mine)] * other.matrix[np.ix_(its, its)]
    return min(0.5 * float(product.sum()), 1.0)
