r"""A drive that lies apart from the others.

Each drive is held against the mean and the scatter of all others. For one number a drive that is the
greatest studentised residual of Grubbs, for two the test of Wilks; the chance that the worst of so many
drives lies that far out is at most their number times the chance of one (Bonferroni).

References
----------
.. [1] F. E. Grubbs, "Procedures for detecting outlying observations in samples," Technometrics 11(1),
   1969, pp. 1-21.
.. [2] S. S. Wilks, "Multivariate statistical outliers," Sankhya A 25(4), 1963, pp. 407-426.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import special

from driftgate.core.pose import FloatArray


def outlier(groups: Sequence[FloatArray], floor: float = 0.0) -> tuple[int, int, float] | None:
    r"""Return the drive that lies furthest from the others of its group, and by what chance it does.

    Parameters
    ----------
    groups : sequence of ndarray, shape (n_i, p)
        Drives of which each group has a mean of its own, all the same scatter.
    floor : float
        Standard deviation that each number has at least, as by rounding: of three drives two are often
        read alike, and the third is no outlier for that.

    Returns
    -------
    tuple of (int, int, float) or None
        Group, place in it, and the chance that the worst of as many drives without a fault lies as far
        out, at most 1. None where there are too few to tell, or all lie at one point.

    Notes
    -----
    With *W* the sum of squares and products within the groups, *r* the residual of a drive from the mean
    of its group of *n*, :math:`\Lambda = 1 - \frac{n}{n-1} r^T W^{-1} r` is the ratio of the determinants
    of *W* without the drive and with it. With *f* degrees of freedom in *W*,
    :math:`(1-\Lambda)/\Lambda \cdot (f-p)/p` has the F distribution of p and f - p degrees.
    """
    residuals = [group - group.mean(axis=0) for group in groups]
    size = residuals[0].shape[1]
    freedom = sum(len(group) - 1 for group in groups)
    within = sum(r.T @ r for r in residuals) + freedom * floor**2 * np.eye(size)
    if freedom <= size or min(len(group) for group in groups) < 2:
        return None
    if np.linalg.matrix_rank(within) < size:
        return None
    inverse = np.linalg.inv(within)
    worst: tuple[float, int, int] = (-1.0, 0, 0)
    for g, left_over in enumerate(residuals):
        n = len(left_over)
        share = n / (n - 1) * np.einsum("ij,jk,ik->i", left_over, inverse, left_over)
        i = int(np.argmax(share))
        worst = max(worst, (float(share[i]), g, i))
    share_out, g, i = worst
    return g, i, _chance(share_out, size, freedom, sum(len(group) for group in groups))


def outlier_of_line(x: FloatArray, y: FloatArray, floor: float = 0.0) -> tuple[int, float] | None:
    r"""Return the drive that lies furthest from the line through zero of all, and by what chance it does.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Known, and measured with one scatter: :math:`y = s x`, of which *s* is not known.
    floor : float
        Standard deviation that *y* has at least, as by rounding.

    Returns
    -------
    tuple of (int, float) or None
        Place, and the chance as `outlier` has it. None for fewer than three, or all on one line.

    Notes
    -----
    A residual has the variance :math:`(1 - h) \sigma^2` with the leverage :math:`h = x^2 / \sum x^2`.
    """
    freedom = len(y) - 1
    along = x / np.linalg.norm(x)
    left_over = y - (along @ y) * along
    within = float(left_over @ left_over) + freedom * floor**2
    if freedom < 2 or within <= 0.0:
        return None
    share = left_over**2 / ((1.0 - along**2) * within)
    i = int(np.argmax(share))
    return i, _chance(float(share[i]), 1, freedom, len(y))


def _chance(share: float, size: int, freedom: int, drives: int) -> float:
    """Return the chance that the largest share of the sum of squares of so many drives is as large."""
    if share >= 1.0:
        return 0.0
    low = freedom - size
    return min(1.0, float(special.fdtrc(size, low, share / (1.0 - share) * low / size)) * drives)
