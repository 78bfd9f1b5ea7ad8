"""Sobol' shares of a variance by redrawing one input at a time, with Jansen's estimators.

Three kinds of runs over the same trials: A, as drawn; B, with every input from a second stream; and
for each input i the run A_i, which is A with input i alone from the second stream. So A_i has input
i in common with B, and all others with A.

Sources: I. M. Sobol', Math. Modelling Comput. Experiments 1 (1993) 407-414 (the shares; from
memory); M. J. W. Jansen, Comput. Phys. Commun. 117 (1999) 35-43, and A. Saltelli et al., Comput. Phys.
Commun. 181 (2010) 259-270, Table 2, rows (c) and (f) (the estimators):

    total of i        = E (f(A) - f(A_i))^2 / 2
    first order of i  = V - E (f(B) - f(A_i))^2 / 2

The first of these is sharp for small shares, the second is not: its noise is that of V whatever the
share. But A and B differ in every input, so that E (f(B) - f(A))^2 / 2 is V too, and follows the same
noise. The difference between the two, whose mean is zero, therefore serves as a control variate for all
sums, with the coefficients that make the sampled variances smallest (R. Y. Rubinstein and R. Marcus,
Oper. Res. 33 (1985) 661-677, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray

# The share of the trials that count as the most extreme.
EXTREME = 0.001


@dataclass(frozen=True)
class Share:
    """An estimated share of a variance and its standard error; both are pure numbers."""

    value: float
    error: float


@dataclass(frozen=True)
class InputShares:
    """What one input makes of the variance.

    Attributes
    ----------
    first : Share
        Made by this input alone: how much variance would go, on average, if it were known.
    total : Share
        Made by it alone or together with others.
    by_extremes : float
        The share of `total` that the most extreme thousandth of the trials makes; 1.3 % where
        differences are normal.
    met : float
        As how many trials, all equal, it was redrawn to any effect: (sum s)^2 / sum s^2 over the squared
        differences s (L. Kish, Survey Sampling, 1965, from memory). A third of the trials where
        differences are normal; few where a rare event makes them. Infinite if it makes no difference.
    """

    first: Share
    total: Share
    by_extremes: float
    met: float = math.inf


@dataclass(frozen=True)
class PickFreeze:
    """Shares of the variance of one output.

    Attributes
    ----------
    trials : int
        How many each run has.
    mean, variance : float
        Of the output over A and B; of an output with several columns the sum of their variances, and
        the mean is that of the first column.
    variance_error : float
        Standard error of `variance`.
    by_extremes : float
        The share of it that the most extreme thousandth of the trials makes; 1.3 % where the output is
        normal.
    inputs : dict
        By name of the input.
    interactions : Share
        What the first-order shares leave over: made by inputs only together.
    """

    trials: int
    mean: float
    variance: float
    variance_error: float
    by_extremes: float
    inputs: dict[str, InputShares]
    interactions: Share


def by_extremes(squares: FloatArray) -> float:
    """Return the share of a sum of squares that the largest thousandth of them makes; zero of nothing.

    For a normal variable it is 1.3 %: q + 2 z phi(z) with q = 0.001 beyond z = 3.29 standard deviations.
    At least one is taken.
    """
    count = math.ceil(EXTREME * squares.size)
    total = float(squares.sum())
    if not total > 0.0:
        return 0.0
    return float(np.partition(squares, squares.size - count)[-count:].sum()) / total


def effective(squares: FloatArray) -> float:
    """Return as how many terms, all equal, make a sum as rough as these do; infinite if all are zero."""
    largest = float(squares.max(initial=0.0))
    if not largest > 0.0:
        return math.inf
    parts = squares / largest
    return float(parts.sum()) ** 2 / float((parts * parts).sum())


def pick_freeze(
    plain: FloatArray, redrawn: FloatArray, one_redrawn: dict[str, FloatArray]
) -> PickFreeze | None:
    """Return each input's shares of the variance of an output.

    Parameters
    ----------
    plain : ndarray, shape (n,) or (n, d)
        f(A), trial by trial. Of several columns the variances add up.
    redrawn : ndarray, same shape
        f(B): every input from the second stream.
    one_redrawn : dict
        By input: f(A_i), that input alone from the second stream; arrays of the same shape.

    Returns
    -------
    PickFreeze or None
        None if the output does not vary, or is no number. Standard errors are those of ratios, by the
        delta method, from the spread of each trial's own contribution.

    Raises
    ------
    ModelError
        If there are fewer than two trials, or shapes differ.
    """
    a, b = _columns(plain), _columns(redrawn)
    if a.shape[0] < 2 or any(_columns(f).shape != a.shape for f in (b, *one_redrawn.values())):
        raise ModelError("pick-freeze needs at least two trials and runs of one shape")
    mean = 0.5 * (a.mean(axis=0) + b.mean(axis=0))
    # Differences come first: an output far from zero must not lose its digits in squares.
    a, b = a - mean, b - mean
    square_a, square_b = _squares(a), _squares(b)
    whole = 0.5 * (square_a + square_b)
    if not (math.isfinite(whole.mean()) and whole.mean() > 0.0):
        return None
    control = whole - 0.5 * _squares(b - a)
    own = _steadied(whole, control)
    if not own.mean() > 0.0:
        return None  # a handful of trials may be steadied to nothing
    inputs, first_rows = {}, []
    for name, found in one_redrawn.items():
        c = _columns(found) - mean
        first_row = _steadied(whole - 0.5 * _squares(b - c), control)
        total_row = 0.5 * _squares(a - c)
        first_rows.append(first_row)
        total = _ratio(_steadied(total_row, control), own)
        inputs[name] = InputShares(
            _ratio(first_row, own), total, by_extremes(total_row), effective(total_row)
        )
    return PickFreeze(
        trials=a.shape[0],
        mean=float(mean[0]),
        variance=float(own.mean()),
        variance_error=_standard_error(own),
        by_extremes=by_extremes(np.concatenate([square_a, square_b])),
        inputs=inputs,
        interactions=_ratio(own - np.sum(first_rows, axis=0) if first_rows else own, own),
    )


def _columns(values: FloatArray) -> FloatArray:
    return values[:, None] if values.ndim == 1 else values


def _squares(values: FloatArray) -> FloatArray:
    total: FloatArray = np.sum(values * values, axis=1)
    return total


def _steadied(row: FloatArray, control: FloatArray) -> FloatArray:
    """Return a row of contributions less the multiple of a control of mean zero that varies with it."""
    spread = float(np.var(control))
    if spread == 0.0:
        return row
    slope = float(np.mean((row - row.mean()) * (control - control.mean()))) / spread
    return row - slope * control


def _standard_error(row: FloatArray) -> float:
    return float(row.std(ddof=1)) / math.sqrt(row.size)


def _ratio(row: FloatArray, own: FloatArray) -> Share:
    variance = float(own.mean())
    value = float(row.mean()) / variance
    return Share(value, _standard_error(row - value * own) / variance)
