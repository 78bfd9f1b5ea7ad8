"""From what trials came to, to the cell of a night."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.judge.night import CONTACT, Counted
from driftgate.judge.outcomes import MomentOutcomes, Outcomes
from driftgate.judge.rare import RareSample, rare_bounds, rare_used
from driftgate.judge.ratio import event_share
from driftgate.judge.sampling import Sampling, Seen, decide
from driftgate.judge.values import Status
from driftgate.predict.values import Moment

# What tells early that a spread has grown (our choice).
HALF = 0.5
# An outright failure uses more than any tolerance: so much counts for a mean.
_OUTRIGHT = 10.0


def counted(
    moments: tuple[Moment, ...], run: Outcomes, contact_allowed: float, rule: Sampling
) -> tuple[Counted, ...]:
    """Return every tolerance of a run, contact last.

    Parameters
    ----------
    moments : tuple of Moment
        With what is required.
    run : Outcomes
        What the trials came to.
    contact_allowed : float
        Probability of unintended contact that the routine allows.
    rule : Sampling
        Which bounds hold, at which confidence, shared among how many tolerances.
    """
    found = [_moment(moment, seen, rule) for moment, seen in zip(moments, run.moments, strict=True)]
    return (*found, _contact(run, contact_allowed, rule))


def _moment(moment: Moment, seen: MomentOutcomes, rule: Sampling) -> Counted:
    trials, successes = len(seen.success), int(seen.success.sum())
    decision = decide((Seen(successes, trials),), moment.required, rule)
    used = event_share(seen.used, seen.success)
    rank = rule.rank(trials, moment.required)
    at = None if rank is None else float(np.partition(used, rank - 1)[rank - 1])
    return Counted(
        name=moment.name,
        required=moment.required,
        trials=trials,
        successes=successes,
        half=int((used <= HALF).sum()),
        status=decision.status,
        lower=decision.lower,
        upper=decision.upper,
        used=at if at is not None and np.isfinite(at) else None,
        axis=_tightest(seen, rank),
    )


def _tightest(seen: MomentOutcomes, rank: int | None) -> str:
    def key(share: FloatArray) -> float:
        return float(share.max() if rank is None else np.partition(share, rank - 1)[rank - 1])

    axes = [(key(axis.share), -i, axis.limit.axis) for i, axis in enumerate(seen.axes)]
    return max(axes)[2] if axes else ""


def _contact(run: Outcomes, allowed: float, rule: Sampling) -> Counted:
    """Return contact as a tolerance: where none is allowed one touch fails, and none passes."""
    trials, clear = run.trials, int(run.untouched.sum())
    seen, required = Seen(clear, trials), 1.0 - allowed
    status: Status
    if allowed > 0.0:
        decision = decide((seen,), required, rule)
        status, lower, upper = decision.status, decision.lower, decision.upper
    else:
        status = "pass" if clear == trials else "fail"
        lower, upper = rule.lower(seen, rule.confidence), rule.upper(seen, rule.fail_confidence)
    return Counted(CONTACT, required, trials, clear, clear, status, lower, upper, None, "")


def decided_by_weights(
    one: Counted, sample: RareSample, status: Status, largest: float, rule: Sampling
) -> Counted:
    """Return a tolerance with what tilted, weighted trials say of a requirement too high for plain ones.

    Its counts stay those of the plain trials: nights are compared by them.

    Parameters
    ----------
    one : Counted
        From plain trials. Where a touch among them fails it, it stays as it is.
    sample : RareSample
        All tilted trials up to the look that decided, or up to the last one.
    status : {"pass", "fail", "undecided"}
        As reached.
    largest : float
        Largest weight that a trial can have.
    rule : Sampling
        Confidence, and over how many tolerances the chance of calling a failure is shared out.
    """
    if one.required >= 1.0:
        # Where no contact is allowed, one touch of either kind fails.
        return one if one.status == "fail" else replace(one, status=status)
    lower, upper = rare_bounds(sample, one.required, status, largest, rule)
    used = None if one.name == CONTACT else rare_used(sample, one.required, largest, rule)
    return replace(one, status=status, lower=lower, upper=upper, used=used)


def points_of(moments: tuple[Moment, ...], run: Outcomes) -> float:
    """Return the expected points of a run."""
    return float(sum(m.points * seen.success.mean() for m, seen in zip(moments, run.moments, strict=True)))


def hurt(run: Outcomes) -> FloatArray:
    """Return how badly each trial ends, shape (n,): the share of a tolerance used, all moments together.

    A failure for no matter of distance counts as ten tolerances, so that it is worse than a near miss.
    """
    worst = np.zeros(run.trials)
    for seen in run.moments:
        worst = np.maximum(worst, np.minimum(event_share(seen.used, seen.success), _OUTRIGHT))
    return np.where(run.untouched, worst, _OUTRIGHT)
