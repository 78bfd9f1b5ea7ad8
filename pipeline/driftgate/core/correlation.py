"""Numbers that go together: a correlation matrix from the pairs that are known, and its factor."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def correlation_matrix(names: Sequence[str], pairs: Mapping[tuple[str, str], float]) -> FloatArray:
    """Return the matrix of so many numbers; pairs that are not given go their own ways.

    Parameters
    ----------
    names : sequence of str
        The numbers, n of them.
    pairs : mapping
        Correlation by two of the names, in either order.

    Returns
    -------
    ndarray, shape (n, n)
    """
    at = {name: i for i, name in enumerate(names)}
    found = np.eye(len(names))
    for (one, other), value in pairs.items():
        found[at[one], at[other]] = found[at[other], at[one]] = value
    return found


def short_of(matrix: FloatArray) -> float:
    """Return by how much a symmetric matrix is no correlation matrix: its smallest eigenvalue below zero."""
    return max(0.0, -float(np.linalg.eigvalsh(matrix)[0])) if len(matrix) else 0.0


def lower_factor(matrix: FloatArray) -> FloatArray:
    """Return the lower triangular factor of a correlation matrix, shape (n, n).

    Rounded entries may make it a little short of one; then all correlations shrink by as much.
    """
    if not len(matrix) or np.array_equal(matrix, np.eye(len(matrix))):
        return np.eye(len(matrix))
    shrink = short_of(matrix) + 1e-9
    return np.asarray(np.linalg.cholesky((matrix + shrink * np.eye(len(matrix))) / (1.0 + shrink)))
