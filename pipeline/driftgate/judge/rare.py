"""Verdicts on requirements so high that plain trials hardly ever fail: from tilted, weighted trials.

The trials of `driftgate.predict.tilt` fail often and count little each; the failure probability is the
mean of weight times failed, and its bounds are those of bounded means (`driftgate.judge.weighted`),
which hold at every look. Even so nothing can be shown with fewer trials than it takes to see that
failures are as rare as required where nobody expects them: about 4.6 / (1 - required) at 95 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.judge.ratio import event_share, limits_of
from driftgate.judge.sampling import FULL_BATCH, Sampling
from driftgate.judge.stopping import outcomes
from driftgate.judge.values import Estimate, MomentVerdict, PreparedCase, RareTrials, Status
from driftgate.judge.variance import mean_along, variance_along
from driftgate.judge.weighted import (
    fewest_weighted_trials,
    log_evidence_above,
    log_evidence_below,
    weighted_lower_bound,
    weighted_upper_bound,
)
from driftgate.predict.tilt import WayToFail
from driftgate.predict.values import BoolArray, CovarianceResult, TrialsResult

# No run is asked for more tilted trials than this, unless for more trials of any kind.
_MOST = 1_000_000
# Close calls take a few times what a case without failures takes.
_TIMES_FEWEST = 8
_FEW = 131_072


# Stands for contact among the indices of moments.
CONTACT = -1


@dataclass(frozen=True)
class RareSample:
    """How much of its tolerance each tilted trial uses at one moment, and what it counts; shape (n,).

    `share` is of the joint event, beyond any tolerance where a trial fails although its pose is inside;
    `error` is of the pose alone, `late` says which are past the time limit; None where that is not of
    interest.
    """

    share: FloatArray
    weight: FloatArray
    error: FloatArray | None = None
    late: BoolArray | None = None

    def failing(self) -> FloatArray:
        """Return the weights of the trials that fail."""
        return self.weight[self.share > 1.0]


def join_samples(parts: Sequence[RareSample]) -> RareSample:
    """Return samples of several ranges of trials as one."""
    errors = [p.error for p in parts if p.error is not None]
    late = [p.late for p in parts if p.late is not None]
    return RareSample(
        np.concatenate([p.share for p in parts]),
        np.concatenate([p.weight for p in parts]),
        np.concatenate(errors) if len(errors) == len(parts) else None,
        np.concatenate(late) if len(late) == len(parts) else None,
    )


def rare_moments(prepared: PreparedCase, rule: Sampling) -> tuple[int, ...]:
    """Return the moments that are decided by tilted trials: none where the number of trials is fixed.

    `CONTACT` stands among them, the last, where tilted trials decide it: where as little as that is
    allowed, or none, and they are taken anyway.
    """
    found = tuple(i for i, moment in enumerate(prepared.moments) if rule.leaves(moment.required))
    allowed = prepared.case.routine.final.contact_allowed
    contact = rule.leaves(1.0 - allowed) if allowed > 0.0 else bool(found)
    return (*found, CONTACT) if contact else found


def rare_required(prepared: PreparedCase, which: Sequence[int]) -> list[float]:
    """Return what is required of some moments and of contact; nothing can be where none is allowed."""
    allowed = prepared.case.routine.final.contact_allowed
    required = [prepared.moments[i].required for i in which if i != CONTACT]
    return [*required, 1.0 - allowed] if CONTACT in which and allowed > 0.0 else required


def ways_to_fail(
    prepared: PreparedCase, covariance: CovarianceResult, which: Sequence[int]
) -> list[WayToFail]:
    """Return every limit of some moments' tolerances in the linear model."""
    found = []
    for i in which:
        if i == CONTACT:
            continue  # what it strikes is no limit of an error
        moment, linear = prepared.moments[i], covariance.moments[i]
        heading = moment.pose[2]
        for limit in limits_of(moment.within):
            # Radially, one looks both ways along both axes of the field.
            axes = ("x", "y") if limit.axis == "radial" else (limit.axis,)
            low = -limit.high if limit.axis == "radial" and limit.high is not None else limit.low
            for axis in axes:
                sd = math.sqrt(max(variance_along(linear.cov, axis, heading), 0.0))
                columns = np.array([mean_along(c, axis, heading) for c in linear.columns.T])
                if sd > 0.0 and columns.any():
                    mean = mean_along(linear.mean, axis, heading)
                    found += [
                        WayToFail(columns, sd, side - mean) for side in (low, limit.high) if side is not None
                    ]
    return found


def rare_samples(
    prepared: PreparedCase, trials: TrialsResult, which: Sequence[int]
) -> tuple[RareSample, ...]:
    """Return what tilted trials give at some moments; of contact all or nothing is used."""
    shares, success = outcomes(prepared, trials)
    weight = np.ones(trials.trials) if trials.weight is None else trials.weight
    touched = np.where(trials.touch_step >= 0, np.inf, 0.0)
    return tuple(
        RareSample(touched, weight)
        if i == CONTACT
        else RareSample(event_share(shares[i].joint, success[i]), weight, shares[i].joint, shares[i].late)
        for i in which
    )


def rare_looks(required: Sequence[float], largest: float, rule: Sampling, most_trials: int) -> list[int]:
    """Return the numbers of tilted trials at which to look, full batches that double, the most last."""
    fewest = max(fewest_weighted_trials(1.0 - r, largest, rule.confidence) for r in required)
    # Out of reach: only a clear failure can be seen, and that takes few.
    most = max(min(_TIMES_FEWEST * fewest, _MOST if fewest <= _MOST else _FEW), most_trials)
    looks = [FULL_BATCH]
    while looks[-1] < most:
        looks.append(min(2 * looks[-1], most))
    # Nothing passes before this; a look there ends clear cases as soon as can be.
    if looks[0] < fewest <= most:
        looks.append(-(-fewest // FULL_BATCH) * FULL_BATCH)
    return sorted({min(look, most) for look in looks})


def rare_status(sample: RareSample, required: float, largest: float, rule: Sampling) -> Status:
    """Return what a look at tilted trials says by itself."""
    values, n, mean = sample.failing() / largest, len(sample.share), (1.0 - required) / largest
    if log_evidence_below(values, n, mean) >= -math.log(1.0 - rule.confidence):
        return "pass"
    if len(values) and log_evidence_above(values, n, mean) >= -math.log(1.0 - rule.fail_confidence):
        return "fail"
    return "undecided"


def rare_verdict(
    plain: MomentVerdict, sample: RareSample, status: Status, largest: float, rule: Sampling
) -> MomentVerdict:
    """Return a moment's verdict with what tilted trials say in place of what plain ones say.

    Parameters
    ----------
    plain : MomentVerdict
        From plain trials: quantiles, axes and counts stay as they are.
    sample : RareSample
        All tilted trials up to the look at which the status was reached, or up to the last one.
    status : {"pass", "fail", "undecided"}
        As reached.
    largest : float
        Largest weight that a trial can have.
    rule : Sampling
        Confidence, and over how many tolerances the chance of calling a failure is shared out.
    """
    failing, n, required = sample.failing(), len(sample.share), plain.required
    share = min(float(failing.sum()) / n, 1.0)
    two_sided = 0.5 * (1.0 + rule.confidence)
    low = 1.0 - min(weighted_upper_bound(failing, n, largest, two_sided), 1.0)
    high = 1.0 - weighted_lower_bound(failing, n, largest, two_sided)
    lower, upper = rare_bounds(sample, required, status, largest, rule)
    used = rare_used(sample, required, largest, rule)
    error = sample.share if sample.error is None else sample.error
    fails = sample.share > 1.0
    otherwise = sample.weight[fails & (error <= 1.0)]
    late = sample.weight[fails & sample.late] if sample.late is not None else sample.weight[:0]
    return replace(
        plain,
        status=status,
        estimate=Estimate(n - len(failing), n, 1.0 - share, min(low, 1.0 - share), max(high, 1.0 - share)),
        lower=lower,
        upper=upper,
        used=used,
        margin=None if used is None else 1.0 - used,
        decided_at=None if status == "undecided" else n,
        note=_note(status, required, n, largest, rule),
        tilted=RareTrials(
            n,
            len(failing),
            share,
            min(float(otherwise.sum()) / n, share),
            min(float(late.sum()) / n, share),
        ),
        error_used=rare_used(replace(sample, share=error), required, largest, rule),
    )


def rare_bounds(
    sample: RareSample, required: float, status: Status, largest: float, rule: Sampling
) -> tuple[float, float]:
    """Return one-sided bounds of the probability of success; arguments as for `rare_verdict`."""
    failing, n = sample.failing(), len(sample.share)
    lower = 1.0 - min(weighted_upper_bound(failing, n, largest, rule.confidence), 1.0)
    upper = 1.0 - weighted_lower_bound(failing, n, largest, rule.fail_confidence)
    below = math.nextafter(required, 0.0)
    # A bound is found to the last bit only: the test itself says on which side it lies.
    return (
        max(lower, required) if status == "pass" else min(lower, below),
        min(upper, below) if status == "fail" else max(upper, required),
    )


def rare_used(sample: RareSample, required: float, largest: float, rule: Sampling) -> float | None:
    """Return the smallest limit, in tolerances, that the trials show to be kept as often as required."""
    order = np.argsort(-sample.share, kind="stable")
    share, values = sample.share[order], sample.weight[order] / largest
    n, mean, limit = len(share), (1.0 - required) / largest, -math.log(1.0 - rule.confidence)
    if log_evidence_below(values[:0], n, mean) < limit:
        return None
    low, high = 0, n
    # The most trials beyond a limit that still show what is required: fewer show it all the more.
    while high - low > 1:
        middle = (low + high) // 2
        if log_evidence_below(values[:middle], n, mean) >= limit:
            low = middle
        else:
            high = middle
    return float(share[low]) if low < n else 0.0


def _note(status: Status, required: float, trials: int, largest: float, rule: Sampling) -> str:
    if status != "undecided":
        return ""
    fewest = fewest_weighted_trials(1.0 - required, largest, rule.confidence)
    if trials < fewest:
        return (
            f"{trials} weighted trials are too few to show this even if none fails: "
            f"at least {fewest} are needed (--trials {fewest})"
        )
    return f"{trials} weighted trials leave it open: run more trials"
