"""From distributions and tolerances to verdicts."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import numpy as np

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray
from driftgate.judge.agree import disagreements
from driftgate.judge.bounds import (
    bounding_rank,
    interval,
    lower_bound,
    needed_trials,
    plain_rank,
    upper_bound,
)
from driftgate.judge.ratio import AxisShare, MomentShares, event_share, shares_of, with_dependencies
from driftgate.judge.reason import DescribeStep, contact_reason, moment_reason, plain_step
from driftgate.judge.values import (
    AxisVerdict,
    CaseVerdict,
    ContactVerdict,
    Estimate,
    MomentVerdict,
    PreparedCase,
    Status,
    TouchPlace,
)
from driftgate.judge.variance import variance_shares
from driftgate.predict.values import BoolArray, CovarianceResult, Moment, TrialsResult
from driftgate.sight.values import DarkInterval


def judge_case(
    prepared: PreparedCase,
    covariance: CovarianceResult,
    trials: TrialsResult,
    confidence: float = 0.95,
    tolerances: int = 1,
    describe_step: DescribeStep | None = None,
    dark: tuple[DarkInterval, ...] = (),
) -> CaseVerdict:
    """Return the verdicts on one case.

    Parameters
    ----------
    prepared : PreparedCase
        The case with its plan and moments.
    covariance : CovarianceResult
        The covariance engine's answer.
    trials : TrialsResult
        The trials engine's answer.
    confidence : float
        Of every verdict and interval; it covers sampling, not the model.
    tolerances : int
        How many tolerances the whole run judges. Failing is judged at the error rate shared out
        over them (Bonferroni 1936), or false alarms add up; passing needs no such correction,
        because the run passes only if all pass.
    describe_step : callable, optional
        Words for a planned step's index, with its line; without it, the step's label.
    dark : tuple of DarkInterval
        When no sensor can give a fix, for the reasons.

    Returns
    -------
    CaseVerdict
        Verdicts, estimates, variance shares, reasons, and where the engines differ.

    Raises
    ------
    ModelError
        If the answers do not belong to the case, or `confidence` or `tolerances` is out of range.
    """
    if not 0.0 < confidence < 1.0:
        raise ModelError(f"confidence must be inside (0, 1), got {confidence!r}")
    if tolerances < 1:
        raise ModelError(f"tolerances must be at least 1, got {tolerances!r}")
    moments = prepared.moments
    if not len(moments) == len(trials.moments) == len(covariance.moments):
        raise ModelError("the engines' answers have other moments than the case")
    fail_confidence = 1.0 - (1.0 - confidence) / tolerances
    time_limit_s = prepared.case.routine.time_limit
    shares = tuple(shares_of(m, t, time_limit_s) for m, t in zip(moments, trials.moments, strict=True))
    success = with_dependencies(moments, shares)
    describe = describe_step or plain_step(prepared.plan)
    verdicts = []
    for i, moment in enumerate(moments):
        verdict = _judge_moment(moment, shares[i], success[i], confidence, fail_confidence)
        found = variance_shares(covariance.moments[i], covariance.sources, verdict.binding, moment.pose[2])
        verdict = replace(verdict, variance=found)
        reason = moment_reason(prepared, covariance, trials, i, verdict, describe, dark)
        verdicts.append(replace(verdict, reason=reason))
    touched = trials.touch_step >= 0
    contact = _judge_contact(
        prepared.case.routine.final.contact_allowed, touched, trials, confidence, fail_confidence
    )
    points = np.zeros(trials.trials)
    for moment, ok in zip(moments, success, strict=True):
        points += moment.points * ok
    everything = np.all(success, axis=0) & ~touched
    return CaseVerdict(
        moments=tuple(verdicts),
        contact=replace(contact, reason=contact_reason(contact, describe)),
        success=_estimate(everything, confidence),
        expected_points=float(points.mean()),
        full_points=sum(moment.points for moment in moments),
        lost=int(trials.lost.sum()),
        disagreements=disagreements(moments, covariance, trials, 1.0 - confidence),
    )


def _estimate(happened: BoolArray, confidence: float) -> Estimate:
    count, total = int(happened.sum()), int(happened.shape[0])
    low, high = interval(count, total, confidence)
    return Estimate(count, total, count / total, low, high)


def decide(
    successes: int, trials: int, required: float, confidence: float, fail_confidence: float
) -> tuple[Status, float, float]:
    """Return (status, lower, upper): pass when lower >= required, fail when upper < required."""
    lower = lower_bound(successes, trials, confidence)
    upper = upper_bound(successes, trials, fail_confidence)
    if lower >= required:
        return "pass", lower, upper
    if upper < required:
        return "fail", lower, upper
    return "undecided", lower, upper


def _judge_moment(
    moment: Moment, shares: MomentShares, success: BoolArray, confidence: float, fail_confidence: float
) -> MomentVerdict:
    total = int(success.shape[0])
    estimate = _estimate(success, confidence)
    status, lower, upper = decide(estimate.successes, total, moment.required, confidence, fail_confidence)
    rank = bounding_rank(total, moment.required, confidence)
    axes = tuple(_judge_axis(axis, rank) for axis in shares.axes)
    used = _at_rank(event_share(shares.joint, success), rank)
    joint = np.sort(shares.joint)
    return MomentVerdict(
        name=moment.name,
        final=moment.final,
        step=moment.step,
        doc_path=moment.doc_path,
        required=moment.required,
        status=status,
        estimate=estimate,
        lower=lower,
        upper=upper,
        axes=axes,
        binding=_binding(shares.axes, rank),
        used=used,
        used_50=_quantile(joint, 0.50),
        used_95=_quantile(joint, 0.95),
        used_99=_quantile(joint, 0.99),
        margin=None if used is None else 1.0 - used,
        outside=int((shares.joint > 1.0).sum()),
        touched=int(shares.touched.sum()),
        late=int(shares.late.sum()),
        missed_before=int((shares.own & ~success).sum()),
        points=moment.points,
        variance=None,
        note=_note(status, moment.required, total, estimate, confidence),
    )


def _judge_axis(axis: AxisShare, rank: int | None) -> AxisVerdict:
    size = np.sort(np.abs(axis.error))
    return AxisVerdict(
        axis=axis.limit.axis,
        low=axis.limit.low,
        high=axis.limit.high,
        mean=float(axis.error.mean()),
        sd=float(axis.error.std(ddof=1)) if axis.error.shape[0] > 1 else 0.0,
        abs_50=_quantile(size, 0.50),
        abs_95=_quantile(size, 0.95),
        abs_99=_quantile(size, 0.99),
        used=_at_rank(axis.share, rank),
        outside=int((axis.share > 1.0).sum()),
    )


def _quantile(ordered: FloatArray, share: float) -> float:
    return float(ordered[plain_rank(ordered.shape[0], share) - 1])


def _at_rank(values: FloatArray, rank: int | None) -> float | None:
    return None if rank is None else float(np.partition(values, rank - 1)[rank - 1])


def _binding(axes: tuple[AxisShare, ...], rank: int | None) -> str:
    """Return the axis that uses the most at the required probability; the first of equals."""

    def key(axis: AxisShare) -> tuple[float, float]:
        ordered = np.sort(axis.share)
        at = ordered.shape[0] if rank is None else rank
        return float(ordered[at - 1]), float(np.mean(np.minimum(axis.share, 1e6)))

    return max(axes, key=key).limit.axis if axes else "radial"


def _note(status: Status, required: float, trials: int, estimate: Estimate, confidence: float) -> str:
    if status != "undecided":
        return ""
    best = lower_bound(trials, trials, confidence)
    if required >= 1.0:
        return (
            f"100 % can never be shown by trials; {trials} trials without a failure show {_floor(best)}: "
            "ask for less than 100 %"
        )
    if best < required:
        return (
            f"{trials} trials are too few to show this even if none fails: "
            f"at least {needed_trials(required, confidence)} are needed"
        )
    side = "above" if estimate.probability >= required else "below"
    return f"the estimate is {side} what is required, but {trials} trials leave it open: run more trials"


def _floor(probability: float) -> str:
    """Return a probability as a percentage, rounded down."""
    return f"{np.floor(probability * 1e6) / 1e4:.10g} %"


def _judge_contact(
    allowed: float, touched: BoolArray, trials: TrialsResult, confidence: float, fail_confidence: float
) -> ContactVerdict:
    estimate = _estimate(touched, confidence)
    count, total = estimate.successes, estimate.trials
    upper, lower = upper_bound(count, total, confidence), lower_bound(count, total, fail_confidence)
    status: Status
    if allowed <= 0.0:
        # One trial that touches shows that the probability is not zero. None does not show that it
        # is: the upper bound says how much could have gone unseen.
        status = "fail" if count else "pass"
    else:
        status = "pass" if upper <= allowed else "fail" if lower > allowed else "undecided"
    return ContactVerdict(status, allowed, estimate, lower, upper, _places(trials))


def _places(trials: TrialsResult) -> tuple[TouchPlace, ...]:
    hit = trials.touch_step >= 0
    if not hit.any():
        return ()
    pairs = np.stack([trials.touch_step[hit], trials.touch_obstacle[hit]], axis=1)
    found, counts = np.unique(pairs, axis=0, return_counts=True)
    places = [
        TouchPlace(trials.obstacles[obstacle] if obstacle >= 0 else "something", int(step), int(count))
        for (step, obstacle), count in zip(cast("list[tuple[int, int]]", found.tolist()), counts, strict=True)
    ]
    return tuple(sorted(places, key=lambda place: (-place.trials, place.step, place.obstacle)))
