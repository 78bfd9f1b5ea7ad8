"""The two engines held against each other at every moment."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.judge.counted import counted_until, share_words
from driftgate.judge.ratio import error_on, limits_of
from driftgate.judge.values import Disagreement
from driftgate.predict.doubt import SOURCE as POORLY_KNOWN
from driftgate.predict.values import CovarianceResult, Moment, MomentTrials, TrialsResult
from driftgate.schema.routine import Tolerance

# A difference below this share of the tolerance changes no decision, however significant it is.
RELEVANT_SHARE = 0.03
# Trials that take so many more or fewer fixes than the plan run another filter.
_SCHEDULE_SHARE = 0.1
_FIELD_AXES = ("x", "y", "heading")


@dataclass(frozen=True)
class _Test:
    moment: int
    axis: str
    what: Literal["mean", "spread"]
    trials: float
    covariance: float
    tolerance: float
    p_value: float


def disagreements(
    moments: tuple[Moment, ...], covariance: CovarianceResult, trials: TrialsResult, alpha: float = 0.05
) -> tuple[Disagreement, ...]:
    """Return where the engines differ significantly and by more than 3 % of the tolerance.

    Parameters
    ----------
    moments : tuple of Moment
        The moments of the case.
    covariance, trials
        The two answers.
    alpha : float
        Chance of reporting any difference where there is none, over all moments and axes together.

    Notes
    -----
    Means are compared in standard errors of the trials' mean, spreads by the logarithm of the trials'
    variance over the other, in standard errors of it, sqrt((m4 - m2²) / n) / m2, which holds for any
    distribution with a fourth moment [1]_. (The variance's own distribution is skew, and its standard
    error is small where it is: with 100 trials and 60 comparisons the variances themselves would
    differ falsely in a quarter of the runs, their logarithms in a tenth, from 1024 trials on in 5 %.)
    The family's error rate is kept by Holm's procedure [2]_.

    References
    ----------
    .. [1] H. Cramér, Mathematical Methods of Statistics, Princeton, 1946, section 27.4 (from memory).
    .. [2] S. Holm, "A simple sequentially rejective multiple test procedure," Scand. J. Stat. 6,
       1979, pp. 65-70.
    """
    tests: list[_Test] = []
    for i, moment in enumerate(moments):
        tests += _tests_at(i, moment, covariance, trials.moments[i])
    significant = holm([test.p_value for test in tests], alpha)
    return tuple(
        Disagreement(
            moment=moments[test.moment].name,
            axis=test.axis,
            what=test.what,
            trials=test.trials,
            covariance=test.covariance,
            tolerance=test.tolerance,
            p_value=test.p_value,
            why=_why(test, moments[test.moment], covariance, trials),
        )
        for test, found in zip(tests, significant, strict=True)
        if found and abs(test.trials - test.covariance) > RELEVANT_SHARE * test.tolerance
    )


def holm(p_values: list[float], alpha: float) -> list[bool]:
    """Return which hypotheses Holm's step-down procedure rejects at family-wise error rate `alpha`."""
    rejected = [False] * len(p_values)
    for rank, i in enumerate(sorted(range(len(p_values)), key=lambda j: p_values[j])):
        if not p_values[i] <= alpha / (len(p_values) - rank):
            break
        rejected[i] = True
    return rejected


def _tests_at(index: int, moment: Moment, covariance: CovarianceResult, trials: MomentTrials) -> list[_Test]:
    predicted = covariance.moments[index]
    found: list[_Test] = []
    for i, axis in enumerate(_FIELD_AXES):
        size = tolerance_size(moment.within, axis)
        if size is None:
            continue
        error = error_on(axis, trials)
        error = error[np.isfinite(error)]
        if error.shape[0] < 2:
            continue
        mean, variance, mean_error, variance_error = _moments(error)
        cov_mean, cov_variance = float(predicted.mean[i]), max(0.0, float(predicted.cov[i, i]))
        found.append(
            _Test(index, axis, "mean", mean, cov_mean, size, _two_sided(mean - cov_mean, mean_error))
        )
        found.append(
            _Test(
                index,
                axis,
                "spread",
                math.sqrt(variance),
                math.sqrt(cov_variance),
                size,
                _of_variances(variance, cov_variance, variance_error),
            )
        )
    return found


def _moments(error: FloatArray) -> tuple[float, float, float, float]:
    """Return mean, variance and the standard error of each."""
    count = error.shape[0]
    mean = float(error.mean())
    squares = (error - mean) ** 2
    m2 = float(squares.mean())
    m4 = float((squares**2).mean())
    variance = m2 * count / (count - 1)
    return mean, variance, math.sqrt(variance / count), math.sqrt(max(0.0, m4 - m2 * m2) / count)


def _of_variances(variance: float, predicted: float, standard_error: float) -> float:
    """Return the two-sided p-value of a variance against the predicted one, by their logarithms."""
    if not (0.0 < variance < math.inf and 0.0 < predicted < math.inf):
        return _two_sided(variance - predicted, standard_error)
    return _two_sided(math.log(variance / predicted), standard_error / variance)


def _two_sided(difference: float, standard_error: float) -> float:
    """Return the two-sided normal p-value of a difference."""
    if not math.isfinite(difference):
        return 0.0
    if standard_error <= 0.0:
        return 1.0 if difference == 0.0 else 0.0
    return math.erfc(abs(difference) / standard_error / math.sqrt(2.0))


def tolerance_size(within: Tolerance, axis: str) -> float | None:
    """Return the size that a difference on a field axis is held against; None without a tolerance.

    The smallest limit of any linear axis for x and y, of the heading for the heading.
    """
    sizes = [
        abs(limit)
        for found in limits_of(within)
        if (found.axis == "heading") == (axis == "heading")
        for limit in (found.low, found.high)
        if limit
    ]
    return min(sizes, default=None)


def _why(test: _Test, moment: Moment, covariance: CovarianceResult, trials: TrialsResult) -> str:
    """Return which engine to believe and the likeliest reason, from what was counted on the way."""
    here = trials.moments[test.moment]
    touched = float(here.touched.mean())
    if touched > 0.0 and _agree_untouched(test, here):
        return (
            f"believe the trials: {share_words(touched, 2)} of them touch something, which the covariance "
            "engine does not see; the others agree"
        )
    counted = counted_until(trials, moment.step)
    reasons = []
    if counted.wrong_share > 0.001:
        reasons.append(
            f"{share_words(counted.wrong_share)} of the accepted readings came from a wrong surface"
        )
    if counted.gate_share > 0.005:
        reasons.append(f"the gate refuses {share_words(counted.gate_share)} of the readings it sees")
    if counted.no_echo_share > 0.02:
        reasons.append(f"{share_words(counted.no_echo_share)} of the readings tried bring no echo")
    scheduled = int(covariance.fixes[: moment.step + 1].sum())
    taken = counted.accepted / trials.trials
    if scheduled > 0 and abs(taken / scheduled - 1.0) > _SCHEDULE_SHARE:
        reasons.append(f"a trial takes {taken:.0f} fixes on average where the plan has {scheduled}")
    if moment.may_stray:
        reasons.append(f"'{moment.within.relative_to}', from which it is measured, may have strayed")
    acting = {source.name for source in covariance.sources}
    if "rare_slip" in acting:
        reasons.append("rare slips come in some trials and not in others")
    if POORLY_KNOWN in acting:
        reasons.append("spreads fitted from few runs are drawn anew in every trial")
    if not reasons:
        return "believe the trials: the errors are large enough that the motion is not linear in them"
    return "believe the trials: " + " and ".join(reasons[:2]) + ", which the covariance engine does not see"


def _agree_untouched(test: _Test, here: MomentTrials) -> bool:
    """Return whether the difference is gone in the trials that have not touched anything."""
    error = error_on(test.axis, here)[~here.touched]
    error = error[np.isfinite(error)]
    if error.shape[0] < 2:
        return False
    mean, variance, _, _ = _moments(error)
    found = mean if test.what == "mean" else math.sqrt(variance)
    return abs(found - test.covariance) <= RELEVANT_SHARE * test.tolerance
