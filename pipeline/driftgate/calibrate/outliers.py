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
    ratio = min(share_out, 1.0)
    low = freedom - size
    if ratio >= 1.0:
        return g, i, 0.0
    tail = float(special.fdtrc(size, low, ratio / (1.0 - ratio) * low / size))
    return g, i, min(1.0, tail * sum(len(group) for group in groups))
