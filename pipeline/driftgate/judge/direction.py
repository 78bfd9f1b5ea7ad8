"""The direction of an error in the plane that has none by itself: of a radial tolerance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.predict.values import MomentTrials

# One field axis has the error if the mean square along it is so many times that along the other.
_RULES = 2.0


@dataclass(frozen=True)
class Direction:
    """Where most of a radial error lies.

    Attributes
    ----------
    axes : tuple of str
        "x" or "y", or both where neither has most of it; the larger first.
    mean, sd : float
        Of the signed error along the first of them, over the trials. [m]
    distance_m : float
        Mean of the distance itself. [m]
    """

    axes: tuple[str, ...]
    mean: float
    sd: float
    distance_m: float


def radial_direction(trials: MomentTrials) -> Direction | None:
    """Return where most of the error in the plane lies; None without a finite trial."""
    error: FloatArray = trials.error[np.isfinite(trials.error[:, :2]).all(axis=1), :2]
    if error.shape[0] < 2:
        return None
    square = np.mean(error**2, axis=0)
    first = int(np.argmax(square))
    both = square[first] <= _RULES * square[1 - first]
    axes = ("x", "y")[first], ("x", "y")[1 - first]
    return Direction(
        axes=axes if both else axes[:1],
        mean=float(error[:, first].mean()),
        sd=float(error[:, first].std(ddof=1)),
        distance_m=float(np.mean([math.hypot(x, y) for x, y in error.tolist()])),
    )
