"""From distributions and tolerances to verdicts."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import cast

import numpy as np

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray
from driftgate.judge.agree import disagreements
from driftgate.judge.bounds import plain_rank
from driftgate.judge.ratio import AxisShare, MomentShares, event_share, worst_trials
from driftgate.judge.reason import DescribeStep, contact_reason, is_narrow, moment_reason, plain_step
from driftgate.judge.sampling import Decision, Sampling, Seen, decide, more_trials
from driftgate.judge.stopping import outcomes, seen_at
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
from driftgate.plan.values import IntArray
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
    looks: tuple[int, ...] = (),
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
    looks : tuple of int
        Numbers of trials at which a sequential run looked, rising, all trials the last; empty: the
        number of trials was fixed beforehand, which allows tighter, exact bounds.

    Returns
    -------
    CaseVerdict
        Verdicts, estimates, variance shares, reasons, and where the engines differ.

    Raises
    ------
    ModelError
        If the answers do not belong to the case, the looks are not those of its trials, or
        `confidence` or `tolerances` is out of range.
    """
    moments = prepared.moments
    if not len(moments) == len(trials.moments) == len(covariance.moments):
        raise ModelError("the engines' answers have other moments than the case")
    if looks and (looks[-1] != trials.trials or sorted({0, *looks}) != [0, *looks]):
        raise ModelError(f"looks must rise from above 0 to {trials.trials} trials, got {looks!r}")
    rule = Sampling(confidence, tolerances, sequential=bool(looks))
    taken = looks or (trials.trials,)
    shares, success = outcomes(prepared, trials)
    describe = describe_step or plain_step(prepared.plan)
    verdicts = []
    for i, moment in enumerate(moments):
        verdict = _judge_moment(moment, shares[i], success[i], rule, taken)
        found = variance_shares(covariance.moments[i], covariance.sources, verdict.binding, moment.pose[2])
        verdict = replace(verdict, variance=found)
        reason = moment_reason(prepared, covariance, trials, i, verdict, describe, dark)
        named = verdict.status != "pass" or is_narrow(verdict)
        worst = worst_trials(shares[i], success[i]) if named else ()
        verdicts.append(replace(verdict, reason=reason, worst=worst))
    touched = trials.touch_step >= 0
    contact = _judge_contact(prepared.case.routine.final.contact_allowed, touched, trials, rule, taken)
    points = np.zeros(trials.trials, np.int64)
    for moment, ok in zip(moments, success, strict=True):
        points += moment.points * ok
    by_size = np.sort(points)
    everything = np.all(success, axis=0) & ~touched
    return CaseVerdict(
        moments=tuple(verdicts),
        contact=replace(contact, reason=contact_reason(contact, describe, _more(contact, rule))),
        success=rule.estimate(seen_at(everything, taken)),
        expected_points=float(points.mean()),
        full_points=sum(moment.points for moment in moments),
        lost=int(trials.lost.sum()),
        disagreements=disagreements(moments, covariance, trials, 1.0 - confidence),
        points_10=int(_quantile(by_size, 0.10)),
        points_50=int(_quantile(by_size, 0.50)),
        points_90=int(_quantile(by_size, 0.90)),
        looks=looks,
    )


def _judge_moment(
    moment: Moment, shares: MomentShares, success: BoolArray, rule: Sampling, looks: tuple[int, ...]
) -> MomentVerdict:
    seen = seen_at(success, looks)
    found, estimate = decide(seen, moment.required, rule), rule.estimate(seen)
    ranks = _ranks(found, moment.required, rule)
    axes = tuple(_judge_axis(axis, ranks) for axis in shares.axes)
    used = _at_ranks(event_share(shares.joint, success), ranks)
    joint = np.sort(shares.joint)
    return MomentVerdict(
        name=moment.name,
        final=moment.final,
        step=moment.step,
        doc_path=moment.doc_path,
        required=moment.required,
        status=found.status,
        estimate=estimate,
        lower=found.lower,
        upper=found.upper,
        axes=axes,
        binding=_binding(shares.axes, ranks),
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
        note=_note(found, moment.required, estimate, rule),
        decided_at=found.at,
        error_used=_at_ranks(shares.joint, ranks),
    )


def _ranks(found: Decision, required: float, rule: Sampling) -> list[tuple[int, int]]:
    """Return (look, rank there) for every look whose trials can bound the quantile that is required."""
    ranks = ((look, rule.rank(look, required)) for look in found.looks)
    return [(look, rank) for look, rank in ranks if rank is not None]


def _judge_axis(axis: AxisShare, ranks: list[tuple[int, int]]) -> AxisVerdict:
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
        used=_at_ranks(axis.share, ranks),
        outside=int((axis.share > 1.0).sum()),
    )


def _quantile(ordered: FloatArray | IntArray, share: float) -> float:
    return float(ordered[plain_rank(ordered.shape[0], share) - 1])


def _at_ranks(values: FloatArray, ranks: list[tuple[int, int]]) -> float | None:
    """Return the smallest bound on a quantile that a look gives: a running intersection."""
    if not ranks:
        return None
    return min(float(np.partition(values[:look], rank - 1)[rank - 1]) for look, rank in ranks)


def _binding(axes: tuple[AxisShare, ...], ranks: list[tuple[int, int]]) -> str:
    """Return the axis that uses the most at the required probability; the first of equals."""

    def key(axis: AxisShare) -> tuple[float, float]:
        at = _at_ranks(axis.share, ranks)
        return float(axis.share.max()) if at is None else at, float(np.mean(np.minimum(axis.share, 1e6)))

    return max(axes, key=key).limit.axis if axes else "radial"


def _note(found: Decision, required: float, estimate: Estimate, rule: Sampling) -> str:
    if found.status != "undecided":
        return ""
    trials = estimate.trials
    best = rule.lower(Seen(trials, trials), rule.confidence)
    if required >= 1.0:
        return (
            f"100 % can never be shown by trials; {trials} trials without a failure show {_floor(best)}: "
            "ask for less than 100 %"
        )
    if best < required:
        return (
            f"{trials} trials are too few to show this even if none fails: "
            f"at least {rule.needed_trials(required)} are needed"
        )
    side = "above" if estimate.probability >= required else "below"
    more = more_trials(Seen(estimate.successes, trials), required, rule)
    return f"the estimate is {side} what is required, but {trials} trials leave it open: {more}"


def _more(contact: ContactVerdict, rule: Sampling) -> str:
    """Return what to do about contact that is open."""
    if contact.status != "undecided":
        return ""
    seen = contact.estimate
    return more_trials(Seen(seen.trials - seen.successes, seen.trials), 1.0 - contact.allowed, rule)


def _floor(probability: float) -> str:
    """Return a probability as a percentage, rounded down."""
    return f"{np.floor(probability * 1e6) / 1e4:.10g} %"


def _judge_contact(
    allowed: float, touched: BoolArray, trials: TrialsResult, rule: Sampling, looks: tuple[int, ...]
) -> ContactVerdict:
    seen = seen_at(touched, looks)
    estimate, places = rule.estimate(seen), touch_places(trials)
    if allowed > 0.0:
        found = decide(seen_at(~touched, looks), 1.0 - allowed, rule)
        # Rounding in the complement must not contradict the verdict.
        upper, lower = 1.0 - found.lower, 1.0 - found.upper
        upper = min(upper, allowed) if found.status == "pass" else max(upper, math.nextafter(allowed, 1.0))
        lower = max(lower, math.nextafter(allowed, 1.0)) if found.status == "fail" else min(lower, allowed)
        return ContactVerdict(found.status, allowed, estimate, lower, upper, places)
    # One trial that touches shows that the probability is not zero. None does not show that it is:
    # the upper bound says how much could have gone unseen.
    status: Status = "fail" if estimate.successes else "pass"
    upper = min(rule.upper(look, rule.confidence) for look in seen)
    lower = max(rule.lower(look, rule.fail_confidence) for look in seen)
    return ContactVerdict(status, allowed, estimate, lower, upper, places)


def touch_places(trials: TrialsResult) -> tuple[TouchPlace, ...]:
    """Return where trials touch first, most frequent first."""
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
