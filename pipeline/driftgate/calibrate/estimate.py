"""A fitted number and how well it is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray


@dataclass(frozen=True)
class Estimate:
    """A number with its standard error.

    Attributes
    ----------
    value : float
        The number, SI.
    error : float
        Its standard error, SI, zero or more.
    freedom : float
        Degrees of freedom that the standard error rests on; infinite if it is known.
    """

    value: float
    error: float
    freedom: float

    def interval(self, confidence: float) -> tuple[float, float]:
        """Return the two-sided interval of Student's t."""
        half = t_factor(confidence, self.freedom) * self.error
        return self.value - half, self.value + half

    def clear(self, confidence: float) -> bool:
        """Return whether the number differs from zero by more than chance."""
        low, high = self.interval(confidence)
        return low > 0.0 or high < 0.0

    def times(self, factor: float) -> Estimate:
        """Return the estimate of a multiple of the number."""
        return Estimate(self.value * factor, self.error * abs(factor), self.freedom)


@dataclass(frozen=True)
class Spread:
    """A standard deviation of what varies from run to run.

    Attributes
    ----------
    value : float
        The standard deviation, SI.
    freedom : float
        Its degrees of freedom.
    """

    value: float
    freedom: float

    def interval(self, confidence: float) -> tuple[float, float]:
        """Return the two-sided interval by chi-square, of normal scatter."""
        tail = 0.5 * (1.0 - confidence)
        high, low = (float(special.chdtri(self.freedom, p)) for p in (tail, 1.0 - tail))
        return self.value * math.sqrt(self.freedom / high), self.value * math.sqrt(self.freedom / low)

    def times(self, factor: float) -> Spread:
        """Return the standard deviation of a multiple."""
        return Spread(self.value * abs(factor), self.freedom)


def t_factor(confidence: float, freedom: float) -> float:
    """Return the two-sided factor of Student's t, by which a standard error becomes an interval."""
    p = 0.5 * (1.0 + confidence)
    return float(special.ndtri(p) if math.isinf(freedom) else special.stdtrit(freedom, p))


def t_widening(freedom: float, confidence: float = 0.95) -> float:
    """Return how much wider a normal distribution has to be to have the interval of Student's t."""
    return t_factor(confidence, freedom) / t_factor(confidence, math.inf)


def mean_and_spread(values: Sequence[float] | FloatArray, rounding: float = 0.0) -> tuple[Estimate, Spread]:
    """Return the mean of independent runs with its standard error, and their standard deviation.

    Parameters
    ----------
    values : sequence of float
        What the runs gave.
    rounding : float
        Standard deviation of what reading them rounded off. Neither result is less: where the runs scatter
        less than that, all are rounded alike and their mean as much as each.

    Raises
    ------
    ModelError
        If there are fewer than two: one run shows no scatter.
    """
    array = np.asarray(values, dtype=float)
    if array.size < 2:
        raise ModelError(f"two runs or more show a scatter, got {array.size}")
    sd, freedom = float(array.std(ddof=1)), float(array.size - 1)
    error = max(sd / math.sqrt(array.size), rounding)
    return Estimate(float(array.mean()), error, freedom), Spread(max(sd, rounding), freedom)


def combined(terms: Sequence[tuple[float, Estimate]]) -> Estimate:
    r"""Return a weighted sum of independent estimates.

    The degrees of freedom are those of B. L. Welch and F. E. Satterthwaite (JCGM 100:2008, G.4.1):
    the effective number is :math:`u^4 / \sum u_i^4 / \nu_i`.
    """
    value = sum(weight * term.value for weight, term in terms)
    parts = [((weight * term.error) ** 2, term.freedom) for weight, term in terms]
    variance = sum(part for part, _ in parts)
    below = sum(part**2 / freedom for part, freedom in parts)
    freedom = variance**2 / below if below > 0.0 else math.inf
    return Estimate(value, math.sqrt(variance), freedom)
