"""Differences between two runs over the same trials.

Trial t of both runs has the same luck, so most of what varies between trials cancels in the difference
(common random numbers). All of it is for a number of trials fixed beforehand.
"""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray
from driftgate.judge.bounds import plain_rank, wilson_interval
from driftgate.judge.paired_values import Difference
from driftgate.predict.values import BoolArray

# Sections of a run: enough for a spread to be estimated from, few enough that each holds a quantile.
SECTIONS = 10
# A section with fewer trials says nothing about an error that one run in twenty exceeds.
_FEWEST_IN_SECTION = 20
# Below this many expected discordant pairs the power is summed exactly, above it is normal.
_MOST_EXACT_PAIRS = 2000.0


def _checked(pairs: int, worse: int, better: int) -> None:
    if pairs < 1 or worse < 0 or better < 0 or worse + better > pairs:
        raise ModelError(f"of {pairs!r} pairs, {worse!r} and {better!r} cannot be discordant")


def discordant_p_value(worse: int, better: int) -> float:
    r"""Return the two-sided p-value of the exact test on discordant pairs.

    Parameters
    ----------
    worse, better : int
        Trials that succeed only before, and only now.

    Returns
    -------
    float
        Without a difference, a discordant pair falls either way with probability 1/2:
        :math:`2 P(\mathrm{Bin}(w + b, 1/2) \le \min(w, b))`, at most 1.

    Raises
    ------
    ModelError
        If a count is negative.

    References
    ----------
    .. [1] Q. McNemar, "Note on the sampling error of the difference between correlated proportions or
       percentages," Psychometrika 12, 1947, pp. 153-157; the exact binomial form of the test.

    Examples
    --------
    >>> discordant_p_value(6, 0)
    0.03125
    """
    _checked(max(1, worse + better), worse, better)
    if worse + better == 0:
        return 1.0
    from scipy.special import bdtr

    return min(1.0, 2.0 * float(bdtr(min(worse, better), worse + better, 0.5)))


def success_difference(both: int, worse: int, better: int, neither: int, confidence: float) -> Difference:
    r"""Return the difference of two success probabilities, now minus before, on paired trials.

    Parameters
    ----------
    both, worse, better, neither : int
        Trials that succeed in both runs, only before, only now, in neither.
    confidence : float
        Of the two-sided interval.

    Raises
    ------
    ModelError
        If a count is negative, all are zero, or `confidence` is not inside (0, 1).

    Notes
    -----
    Method 10 of [1]_: Wilson's limits of both probabilities, combined with their correlation
    :math:`\phi` from the two-by-two table, its numerator corrected for continuity towards zero where it
    is positive. :math:`\phi = 0` where a margin of the table is empty.

    References
    ----------
    .. [1] R. G. Newcombe, "Improved confidence intervals for the difference between binomial
       proportions based on paired data," Statist. Med. 17, 1998, pp. 2635-2650.
    """
    pairs = both + worse + better + neither
    _checked(pairs, worse, better)
    if min(both, neither) < 0 or not 0.0 < confidence < 1.0:
        raise ModelError(f"impossible table or confidence: {both!r}, {neither!r}, {confidence!r}")
    now, before = (both + better) / pairs, (both + worse) / pairs
    now_low, now_high = wilson_interval(both + better, pairs, confidence)
    before_low, before_high = wilson_interval(both + worse, pairs, confidence)
    phi = _phi(both, worse, better, neither)
    down = _combined(now - now_low, before_high - before, phi)
    up = _combined(now_high - now, before - before_low, phi)
    value = (better - worse) / pairs
    return Difference(value, value - down, value + up)


def _phi(both: int, worse: int, better: int, neither: int) -> float:
    margins = (both + worse) * (better + neither) * (both + better) * (worse + neither)
    if margins == 0:
        return 0.0
    product = float(both * neither - worse * better)
    if product > 0:
        product = max(0.0, product - 0.5 * (both + worse + better + neither))
    return float(product / math.sqrt(margins))


def _combined(a: float, b: float, phi: float) -> float:
    return math.sqrt(max(0.0, a * a - 2.0 * phi * a * b + b * b))


def smallest_visible_loss(
    pairs: int, worse: int, better: int, confidence: float, power: float = 0.9
) -> float | None:
    r"""Return the smallest loss of success probability that the test on discordant pairs would have seen.

    Parameters
    ----------
    pairs : int
        Trials that both runs have.
    worse, better : int
        Discordant pairs seen: succeeding only before, only now.
    confidence : float
        Of the two-sided test.
    power : float
        Probability with which the loss would have been seen.

    Returns
    -------
    float or None
        None when the trials are too few to see even the largest loss.

    Raises
    ------
    ModelError
        If a number is out of range.

    Notes
    -----
    The discordance that was seen, and one pair more since none seen is not none at all (our choice, after
    Laplace's rule), is taken to fall evenly either way, :math:`\gamma = (w + b + 1) / 2n`, and a loss
    :math:`\delta` to add to one side. With :math:`m \sim \mathrm{Bin}(n, 2\gamma + \delta)`
    discordant pairs, of which :math:`\mathrm{Bin}(m, (\gamma + \delta) / (2\gamma + \delta))` are
    losses, the power is the exact sum over :math:`m` [1]_ (from memory), or for many pairs
    :math:`\Phi\{(\delta\sqrt{n} - z\sqrt{\psi}) / \sqrt{\psi - \delta^2}\}` with
    :math:`\psi = 2\gamma + \delta` [2]_ (from memory); :math:`\delta` is found by bisection.

    References
    ----------
    .. [1] S. W. Duffy, "Asymptotic and exact power for the McNemar test and its analogue with R
       controls per case," Biometrics 40, 1984, pp. 1005-1015.
    .. [2] R. J. Connor, "Sample size for testing differences in proportions for the paired-sample
       design," Biometrics 43, 1987, pp. 207-211.
    """
    _checked(pairs, worse, better)
    if not (0.0 < confidence < 1.0 and 0.0 < power < 1.0):
        raise ModelError(f"confidence and power must be inside (0, 1), got {confidence!r}, {power!r}")
    background = 0.5 * min(worse + better + 1, pairs) / pairs
    low: float = 0.0
    high: float = 1.0 - 2.0 * background
    if high <= 0.0 or power_to_see(pairs, background, high, confidence) < power:
        return None
    while high - low > 1e-4 * high:
        middle = 0.5 * (low + high)
        seen = power_to_see(pairs, background, middle, confidence) >= power
        low, high = (low, middle) if seen else (middle, high)
    return high


def power_to_see(pairs: int, background: float, loss: float, confidence: float) -> float:
    """Return the probability that the test on discordant pairs sees a loss; see `smallest_visible_loss`.

    `background` is the probability of a discordant pair either way without the loss.
    """
    discordant = min(1.0, 2.0 * background + loss)
    if discordant <= 0.0:
        return 0.0
    if pairs * discordant > _MOST_EXACT_PAIRS:
        from scipy.special import ndtr, ndtri

        limit = float(ndtri(0.5 * (1.0 + confidence)))
        spread = math.sqrt(max(1e-300, discordant - loss * loss))
        return float(ndtr((loss * math.sqrt(pairs) - limit * math.sqrt(discordant)) / spread))
    return _exact_power(pairs, discordant, min(1.0, (background + loss) / discordant), 1.0 - confidence)


def _exact_power(pairs: int, discordant: float, loss_share: float, alpha: float) -> float:
    spread = math.sqrt(pairs * discordant * (1.0 - discordant))
    reach = 8.0 * spread + 8.0
    first = max(1, math.floor(pairs * discordant - reach))
    last = min(pairs, math.ceil(pairs * discordant + reach))
    count = np.arange(first, last + 1, dtype=float)
    seen = _at_least(_fewest_losses(count, alpha), count, loss_share)
    return float(np.sum(_binomial(count, pairs, discordant) * seen))


def _fewest_losses(count: FloatArray, alpha: float) -> FloatArray:
    """Return for each number of discordant pairs how many losses it takes to be significant."""
    # Half of the pairs never are; one more than all of them stands for "cannot be".
    low, high = np.floor(0.5 * count), count + 1.0
    while (high - low > 1.0).any():
        middle = np.floor(0.5 * (low + high))
        significant = 2.0 * _at_least(middle, count, 0.5) <= alpha
        low, high = np.where(significant, low, middle), np.where(significant, middle, high)
    return high


def _at_least(fewest: FloatArray, count: FloatArray, share: float) -> FloatArray:
    """Return P(X >= fewest) for X binomial; the incomplete beta function is its tail."""
    from scipy.special import betainc

    possible = (fewest >= 1.0) & (fewest <= count)
    a = np.where(possible, fewest, 1.0)
    b = np.where(possible, count - fewest + 1.0, 1.0)
    return np.where(possible, betainc(a, b, share), np.where(fewest < 1.0, 1.0, 0.0))


def _binomial(count: FloatArray, total: int, share: float) -> FloatArray:
    from scipy.special import gammaln, xlog1py, xlogy

    ways = gammaln(total + 1.0) - gammaln(count + 1.0) - gammaln(total - count + 1.0)
    chance: FloatArray = np.exp(ways + xlogy(count, share) + xlog1py(total - count, -share))
    return chance


def section_bounds(trials: int) -> list[tuple[int, int]]:
    """Return first trial and length of each section of a run; fewer sections than `SECTIONS` if short."""
    count = min(SECTIONS, trials)
    edges = [i * trials // count for i in range(count + 1)]
    return [(a, b - a) for a, b in itertools.pairwise(edges)]


def quantile(values: FloatArray, share: float) -> float:
    """Return the sample quantile that is never too small; no value is interpolated."""
    rank = plain_rank(values.shape[0], share)
    return float(np.partition(values, rank - 1)[rank - 1])


def quantile_difference(
    before: FloatArray, now: FloatArray, share: float, confidence: float
) -> Difference | None:
    r"""Return the difference of two quantiles, now minus before, on paired trials.

    Parameters
    ----------
    before, now : ndarray, shape (n,)
        Values in trial order.
    share : float
        Which quantile.
    confidence : float
        Of the two-sided interval.

    Returns
    -------
    Difference or None
        None when a quantile is not finite. Without an interval when the trials are too few.

    Notes
    -----
    Sectioning [1]_: the trials are cut into :math:`s` sections by number, each gives its own difference
    :math:`d_i`, and with that of all trials, :math:`d`, in the middle the interval is
    :math:`d \pm t_{s-1} \sqrt{\sum (d_i - d)^2 / (s (s - 1))}`. A section keeps its pairs together, so
    the interval is as narrow as the common luck makes the difference certain.

    It takes :math:`d` to be normal. Where hardly any trial errs by about as much as the quantile (few
    runs go wrong, and those go wrong by a lot), it is not: with one trial in twenty gone astray on
    both sides, apart from each other, sectioning alone shows a difference in 46 % of the runs where
    there is none, in place of 5 %. So the interval given also holds that of the sections' mean
    :math:`\bar d` (batching), whose differences need no more than to be alike and symmetrical: then it is
    4 to 5 %. Where the quantile is well behaved both agree and the interval is a tenth wider.

    References
    ----------
    .. [1] M. K. Nakayama, "Confidence intervals for quantiles using sectioning when applying
       variance-reduction techniques," ACM Trans. Model. Comput. Simul. 24(4), 2014, article 19.
    """
    middle = quantile(now, share) - quantile(before, share)
    if not math.isfinite(middle):
        return None
    if min(before.shape[0], now.shape[0]) < SECTIONS * _FEWEST_IN_SECTION:
        return Difference(middle, None, None)
    parts = [
        quantile(now[first : first + count], share) - quantile(before[first : first + count], share)
        for first, count in section_bounds(before.shape[0])
    ]
    return _sectioned(middle, np.array(parts), confidence)


def mean_difference(before: FloatArray, now: FloatArray, confidence: float) -> Difference:
    """Return the difference of two means, now minus before, from the means of paired sections.

    The interval is that of `quantile_difference`; sections of equal length are taken for granted.
    """
    parts = np.asarray(now - before, float)
    middle = float(parts.mean())
    if parts.shape[0] < SECTIONS:
        return Difference(middle, None, None)
    return _sectioned(middle, parts, confidence)


def _sectioned(middle: float, parts: NDArray[Any], confidence: float) -> Difference:
    from scipy.special import stdtrit

    count = parts.shape[0]
    if not np.isfinite(parts).all():
        return Difference(middle, None, None)
    limit = float(stdtrit(count - 1, 0.5 * (1.0 + confidence))) / math.sqrt(count * (count - 1))
    ends = []
    for centre in (middle, float(parts.mean())):
        half = limit * math.sqrt(float(((parts - centre) ** 2).sum()))
        ends += [centre - half, centre + half]
    return Difference(middle, min(ends), max(ends))


def smallest_visible_shift(found: Difference | None, confidence: float, power: float = 0.9) -> float | None:
    r"""Return the smallest shift that a sectioned interval would have shown to be one.

    :math:`(t_{s-1, (1+C)/2} + t_{s-1, power})` standard errors: the usual sum of the test's limit and the
    power's, with both from Student's distribution (common practice, no source). None without an interval,
    or with one of no width: sections that do not differ say nothing about what they would have shown.
    """
    if found is None or found.low is None or found.high is None or found.low == found.high:
        return None
    from scipy.special import stdtrit

    limit = float(stdtrit(SECTIONS - 1, 0.5 * (1.0 + confidence)))
    return 0.5 * (found.high - found.low) * (1.0 + float(stdtrit(SECTIONS - 1, power)) / limit)


def pair_counts(before: BoolArray, now: BoolArray) -> tuple[int, int, int, int]:
    """Return how many trials succeed in both runs, only before, only now, in neither."""
    return (
        int((before & now).sum()),
        int((before & ~now).sum()),
        int((~before & now).sum()),
        int((~before & ~now).sum()),
    )
