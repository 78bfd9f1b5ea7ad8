"""What makes up the error of one trial at one moment, in the linear model.

The covariance engine gives the change of the error by every constant of the run; times the constants
that the trial drew, and with the means, that is what the planned readings would have left. The rest is
random walk and readings' noise, whose spread is known too - or something that the linear model does
not see: a reading refused or wrong, a thing in the way.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.judge.ratio import AxisShare, MomentShares
from driftgate.judge.variance import direction_of
from driftgate.predict.sources import SourceTable
from driftgate.predict.values import Moment, MomentCovariance

RANDOM = "random"
KNOWN = "known"
# A rest of so many of its own standard deviations, and of such a part of the error, is no noise (our
# choice, no source: three standard deviations are passed by chance once in 370 times).
_NO_NOISE_SDS, _NO_NOISE_PART = 3.0, 0.3


@dataclass(frozen=True)
class Blame:
    """The error of one trial along the axis that uses the most of its tolerance.

    Attributes
    ----------
    axis : str
        The axis.
    error, share : float
        Signed error along it [m or rad], and the share of the tolerance used.
    parts : dict
        Source to its part of the error; "known": offsets that are no source's, such as a map that
        differs; "random": the rest. They add up to `error`.
    by_constant : tuple of float
        What each constant of the run makes, as drawn, in the order of the source table.
    random_sd : float
        Standard deviation of random walk and readings' noise. [m or rad]
    """

    axis: str
    error: float
    share: float
    parts: dict[str, float]
    by_constant: tuple[float, ...]
    random_sd: float

    @property
    def unexpected(self) -> bool:
        """Whether the rest is more than noise and a good part of the error."""
        rest = self.parts[RANDOM] * math.copysign(1.0, self.error)
        return rest > _NO_NOISE_SDS * self.random_sd and rest >= _NO_NOISE_PART * abs(self.error)

    def ranked(self) -> list[tuple[str, float]]:
        """Return the parts, largest first; of equals in alphabetical order."""
        return sorted(self.parts.items(), key=lambda part: (-abs(part[1]), part[0]))


def tightest_axis(shares: MomentShares, trial: int) -> AxisShare | None:
    """Return the axis that uses the most of its tolerance in one trial; the first of equals."""
    return max(shares.axes, key=lambda axis: float(axis.share[trial]), default=None)


def blame(
    moment: Moment,
    covariance: MomentCovariance,
    table: SourceTable,
    drawn: FloatArray,
    axis: AxisShare,
    error: FloatArray,
    trial: int,
) -> Blame:
    """Return what makes up the error of one trial at one moment.

    Parameters
    ----------
    moment, covariance
        The moment, and the covariance engine's answer there.
    table : SourceTable
        The error sources.
    drawn : ndarray, shape (constants, n)
        Constants of the run as multiples of their spread.
    axis : AxisShare
        The axis, over the n trials.
    error : ndarray, shape (n, 3)
        The error in field axes.
    trial : int
        Which of the n.
    """
    name, value = axis.limit.axis, float(axis.error[trial])
    direction = direction_of(name, moment.pose[2], error[trial])
    columns = direction @ covariance.columns
    by_constant = tuple((columns * drawn[:, trial]).tolist())
    parts: dict[str, float] = {}
    for constant, part in zip(table.constants, by_constant, strict=True):
        parts[constant.source] = parts.get(constant.source, 0.0) + part
    for source, mean in covariance.mean_by_source.items():
        parts[source] = parts.get(source, 0.0) + float(direction @ mean)
    variance = float(direction @ covariance.cov @ direction) - float(np.square(columns).sum())
    parts[RANDOM] = value - math.fsum(parts.values())
    return Blame(name, value, float(axis.share[trial]), parts, by_constant, math.sqrt(max(variance, 0.0)))
