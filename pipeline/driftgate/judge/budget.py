"""The error budget: how much each source makes of the variance at each moment, by both engines."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.judge.pickfreeze import InputShares, Share, pick_freeze
from driftgate.judge.ratio import AxisLimit, error_on, event_share, limits_of, shares_of, with_dependencies
from driftgate.judge.variance import Shift, mean_along, shift_of, variance_along
from driftgate.predict.values import (
    BoolArray,
    CovarianceResult,
    Moment,
    MomentTrials,
    SourceInfo,
    TrialsResult,
)

# Where errors are normal, the most extreme thousandth of the trials makes 1.3 % of the variance. From
# a tenth on a few trials decide what the shares are; of one source's part they may make up to half.
FEW_TRIALS = 0.1
FEW_TRIALS_OF_SOURCE = 0.5


@dataclass(frozen=True)
class MomentOutput:
    """What the budget needs of the trials at one moment; n trials, in trial order.

    Attributes
    ----------
    axes : dict
        Axis of the tolerance to its signed error, shape (n,); radial: both coordinates, (n, 2), whose
        variances add up. [m or rad]
    event : ndarray, shape (n,)
        Share of the tolerance that the joint event uses; at most 1 exactly where it succeeds.
    touched : ndarray of bool, shape (n,)
        Unintended contact has happened by then.
    """

    axes: dict[str, FloatArray]
    event: FloatArray
    touched: BoolArray

    @property
    def success(self) -> BoolArray:
        """Which trials succeed: inside, untouched, in time, and the checkpoints depended on too."""
        return self.event <= 1.0

    def first(self, count: int) -> MomentOutput:
        """Return the first trials alone."""
        return self.part(0, count)

    def part(self, begin: int, end: int) -> MomentOutput:
        """Return trials begin .. end - 1 alone."""
        axes = {axis: values[begin:end] for axis, values in self.axes.items()}
        return MomentOutput(axes, self.event[begin:end], self.touched[begin:end])


def outputs_of(
    moments: tuple[Moment, ...], trials: TrialsResult, time_limit_s: float
) -> tuple[MomentOutput, ...]:
    """Return what the budget needs of a run of trials, moment by moment."""
    shares = tuple(shares_of(m, t, time_limit_s) for m, t in zip(moments, trials.moments, strict=True))
    success = with_dependencies(moments, shares)
    return tuple(
        MomentOutput(
            {limit.axis: _values_on(limit.axis, found) for limit in limits_of(moment.within)},
            event_share(share.joint, ok),
            share.touched,
        )
        for moment, found, share, ok in zip(moments, trials.moments, shares, success, strict=True)
    )


def _values_on(axis: str, trials: MomentTrials) -> FloatArray:
    return trials.error[:, :2] if axis == "radial" else error_on(axis, trials)


def spread_of(values: FloatArray) -> float:
    """Return the standard deviation of an output; of several columns the root of their variances' sum."""
    return math.sqrt(float(np.sum(np.var(values, axis=0))))


@dataclass(frozen=True)
class SourceRow:
    """One error source along one axis at one moment.

    Attributes
    ----------
    source : SourceInfo
        The source.
    covariance_sd : float
        Standard deviation that it alone makes, by the covariance engine: the root of the sum of their
        squares is that of all. Zero for what that engine does not see. [m or rad]
    covariance_share : float
        Its share of the variance there; they add up to 1.
    trials : InputShares or None
        Its shares by trials; None where the error does not vary in them.
    off_sd : float
        What if it were switched off: the standard deviation, by trials. No share. [m or rad]
    off_success : float
        What if it were switched off: the probability of success at this moment.
    """

    source: SourceInfo
    covariance_sd: float
    covariance_share: float
    trials: InputShares | None
    off_sd: float
    off_success: float

    @property
    def few_trials(self) -> bool:
        """Whether a few trials make most of what it has a part in, so that the intervals are rough."""
        return self.trials is not None and self.trials.by_extremes > FEW_TRIALS_OF_SOURCE

    @property
    def size(self) -> float:
        """The largest of its shares, by which rows are ordered and small ones gathered."""
        found = (self.trials.first.value, self.trials.total.value) if self.trials is not None else ()
        return max(self.covariance_share, *found, 0.0)


@dataclass(frozen=True)
class AxisBudget:
    """The budget along one axis at one moment.

    Attributes
    ----------
    limit : AxisLimit
        The axis and its limits.
    covariance_mean, covariance_sd : float
        By the covariance engine; radial: size of the mean, root of the sum of both variances. [m or rad]
    trials_mean, trials_sd : float
        The same by trials. [m or rad]
    rows : tuple of SourceRow
        Largest first.
    interactions : Share or None
        What the trials' first-order shares leave over; with them it makes 1.
    by_extremes : float
        The share of their variance that the most extreme thousandth of the trials makes.
    shift : Shift or None
        The source whose mean is among the largest contributions, by the covariance engine.
    """

    limit: AxisLimit
    covariance_mean: float
    covariance_sd: float
    trials_mean: float
    trials_sd: float
    rows: tuple[SourceRow, ...]
    interactions: Share | None
    by_extremes: float
    shift: Shift | None = None

    @property
    def few_trials(self) -> bool:
        """Whether a few trials make most of the variance, so that its shares are rough."""
        return self.by_extremes > FEW_TRIALS


@dataclass(frozen=True)
class MomentBudget:
    """The budget at one moment: success by the trials of the budget, and one table per axis."""

    name: str
    step: int
    required: float
    success: float
    axes: tuple[AxisBudget, ...]


@dataclass(frozen=True)
class Redrawn:
    """The runs that a budget is made from; each a tuple of outputs, moment by moment.

    Attributes
    ----------
    plain : tuple of MomentOutput
        As drawn.
    all_redrawn : tuple of MomentOutput
        Every source from the second stream.
    one_redrawn : dict
        By source: that one alone from the second stream.
    off : dict
        By source: that one switched off, otherwise as drawn.
    """

    plain: tuple[MomentOutput, ...]
    all_redrawn: tuple[MomentOutput, ...]
    one_redrawn: Mapping[str, tuple[MomentOutput, ...]]
    off: Mapping[str, tuple[MomentOutput, ...]]


def budget_of(
    moments: tuple[Moment, ...], covariance: CovarianceResult, runs: Redrawn
) -> tuple[MomentBudget, ...]:
    """Return the error budget at every moment, along every axis of its tolerance.

    Parameters
    ----------
    moments : tuple of Moment
        The moments.
    covariance : CovarianceResult
        The covariance engine's answer: exact shares for its acceptance schedule and fixed gains.
    runs : Redrawn
        The trials engine's runs.
    """
    return tuple(
        MomentBudget(
            moment.name,
            moment.step,
            moment.required,
            float(runs.plain[i].success.mean()),
            tuple(_axis(i, moment, limit, covariance, runs) for limit in limits_of(moment.within)),
        )
        for i, moment in enumerate(moments)
    )


def _axis(
    i: int, moment: Moment, limit: AxisLimit, covariance: CovarianceResult, runs: Redrawn
) -> AxisBudget:
    axis, heading_rad, predicted = limit.axis, moment.pose[2], covariance.moments[i]
    total = variance_along(predicted.cov, axis, heading_rad)
    values = runs.plain[i].axes[axis]
    shares = pick_freeze(
        values,
        runs.all_redrawn[i].axes[axis],
        {name: run[i].axes[axis] for name, run in runs.one_redrawn.items()},
    )
    rows = []
    for source in covariance.sources:
        cov = predicted.by_source.get(source.name)
        variance = 0.0 if cov is None else max(0.0, variance_along(cov, axis, heading_rad))
        off = runs.off[source.name][i]
        rows.append(
            SourceRow(
                source=source,
                covariance_sd=math.sqrt(variance),
                covariance_share=variance / total if total > 0.0 else 0.0,
                trials=shares.inputs.get(source.name) if shares is not None else None,
                off_sd=spread_of(off.axes[axis]),
                off_success=float(off.success.mean()),
            )
        )
    rows.sort(key=lambda row: (-row.covariance_share, -row.size, row.source.name))
    return AxisBudget(
        limit=limit,
        covariance_mean=mean_along(predicted.mean, axis, heading_rad),
        covariance_sd=math.sqrt(max(0.0, total)),
        trials_mean=_mean_size(values),
        trials_sd=spread_of(values),
        rows=tuple(rows),
        interactions=shares.interactions if shares is not None else None,
        by_extremes=shares.by_extremes if shares is not None else 0.0,
        shift=shift_of(predicted, covariance.sources, axis, heading_rad),
    )


def _mean_size(values: FloatArray) -> float:
    mean = np.atleast_1d(values.mean(axis=0))
    return float(mean[0]) if mean.size == 1 else float(np.hypot(*mean))
