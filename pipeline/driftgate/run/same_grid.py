"""What the numbers of a log are rounded to, and the steps in which a counter's come."""

from __future__ import annotations

from typing import Final

import numpy as np

from driftgate.core.pose import FloatArray

# The finest rounding that is told from none, and what is left of a float that was converted.
FINEST: Final = 1e-7
_FLOAT: Final = 1e-9
# Units of length and angle that logs are rounded in, and the coarsest rounding that is believed: numbers that
# are round by nature are not rounded. [m], [rad], [s]
LENGTHS: Final = (1.0, 0.0254, 0.3048)
ANGLES: Final = (1.0, float(np.pi / 180.0), float(2.0 * np.pi))
COARSEST_M, COARSEST_RAD, COARSEST_S = 1.1e-3, 2e-3, 0.011
COARSEST_RANGE_M: Final = 0.026
# Of the gaps between the values that a column has, that from which it is no chance; and values that show it.
_USUAL_GAP: Final = 0.1
_LEAST_VALUES: Final = 8


def grid_of(values: FloatArray, units: tuple[float, ...], coarsest: float) -> float:
    """Return the coarsest rounding in any of the units that all values have."""
    steps = {unit * 10.0**-k for unit in units for k in range(9)}
    for step in sorted((s for s in steps if FINEST <= s <= coarsest), reverse=True):
        if np.all(np.abs(values - np.round(values / step) * step) < _FLOAT * (1.0 + np.abs(values))):
            return step
    return FINEST


def quantum_of(values: FloatArray, grid: float) -> float:
    """Return by how much the values of a column differ at least, as a rule: a count, or the rounding.

    Counts of an encoder, written with many decimals, are not rounded to any of them, and yet the same by
    chance.
    """
    gaps = np.diff(np.unique(values))
    gaps = gaps[gaps > 0.5 * grid]
    return max(grid, float(np.quantile(gaps, _USUAL_GAP))) if len(gaps) >= _LEAST_VALUES else grid
