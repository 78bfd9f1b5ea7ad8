"""White noise of readings that arrive late: what a fix does to belief, truth, and what is kept of both.

A reading that was taken at an instant and arrives later is held against the belief of its echo, without the
fixes then and with those until now. So the covariance of the white sources is that of (belief, truth) and,
where some reading is late, of the sum of all fixes, and of a copy (belief less fixes, truth) for each echo
that has not arrived yet. Copies stay what they are while the rest goes on.

Source: S. I. Roumeliotis and J. W. Burdick, "Stochastic Cloning: A Generalized Framework for Processing
Relative State Measurements", Proc. IEEE Int. Conf. Robot. Autom. 2002 (from memory).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

import numpy as np

from driftgate.core.pose import FloatArray

_POSES = 6
_FIXES = 9


@dataclass
class White:
    """Covariances of the white sources, and the effect of the present step's own stretch.

    The first six are belief and truth, the next three the fixes where some reading is late, then come the
    copies, six each.

    Attributes
    ----------
    cov : ndarray, shape (sources, n, n)
        A covariance per white source.
    timing : ndarray, shape (n,)
        Effect of a unit stretch of this step.
    copies : list of int
        The knots that are kept, in order.
    """

    cov: FloatArray
    timing: FloatArray
    copies: list[int] = field(default_factory=list)

    def moved(self, matrix: FloatArray) -> None:
        """Take belief and truth through a matrix (6, 6)."""
        if len(self.timing) == _POSES:
            self.cov = matrix @ self.cov @ matrix.T
        else:
            self.cov[:, :_POSES] = matrix @ self.cov[:, :_POSES]
            self.cov[:, :, :_POSES] = self.cov[:, :, :_POSES] @ matrix.T
        self.timing[:_POSES] = matrix @ self.timing[:_POSES]

    def keep(self, knot: int) -> None:
        """Keep a copy of this instant, in place of one of the same instant."""
        self.drop([knot])
        pick = np.zeros((_POSES, len(self.timing)))
        pick[:, :_POSES] = np.eye(_POSES)
        pick[0:3, _POSES:_FIXES] = -np.eye(3)
        all_of_it = np.vstack([np.eye(len(self.timing)), pick])
        self.cov = all_of_it @ self.cov @ all_of_it.T
        self.timing = all_of_it @ self.timing
        self.copies.append(knot)

    def drop(self, knots: Collection[int]) -> None:
        """Forget the copies of some instants."""
        gone = [i for i, knot in enumerate(self.copies) if knot in knots]
        if not gone:
            return
        rows = [row for i in gone for row in range(_FIXES + _POSES * i, _FIXES + _POSES * (i + 1))]
        left = np.ones(len(self.timing), dtype=bool)
        left[rows] = False
        self.cov, self.timing = self.cov[:, left][:, :, left], self.timing[left]
        self.copies = [knot for knot in self.copies if knot not in knots]

    def look(self, belief: FloatArray, truth: FloatArray, knot: int | None, compensates: bool) -> FloatArray:
        """Return the row of a reading that is `truth` of the truth less `belief` of the belief.

        Of those of now, or with a knot of what is kept of that; the belief only where latency is
        compensated, with the fixes since.
        """
        row = np.zeros(len(self.timing))
        at = None if knot is None else _FIXES + _POSES * self.copies.index(knot)
        row[slice(3, 6) if at is None else slice(at + 3, at + 6)] += truth
        if at is None or not compensates:
            row[0:3] -= belief
        else:
            row[at : at + 3] -= belief
            row[_POSES:_FIXES] -= belief
        return row

    def gain(self, k: FloatArray) -> FloatArray:
        """Return what a gain of the belief moves: the belief, and the sum of all fixes where it is kept."""
        column = np.zeros(len(self.timing))
        column[0:3] = k
        column[_POSES:_FIXES] = k[: len(column[_POSES:_FIXES])]
        return column

    def fixed(self, matrix: FloatArray) -> None:
        """Take everything through the matrix of a fix (n, n)."""
        self.cov = matrix @ self.cov @ matrix.T
        self.timing = matrix @ self.timing


def no_white(sources: int, late: bool) -> White:
    """Return what there is at the start: nothing. `late`: some reading arrives after its echo."""
    size = _FIXES if late else _POSES
    return White(np.zeros((sources, size, size)), np.zeros(size))
