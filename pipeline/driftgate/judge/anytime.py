r"""Bounds on a probability that hold however often one looks, from mixtures of likelihood ratios.

Let :math:`M_n(p)` be the likelihood of the trials so far under a mixture of other success
probabilities, divided by their likelihood under :math:`p`. If :math:`p` is the truth, :math:`M_n(p)` is
a non-negative martingale that starts at 1, and the chance that it *ever* reaches :math:`1/\alpha` is at
most :math:`\alpha` [1]_. So the set of all :math:`p` with :math:`M_n(p) < 1/\alpha` holds the truth at every
:math:`n` at once, with confidence :math:`1 - \alpha`: one may look whenever one likes, stop when an answer
is there, and go on later with more trials.

What differs is the mixture:

- `robbins_interval`: uniform on (0, 1) [2]_. Nothing to tune.
- `howard_interval`: a beta distribution centred at :math:`p`, as narrow as serves a stop after a given
  number of trials best [3]_. Two-sided.
- `lower_bound`, `upper_bound`, `passes`, `fails`: the same distribution cut off at :math:`p`, so that only
  probabilities on one side of it are in the mixture ([3]_, the one-sided beta-binomial mixture). This is
  what the gate uses. With the mixture above :math:`p`, each ratio :math:`(q/p)^s ((1-q)/(1-p))^f` has a mean
  of at most 1 under *every* truth at or below :math:`p`, since that mean is
  :math:`\theta q/p + (1-\theta)(1-q)/(1-p)`, which grows with :math:`\theta` and is 1 at :math:`\theta = p`.
  So :math:`M_n(p)` tests "at most :math:`p`" and not just "exactly :math:`p`", and wastes no weight on
  the other side.

Bounds that share the error rate out over a known, short list of looks would decide close calls with
about a third fewer trials. They would not cover what people do with an undecided routine: run it
again with more trials.

References
----------
.. [1] J. Ville, Étude critique de la notion de collectif, Gauthier-Villars, 1939 (from memory).
.. [2] H. Robbins, "Statistical methods related to the law of the iterated logarithm," Ann. Math.
   Statist. 41, 1970, pp. 1397-1409.
.. [3] S. R. Howard, A. Ramdas, J. McAuliffe and J. Sekhon, "Time-uniform, nonparametric, nonasymptotic
   confidence sequences," Ann. Statist. 49, 2021, pp. 1055-1080, propositions 6 and 7.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

from driftgate.core.errors import ModelError
from driftgate.judge.bounds import checked_counts

Side = Literal["both", "above", "below"]

# After so many trials the gate's bounds are at their tightest. Most cases end before, few are closer calls
# than the bounds' slow loss further out would matter for.
TUNED_TRIALS = 2048
# Halvings of an interval in (0, 1): the ends then differ by no more than rounding.
_HALVINGS = 60
# A mixture is never narrower than what serves this many units of -log alpha.
_LEAST_UNITS = 1.0
_LEAST_CONCENTRATION = 1e-3


def tuned_concentration(trials: float, alpha: float) -> float:
    r"""Return the weight, in trials, of a mixture that is tightest after so many trials.

    Notes
    -----
    The variance-time :math:`\rho = v / (2L + \ln(1 + 2L))` of [3]_, equation 25 (number from memory), with
    :math:`L = \ln(1/\alpha)` and :math:`v` the trials times :math:`p(1-p)`; a beta distribution of
    weight :math:`\kappa` has the variance :math:`p(1-p)/(\kappa+1)`, so :math:`\kappa = \rho/(p(1-p)) - 1`.
    """
    units = max(_LEAST_UNITS, -2.0 * math.log(alpha))
    return max(_LEAST_CONCENTRATION, trials / (units + math.log1p(units)) - 1.0)


def gate_concentration(alpha: float) -> float:
    """Return the weight that the gate's one-sided mixtures have at an error rate.

    One side at `alpha` is about as far out as two sides at twice that.
    """
    return tuned_concentration(TUNED_TRIALS, min(1.0, 2.0 * alpha))


def log_mixture(successes: int, trials: int, p: float, concentration: float, side: Side) -> float:
    r"""Return :math:`\ln M_n(p)` for a beta mixture of a weight, centred at `p`.

    Parameters
    ----------
    successes, trials : int
        How many of how many.
    p : float
        The probability that is tested. In (0, 1).
    concentration : float
        Weight of the mixture, in trials; above 0.
    side : {"both", "above", "below"}
        Whether the mixture is cut off at `p`, and which part of it stays.
    """
    from scipy.special import betaln

    failures = trials - successes
    a, b = concentration * p, concentration * (1.0 - p)
    log = float(betaln(a + successes, b + failures) - betaln(a, b))
    log -= successes * math.log(p) + failures * math.log1p(-p)
    if side == "both":
        return log
    return log + _log_part(a + successes, b + failures, p, side) - _log_part(a, b, p, side)


def _log_part(a: float, b: float, p: float, side: Side) -> float:
    """Return the log of the part of a beta distribution on one side of a point."""
    from scipy.special import betainc

    part = float(betainc(b, a, 1.0 - p) if side == "above" else betainc(a, b, p))
    # Where nothing is left of the mixture it cannot speak against p either.
    return math.log(part) if part > 0.0 else -math.inf


def _edge(rejected: Callable[[float], bool], inside: float, outside: float) -> float:
    """Return where rejection begins between a value that is kept and an end that is not."""
    for _ in range(_HALVINGS):
        middle = 0.5 * (inside + outside)
        if not 0.0 < middle < 1.0:
            break
        inside, outside = (inside, middle) if rejected(middle) else (middle, outside)
    return outside


def _interval(
    successes: int, trials: int, log_ratio: Callable[[float], float], alpha: float
) -> tuple[float, float]:
    share = successes / trials

    def rejected(p: float) -> bool:
        return log_ratio(p) >= -math.log(alpha)

    low = 0.0 if successes == 0 else _edge(rejected, share, 0.0)
    high = 1.0 if successes == trials else _edge(rejected, share, 1.0)
    return low, high


def howard_interval(successes: int, trials: int, confidence: float, tuned: float) -> tuple[float, float]:
    """Return the two-sided anytime-valid interval of Howard et al. (2021), tightest after `tuned` trials."""
    checked_counts(successes, trials, confidence)
    alpha = 1.0 - confidence
    weight = tuned_concentration(tuned, alpha)
    return _interval(successes, trials, lambda p: log_mixture(successes, trials, p, weight, "both"), alpha)


def robbins_interval(successes: int, trials: int, confidence: float) -> tuple[float, float]:
    r"""Return the two-sided anytime-valid interval of Robbins (1970).

    All :math:`p` with :math:`(n+1) \binom{n}{s} p^s (1-p)^{n-s} > \alpha`: a uniform mixture.
    """
    checked_counts(successes, trials, confidence)
    from scipy.special import betaln

    failures = trials - successes
    evidence = float(betaln(successes + 1, failures + 1))

    def log_ratio(p: float) -> float:
        return evidence - successes * math.log(p) - failures * math.log1p(-p)

    return _interval(successes, trials, log_ratio, 1.0 - confidence)


def passes(successes: int, trials: int, required: float, confidence: float) -> bool:
    """Return whether the trials show that the probability is above `required`, however often one looks.

    Raises
    ------
    ModelError
        If the counts or the confidence are out of range.
    """
    checked_counts(successes, trials, confidence)
    if required <= 0.0:
        return True
    if required >= 1.0 or successes <= required * trials:
        return False
    alpha = 1.0 - confidence
    log = log_mixture(successes, trials, required, gate_concentration(alpha), "above")
    return log >= -math.log(alpha)


def fails(successes: int, trials: int, required: float, confidence: float) -> bool:
    """Return whether the trials show that the probability is below `required`, however often one looks."""
    return (
        passes(trials - successes, trials, 1.0 - required, confidence)
        if required < 1.0
        else (successes < trials)
    )


def lower_bound(successes: int, trials: int, confidence: float) -> float:
    """Return the one-sided lower bound that holds at every number of trials at once.

    It is above `required` exactly when `passes` says so, rounding aside.

    Raises
    ------
    ModelError
        If the counts or the confidence are out of range.

    Examples
    --------
    >>> f"{lower_bound(1024, 1024, 0.95):.4f}"
    '0.9956'
    """
    checked_counts(successes, trials, confidence)
    if successes == 0:
        return 0.0
    return _edge(lambda p: passes(successes, trials, p, confidence), successes / trials, 0.0)


def upper_bound(successes: int, trials: int, confidence: float) -> float:
    """Return the one-sided upper bound that holds at every number of trials at once; see `lower_bound`."""
    checked_counts(successes, trials, confidence)
    if successes == trials:
        return 1.0
    return _edge(lambda p: fails(successes, trials, p, confidence), successes / trials, 1.0)


def fewest(enough: Callable[[int], bool], least: int, most: int | None = None) -> int | None:
    """Return the smallest whole number from `least` on that is enough; None when `most` is not.

    `enough` must stay true once it is true.
    """
    if most is None:
        most = max(1, least)
        while not enough(most):
            most *= 2
    elif not enough(most):
        return None
    low, high = least - 1, most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def needed_trials(required: float, confidence: float) -> int:
    """Return the fewest trials that can show `required` when none fails, however often one looks.

    Raises
    ------
    ModelError
        If `required` or `confidence` is not inside (0, 1).
    """
    if not (0.0 < required < 1.0 and 0.0 < confidence < 1.0):
        raise ModelError(f"required and confidence must be inside (0, 1), got {required!r}, {confidence!r}")
    found = fewest(lambda n: passes(n, n, required, confidence), 1)
    assert found is not None
    return found


def bounding_rank(trials: int, share: float, confidence: float) -> int | None:
    """Return which of the sorted values bounds a quantile from above, however often one looks.

    The fewest successes with which `passes` is true; None when not even all are enough. The value at
    this rank is inside a limit exactly when the trials inside it show `share`.
    """
    return fewest(lambda rank: passes(rank, trials, share, confidence), 1, trials)
