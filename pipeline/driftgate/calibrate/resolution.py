r"""How finely lengths were read, from the readings themselves.

A tape read to a centimetre gives multiples of a centimetre: the greatest common divisor of all readings of a
column is what they were rounded to. Rounding to *r* has the standard deviation :math:`r / \sqrt{12}`
(JCGM 100:2008, F.2.2.1). Where the scatter is less than *r*, all readings of a length are rounded alike, so
more of them make its mean no better.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from driftgate.core.pose import FloatArray

# Fine enough for sixteenths of an inch (1.5875 mm). [m]
_UNIT_M: Final = 1e-7
# Coarser than this nobody reads a tape: a larger divisor is chance, as of few readings. [m]
_COARSEST_M: Final = 0.01
# And one beyond this comes of round lengths that were commanded. [m]
_COMMANDED_M: Final = 0.05
# Of readings that say nothing of it. [m]
_USUAL_M: Final = 0.001


def resolution(readings_m: FloatArray, otherwise: float = _USUAL_M) -> float:
    """Return what a column of readings is rounded to. [m]

    Parameters
    ----------
    readings_m : ndarray
        All readings of one column.
    otherwise : float
        What to take for readings that do not show it: all one length, or round ones as commanded. [m]
    """
    counts = np.unique(np.abs(np.rint(readings_m / _UNIT_M).astype(np.int64)))
    if len(counts) < 2:
        return otherwise
    divisor = float(np.gcd.reduce(counts)) * _UNIT_M
    if divisor > _COMMANDED_M:
        return otherwise
    return divisor / math.ceil(divisor / _COARSEST_M - 1e-9)


def rounding(tape_m: FloatArray, robot_m: FloatArray) -> float:
    """Return the standard deviation that rounding gives to one number by tape less that by the robot. [m]"""
    tape = resolution(tape_m, resolution(robot_m))
    return math.sqrt((tape**2 + resolution(robot_m, tape) ** 2) / 12.0)
