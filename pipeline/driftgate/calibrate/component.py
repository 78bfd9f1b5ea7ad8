"""What is known of a variance component: its interval, and what the runs leave possible."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from driftgate.core.pose import FloatArray

_LEAST_FREEDOM, _MOST_FREEDOM = 1.0, 1e6
# Of the standard error of an estimated variance (our choice, by simulation: see `least`).
_LEAST_SHARE = 0.5


@dataclass(frozen=True)
class Component:
    """An estimated variance component.

    Attributes
    ----------
    sd, freedom : float
        Standard deviation, and degrees of freedom. What a prediction draws of them, a scaled inverse
        chi-square variance about `sd`, has the middle and the upper end of what the runs leave possible.
    low, high : float
        Interval of the standard deviation, at the confidence asked for; `low` may be zero.
    """

    sd: float
    low: float
    high: float
    freedom: float


def component(
    variance: float, of_variance: float, freedom: float, confidence: float, reaching: float = 0.0
) -> Component:
    r"""Return what is known of a variance component.

    Parameters
    ----------
    variance, of_variance : float
        The estimate, zero or more, and its variance.
    freedom : float
        Degrees of freedom of the sum of squares behind it: runs less one for what varies between runs.
    confidence : float
        Of the interval.
    reaching : float
        A variance that the interval holds in any case.

    Notes
    -----
    What is seen is the component *v* and other noise *n* together: :math:`(\hat v + n)` scatters like
    :math:`(v + n) \chi^2_\nu / \nu`. The other noise follows from the variance of the estimate,
    :math:`2 (v + n)^2 / \nu`, so that the interval is right where the component drowns in noise too, and
    its lower end may be zero there.
    """
    if not of_variance > 0.0:
        sd = math.sqrt(variance)
        return Component(sd, sd, sd, _MOST_FREEDOM)
    tail = 0.5 * (1.0 - confidence)
    at = possible(variance, of_variance, freedom, np.array([tail, 0.5, 1.0 - tail]))
    low, middle, high = np.sqrt(at).tolist()
    high = max(high, math.sqrt(reaching))
    if not middle > 0.0:
        return Component(middle, low, high, _LEAST_FREEDOM)
    drawn = _freedom_reaching(high / middle, tail)
    # About this the drawn variance has its median at the middle.
    return Component(middle * math.sqrt(float(special.chdtri(drawn, 0.5)) / drawn), low, high, drawn)


def possible(variance: float, of_variance: float, freedom: float, share: FloatArray) -> FloatArray:
    """Return the variances below which a component lies in such shares of what the runs leave possible.

    Parameters
    ----------
    variance, of_variance, freedom : float
        As in `component`; the variance of the estimate more than zero.
    share : ndarray
        From zero to one.
    """
    whole = math.sqrt(0.5 * freedom * of_variance)
    if whole < variance:
        whole, freedom = variance, 2.0 * variance**2 / of_variance
    other = whole - variance
    return np.asarray(np.maximum(whole * freedom / special.chdtri(freedom, share) - other, 0.0))


def least(variance: float, of_variance: float) -> float:
    """Return what a prediction takes a variance between runs for: its estimate, or a share of its own error.

    Where it came out as nothing it may be something all the same, and the less is known of it the more.
    """
    return max(variance, _LEAST_SHARE * math.sqrt(of_variance))


def as_known_together(
    parts: tuple[Component, Component],
    variance: FloatArray,
    of_variance: FloatArray,
    freedom: float,
    confidence: float,
) -> tuple[Component, Component]:
    r"""Return two components as predictions draw them that the data show better together than apart.

    What one of them is too large the other is too small by. Each as wide as it may be by itself, they would
    make a sum far wider than it can be. So both get the degrees of freedom of the sum that is known best,
    :math:`a^T v` with :math:`a = C^{-1} s^2`, and between them its size. Their intervals stay their own.

    Parameters
    ----------
    parts : tuple of Component
        The two, each by itself.
    variance : ndarray, shape (2,)
        Their estimates.
    of_variance : ndarray, shape (2, 2)
        The covariance of those.
    freedom, confidence : float
        As in `component`.
    """
    if not of_variance[0, 1] < 0.0:
        return parts
    sizes = np.array([part.sd**2 for part in parts])
    weights = np.maximum(np.linalg.pinv(of_variance, hermitian=True) @ sizes, 0.0)
    if not np.all(weights > 0.0):
        return parts
    whole = component(float(weights @ variance), float(weights @ of_variance @ weights), freedom, confidence)
    share = whole.sd / math.sqrt(float(weights @ sizes))
    first, second = (
        Component(share * part.sd, part.low, part.high, max(part.freedom, whole.freedom)) for part in parts
    )
    return first, second


def _freedom_reaching(ratio: float, tail: float) -> float:
    """Return the degrees of freedom at which a drawn standard deviation passes so many times its median.

    It is sqrt(freedom / chi-square) that is drawn, and `tail` the chance.
    """

    def reach(freedom: float) -> float:
        return math.sqrt(float(special.chdtri(freedom, 0.5)) / float(special.chdtri(freedom, 1.0 - tail)))

    low, high = _LEAST_FREEDOM, _MOST_FREEDOM
    if reach(low) <= ratio:
        return low
    for _ in range(60):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if reach(middle) > ratio else (low, middle)
    return low
