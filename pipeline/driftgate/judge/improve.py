"""What a changed case gains over the case as it is, on the same luck."""

from __future__ import annotations

import math
from dataclasses import dataclass

from driftgate.judge.bounds import bounding_rank, plain_rank
from driftgate.judge.budget import MomentOutput
from driftgate.judge.paired import pair_counts, quantile, quantile_difference, success_difference
from driftgate.judge.paired_values import Difference
from driftgate.predict.values import Moment


@dataclass(frozen=True)
class Improvement:
    """What one change would do for one tolerance, each number from a run of the changed case.

    Attributes
    ----------
    change : str
        The change, in plain words.
    moment : str
        The tolerance that it is measured on: the tightest of the case as it is.
    margin_before, margin_now : float
        Margin there; minus infinity when too many trials fail for a reason that is no distance.
    gain : Difference or None
        Of the margin, with its paired interval; None where a margin is infinite.
    success_before, success_now : float
        Share of the trials that succeed there.
    success : Difference
        Their difference, with its paired interval.
    tightest_now : str
        The tolerance that is the tightest after the change.
    tightest_margin : float
        Its margin.
    """

    change: str
    moment: str
    margin_before: float
    margin_now: float
    gain: Difference | None
    success_before: float
    success_now: float
    success: Difference
    tightest_now: str
    tightest_margin: float

    @property
    def order(self) -> tuple[float, float, str]:
        """Sort key: the most margin first, then the most success."""
        gained = self.gain.value if self.gain is not None else self.margin_now - self.margin_before
        # Two infinite margins differ by nothing that could be said.
        return (-gained if not math.isnan(gained) else 0.0, -self.success.value, self.change)


def rank_share(trials: int, required: float, confidence: float) -> float:
    """Return which quantile of the used shares the margin is taken from, as verdicts take it.

    Where the trials are too few for a bound it is the plain one at the required probability.
    """
    rank = bounding_rank(trials, required, confidence)
    return (plain_rank(trials, required) if rank is None else rank) / trials


def margin_of(moment: Moment, output: MomentOutput, confidence: float) -> float:
    """Return the margin at a moment: one minus the share of the tolerance used, as in its verdict."""
    share = rank_share(output.event.shape[0], moment.required, confidence)
    return 1.0 - quantile(output.event, share)


def tightest(
    moments: tuple[Moment, ...], outputs: tuple[MomentOutput, ...], confidence: float
) -> tuple[int, float]:
    """Return which moment has the least margin, and that margin; the first of equals."""
    margins = [margin_of(m, o, confidence) for m, o in zip(moments, outputs, strict=True)]
    found = min(range(len(margins)), key=lambda i: margins[i])
    return found, margins[found]


def improvement(
    change: str,
    moments: tuple[Moment, ...],
    before: tuple[MomentOutput, ...],
    now: tuple[MomentOutput, ...],
    confidence: float,
) -> Improvement:
    """Return what a change does for the tightest tolerance of the case as it is.

    Parameters
    ----------
    change : str
        In plain words.
    moments : tuple of Moment
        The moments, the same before and now.
    before, now : tuple of MomentOutput
        Outputs of the same trials without and with the change.
    confidence : float
        Of the margins, as in the verdicts, and of the two-sided intervals.
    """
    i, margin = tightest(moments, before, confidence)
    moment, old, new = moments[i], before[i], now[i]
    share = rank_share(old.event.shape[0], moment.required, confidence)
    used = quantile_difference(old.event, new.event, share, confidence)
    after, least = tightest(moments, now, confidence)
    return Improvement(
        change=change,
        moment=moment.name,
        margin_before=margin,
        margin_now=margin_of(moment, new, confidence),
        gain=None if used is None else _negated(used),
        success_before=float(old.success.mean()),
        success_now=float(new.success.mean()),
        success=success_difference(*pair_counts(old.success, new.success), confidence),
        tightest_now=moments[after].name,
        tightest_margin=least,
    )


def _negated(found: Difference) -> Difference:
    if found.low is None or found.high is None:
        return Difference(-found.value, None, None)
    return Difference(-found.value, -found.high, -found.low)
