"""Bounds on a probability from a count of successes, and on a quantile from an ordered sample.

All are for a number of trials fixed beforehand; looking repeatedly while sampling voids them.
"""

from __future__ import annotations

import math
from statistics import NormalDist

from driftgate.core.errors import ModelError


def checked_counts(successes: int, trials: int, confidence: float) -> None:
    """Refuse counts that cannot be, and a confidence outside (0, 1), with a `ModelError`."""
    if trials < 1:
        raise ModelError(f"trials must be at least 1, got {trials!r}")
    if not 0 <= successes <= trials:
        raise ModelError(f"successes must be from 0 to trials = {trials}, got {successes!r}")
    if not 0.0 < confidence < 1.0:
        raise ModelError(f"confidence must be inside (0, 1), got {confidence!r}")


def lower_bound(successes: int, trials: int, confidence: float) -> float:
    r"""Return the exact one-sided lower confidence bound of a success probability.

    Parameters
    ----------
    successes, trials : int
        How many of how many.
    confidence : float
        Chance that the bound lies below the true probability, at least. In (0, 1).

    Returns
    -------
    float
        The bound; 0 when nothing succeeded.

    Raises
    ------
    ModelError
        If the counts or the confidence are out of range.

    Notes
    -----
    The :math:`p` at which :math:`\sum_{k \ge s} \binom{n}{k} p^k (1-p)^{n-k} = 1 - C`, a quantile of
    the beta distribution with parameters :math:`s` and :math:`n - s + 1` [1]_.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson, "The use of confidence or fiducial limits illustrated in
       the case of the binomial," Biometrika 26, 1934, pp. 404-413.

    Examples
    --------
    >>> f"{lower_bound(299, 299, 0.95):.5f}"
    '0.99003'
    """
    checked_counts(successes, trials, confidence)
    if successes == 0:
        return 0.0
    if successes == trials:
        # Closed form: the incomplete beta function loses digits in this corner.
        return math.exp(math.log1p(-confidence) / trials)
    from scipy.special import betaincinv

    return float(betaincinv(successes, trials - successes + 1, 1.0 - confidence))


def upper_bound(successes: int, trials: int, confidence: float) -> float:
    """Return the exact one-sided upper confidence bound of a success probability.

    The mirror image of `lower_bound`; 1 when everything succeeded. Same source, same errors raised.
    """
    checked_counts(successes, trials, confidence)
    if successes == trials:
        return 1.0
    if successes == 0:
        return -math.expm1(math.log1p(-confidence) / trials)
    from scipy.special import betaincinv

    return float(betaincinv(successes + 1, trials - successes, confidence))


def interval(successes: int, trials: int, confidence: float) -> tuple[float, float]:
    """Return the exact two-sided confidence interval (Clopper and Pearson 1934, equal tails)."""
    one_sided = 0.5 * (1.0 + confidence)
    return lower_bound(successes, trials, one_sided), upper_bound(successes, trials, one_sided)


def wilson_interval(successes: int, trials: int, confidence: float) -> tuple[float, float]:
    """Return the two-sided score interval without continuity correction.

    Narrower than `interval`, but its coverage is only approximate; for display, never for a verdict.

    References
    ----------
    .. [1] E. B. Wilson, "Probable inference, the law of succession, and statistical inference,"
       J. Am. Stat. Assoc. 22, 1927, pp. 209-212.
    """
    checked_counts(successes, trials, confidence)
    z = NormalDist().inv_cdf(0.5 * (1.0 + confidence))
    return wilson_limit(successes, trials, -z), wilson_limit(successes, trials, z)


def wilson_limit(successes: int, trials: int, z: float) -> float:
    """Return Wilson's limit `z` standard normal deviations away: below for negative `z`."""
    share = successes / trials
    z2 = z * z / trials
    spread = math.sqrt(share * (1.0 - share) / trials + z2 / (4.0 * trials))
    limit = (share + 0.5 * z2 + z * spread) / (1.0 + z2)
    return min(1.0, max(0.0, limit))


def needed_trials(required: float, confidence: float, failures: int = 0) -> int:
    r"""Return the fewest trials that can show `required` with so many failures among them.

    For no failures this is the success-run theorem, :math:`n = \lceil \ln(1-C) / \ln R \rceil`;
    in general the smallest :math:`n` with :math:`P(X \le f) \le 1 - C` for
    :math:`X \sim \mathrm{Bin}(n, 1 - R)`, Wilks' sample size of order :math:`f + 1` [1]_.

    Raises
    ------
    ModelError
        If `required` or `confidence` is not inside (0, 1), or `failures` is negative.

    References
    ----------
    .. [1] S. S. Wilks, "Determination of sample sizes for setting tolerance limits," Ann. Math.
       Statist. 12, 1941, pp. 91-96.

    Examples
    --------
    >>> needed_trials(0.99, 0.95)
    299
    """
    if not (0.0 < required < 1.0 and 0.0 < confidence < 1.0 and failures >= 0):
        raise ModelError(
            "required and confidence must be inside (0, 1) and failures >= 0, "
            f"got {required!r}, {confidence!r}, {failures!r}"
        )

    def shows(trials: int) -> bool:
        return lower_bound(trials - failures, trials, confidence) >= required

    enough = failures + 1
    while not shows(enough):
        enough *= 2
    low, high = failures, enough
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if shows(middle) else (middle, high)
    return high


def bounding_rank(trials: int, share: float, confidence: float) -> int | None:
    """Return which of the sorted values bounds a quantile from above.

    The smallest r such that the r-th smallest of `trials` values is at least the `share` quantile
    with the given confidence; None when not even the largest is. It is the same statement as
    `lower_bound(r, trials, confidence) >= share`, so a figure read off at this rank is inside a
    limit exactly when the bound on the probability of being inside meets `share`.

    References
    ----------
    .. [1] H. A. David and H. N. Nagaraja, Order Statistics, 3rd ed., Wiley, 2003, section 7.1
       (from memory).
    """
    if share <= 0.0:
        return 1
    if share >= 1.0 or lower_bound(trials, trials, confidence) < share:
        return None
    low, high = 0, trials
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if lower_bound(middle, trials, confidence) >= share else (middle, high)
    return high


def plain_rank(trials: int, share: float) -> int:
    """Return the rank of the sample quantile that is never too small: no value is interpolated."""
    # The small step back keeps 0.95 * 4000 at 3800 where binary rounding lands just above it.
    return min(trials, max(1, math.ceil(share * trials - 1e-9)))
