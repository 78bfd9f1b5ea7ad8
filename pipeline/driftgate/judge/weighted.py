r"""Bounds on the mean of bounded values that hold however often one looks: for weighted trials.

A trial that was drawn from a tilted distribution counts with its likelihood ratio, so that the failure
probability is the mean of *weight times failed*: no count of successes, and a bound for counts is
invalid for it. All that is used here is that the values lie between 0 and a known largest weight.

For a value :math:`x` in [0, 1] with mean at least :math:`m`, each product
:math:`\prod_i (1 + \lambda (m - x_i))` with :math:`0 \le \lambda < 1` is non-negative and does not grow on
average, and so is a mixture of such products over several :math:`\lambda`. The chance that it ever
reaches :math:`1/\alpha` is at most :math:`\alpha` [1]_; where it has, the mean is below :math:`m`. Likewise
:math:`\prod_i (1 + c (x_i / m - 1))` with :math:`0 \le c < 1` for a mean of at most :math:`m`. These are the
bets of [2]_; a mixture over a fixed list of stakes needs no order of the trials and no tuning by them.

References
----------
.. [1] J. Ville, Étude critique de la notion de collectif, Gauthier-Villars, 1939 (from memory).
.. [2] I. Waudby-Smith and A. Ramdas, "Estimating means of bounded random variables by betting,"
   J. R. Stat. Soc. B 86, 2024, pp. 1-27 (from memory).
"""

from __future__ import annotations

import math

import numpy as np

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray

# Stakes: from nearly all down to what suits values that vary a thousand times their mean.
_STAKES = 0.99 * 0.5 ** np.arange(20)
# Half of the start goes on the largest stake, which decides the case without failures.
_LOG_SHARES = np.log(np.concatenate([[0.5], np.full(19, 0.5 / 19)]))
_HALVINGS = 80


def log_evidence_below(values: FloatArray, trials: int, mean: float) -> float:
    """Return the log of the evidence that a mean lies below `mean`.

    Parameters
    ----------
    values : ndarray, shape (k,)
        The values above 0, each at most 1.
    trials : int
        How many values there are in all; the others are 0.
    mean : float
        In (0, 1).
    """
    won = np.log1p(_STAKES * mean) * (trials - len(values))
    won += np.log1p(_STAKES[:, None] * (mean - values[None, :])).sum(axis=1)
    return float(np.logaddexp.reduce(_LOG_SHARES + won))


def log_evidence_above(values: FloatArray, trials: int, mean: float) -> float:
    """Return the log of the evidence that a mean lies above `mean`; arguments as in `log_evidence_below`."""
    won = np.log1p(-_STAKES) * (trials - len(values))
    won += np.log1p(_STAKES[:, None] * (values[None, :] / mean - 1.0)).sum(axis=1)
    return float(np.logaddexp.reduce(_LOG_SHARES + won))


def weighted_upper_bound(weights: FloatArray, trials: int, largest: float, confidence: float) -> float:
    """Return an upper bound on the mean of weights that holds at every number of trials at once.

    Parameters
    ----------
    weights : ndarray, shape (k,)
        The weights of the trials that count, above 0; all others count 0.
    trials : int
        How many trials there are in all.
    largest : float
        No weight can be larger.
    confidence : float
        That the bound holds at every number of trials together. In (0, 1).

    Raises
    ------
    ModelError
        If a weight is out of range, or there are more of them than trials.
    """
    values, log_limit = _checked(weights, trials, largest, confidence)
    low, high = 0.0, 1.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if log_evidence_below(values, trials, middle) >= log_limit:
            high = middle
        else:
            low = middle
    return high * largest


def weighted_lower_bound(weights: FloatArray, trials: int, largest: float, confidence: float) -> float:
    """Return a lower bound on the mean of weights; arguments as in `weighted_upper_bound`."""
    values, log_limit = _checked(weights, trials, largest, confidence)
    if len(values) == 0:
        return 0.0
    low, high = 0.0, 1.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if log_evidence_above(values, trials, middle) >= log_limit:
            low = middle
        else:
            high = middle
    return low * largest


def fewest_weighted_trials(failing: float, largest: float, confidence: float) -> int:
    """Return how many trials without a failure show that failures are rarer than `failing`."""
    none = np.zeros(0)
    _, log_limit = _checked(none, 1, largest, confidence)
    low, high = 0, 1
    while log_evidence_below(none, high, failing / largest) < log_limit:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        if log_evidence_below(none, middle, failing / largest) < log_limit:
            low = middle
        else:
            high = middle
    return high


def _checked(weights: FloatArray, trials: int, largest: float, confidence: float) -> tuple[FloatArray, float]:
    if not 0.0 < confidence < 1.0:
        raise ModelError(f"confidence must be inside (0, 1), got {confidence!r}")
    if trials < 1 or len(weights) > trials:
        raise ModelError(f"there are {len(weights)} weights for {trials} trials")
    if not np.all((weights >= 0.0) & (weights <= largest * (1.0 + 1e-12))):
        raise ModelError(f"weights must lie between 0 and {largest!r}")
    return np.minimum(weights / largest, 1.0), -math.log(1.0 - confidence)
