"""The error along the plan and single trials, as pictures show them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray, wrap_angles
from driftgate.judge.along import distance_quantile, sample_quantile, size_quantile
from driftgate.judge.causes import CauseFinder
from driftgate.judge.ratio import limits_of
from driftgate.judge.values import CaseVerdict
from driftgate.plan.values import IntArray
from driftgate.predict.path_record import PathRecorder
from driftgate.predict.prepared import Prepared
from driftgate.predict.values import CovarianceResult, MomentTrials
from driftgate.report.picture import FailedTrial, Instant, Limit, Point, Target, TrialPath
from driftgate.run.picture_field import thinned

SHARE = 0.95
# Radius of the ellipse that holds 95 % of a normal distribution in the plane: root of -2 ln 0.05.
ELLIPSE = math.sqrt(-2.0 * math.log(1.0 - SHARE))
_MOST_INSTANTS = 120
_MOST_PATHS = 30
_MOST_FAILED = 12
_MOST_EXAMPLES = 5
_MOST_DOTS = 250
# What a drawn path of a trial may leave out. [m]
_FINE_M = 3e-3


@dataclass(frozen=True)
class Sample:
    """Trials that were run again for the pictures.

    `finder` and `record` hold trials 0 .. sampled - 1 first, then single ones that the verdict names.
    """

    finder: CauseFinder
    record: PathRecorder
    sampled: int


def shown_knots(prepared: Prepared) -> IntArray:
    """Return the knots along the plan at which the error is shown: step ends, and evenly between."""
    timeline = prepared.plan.timeline
    even = np.linspace(0.0, float(timeline.time_s[-1]), _MOST_INSTANTS)
    knots = np.searchsorted(timeline.time_s, even - 1e-9).clip(0, len(timeline.time_s) - 1)
    return np.unique(np.concatenate([knots, timeline.first_tick]))


def picture_instants(prepared: Prepared, predicted: CovarianceResult, sample: Sample) -> tuple[Instant, ...]:
    """Return plan and error along the plan, by both engines."""
    knots, timeline = shown_knots(prepared), prepared.plan.timeline
    mean, cov = predicted.knot_mean[knots], predicted.knot_cov[knots]
    position = distance_quantile(mean[:, :2], cov[:, :2, :2], SHARE)
    heading = size_quantile(mean[:, 2], np.sqrt(np.maximum(cov[:, 2, 2], 0.0)), SHARE)
    off = sample.record.off_plan(knots)[:, :, : sample.sampled]
    off_m = sample_quantile(np.hypot(off[:, 0], off[:, 1]), SHARE)
    off_rad = sample_quantile(np.abs(wrap_angles(off[:, 2])), SHARE)
    step = np.append(timeline.step, timeline.step[-1])
    found = []
    for i, knot in enumerate(knots.tolist()):
        x, y, h = timeline.pose[knot].tolist()
        semi, angle = ellipse(cov[i, :2, :2])
        found.append(
            Instant(
                time_s=float(timeline.time_s[knot]),
                pose=(x, y, h),
                step=int(step[knot]) + 1,
                mean=(float(mean[i, 0]), float(mean[i, 1])),
                semi_m=semi,
                angle_rad=angle,
                linear=(float(position[i]), float(heading[i])),
                sampled=(float(off_m[i]), float(off_rad[i])),
            )
        )
    return tuple(found)


def ellipse(cov: FloatArray) -> tuple[Point, float]:
    """Return the half axes of the ellipse that holds 95 %, and the direction of the first. [m, rad]"""
    variance, axes = np.linalg.eigh(cov)
    big, small = (ELLIPSE * math.sqrt(max(float(v), 0.0)) for v in (variance[1], variance[0]))
    x, y = axes[:, 1].tolist()
    # One of the two directions of an axis, always the same.
    angle = math.atan2(y, x)
    return (big, small), angle % math.pi if big > 0.0 else 0.0


def picture_paths(prepared: Prepared, sample: Sample) -> tuple[TrialPath, ...]:
    """Return the true paths of the first trials, not picked by what became of them."""
    return tuple(
        TrialPath(number, _path(prepared, sample.record, number))
        for number in range(min(sample.sampled, _MOST_PATHS))
    )


def _path(prepared: Prepared, record: PathRecorder, trial: int) -> tuple[Point, ...]:
    knots = np.arange(len(prepared.plan.timeline.time_s))
    off = record.off_plan(knots)[:, :2, trial]
    return thinned(prepared.plan.timeline.pose[:, :2] + off, _FINE_M)


def failing(sample: Sample) -> IntArray:
    """Return which of the trials that were run again fail anywhere."""
    finder = sample.finder
    ok = np.logical_and.reduce(finder.success) & (finder.replay.trials.touch_step < 0)
    return np.flatnonzero(~ok)


def named_trials(verdict: CaseVerdict) -> dict[int, str]:
    """Return the trials that a verdict names, with why, in the order in which they matter."""
    named: dict[int, str] = {}
    for moment in verdict.moments:
        # Of a moment that tilted trials decide, the worst plain ones are told.
        for number in moment.worst[:1]:
            named.setdefault(number, f"the worst at {moment.name}")
    for group in verdict.causes.groups[:_MOST_EXAMPLES] if verdict.causes is not None else ():
        named.setdefault(group.example, "an example of its cause")
    return named


def picture_failed(prepared: Prepared, sample: Sample, named: dict[int, str]) -> tuple[FailedTrial, ...]:
    """Return the failing trials that are shown: named ones, then the first of the sample."""
    numbers = sample.finder.replay.numbers.tolist()
    bad = failing(sample).tolist()
    picked = [t for number in named for t in bad if numbers[t] == number][:_MOST_FAILED]
    picked += [t for t in bad if t < sample.sampled and t not in picked][: _MOST_FAILED - len(picked)]
    return tuple(_failed(prepared, sample, trial, named) for trial in sorted(picked))


def _failed(prepared: Prepared, sample: Sample, trial: int, named: dict[int, str]) -> FailedTrial:
    finder, record, timeline = sample.finder, sample.record, prepared.plan.timeline
    missed = [k for k in range(len(prepared.moments)) if not finder.success[k][trial]]
    told = finder.cause(finder.told_at(missed, trial), trial)
    number = int(finder.replay.numbers[trial])
    knot = prepared.moments[told.moment].knot
    at = prepared.moments[told.moment].name
    if told.cause.kind == "contact" and record.touch_knot[trial] >= 0:
        knot, at = int(record.touch_knot[trial]), "contact"
    dx, dy, _ = record.off_plan([knot])[0, :, trial].tolist()
    x, y, _ = timeline.pose[knot].tolist()
    return FailedTrial(
        number=number,
        why_shown=named.get(number, "in the sample"),
        at=at,
        kind=told.cause.kind,
        cause=told.cause.words,
        place=(x + dx, y + dy),
        time_s=float(timeline.time_s[knot]),
        step=int(timeline.step[max(knot - 1, 0)]) + 1,
        path=_path(prepared, record, trial),
    )


def picture_targets(prepared: Prepared, predicted: CovarianceResult, sample: Sample) -> tuple[Target, ...]:
    """Return every checkpoint and the end, with where the sample came out."""
    found = []
    for k, moment in enumerate(prepared.moments):
        limits = limits_of(moment.within)
        turned = not any(limit.axis in ("x", "y") for limit in limits)
        linear = predicted.moments[k]
        mean, cov = linear.mean[:2], linear.cov[:2, :2]
        if turned:
            c, s = math.cos(moment.pose[2]), math.sin(moment.pose[2])
            turn = np.array([[c, s], [-s, c]])
            mean, cov = turn @ mean, turn @ cov @ turn.T
        semi, angle = ellipse(cov)
        found.append(
            Target(
                name=moment.name,
                step=moment.step + 1,
                time_s=float(prepared.plan.timeline.time_s[moment.knot]),
                pose=moment.pose,
                limits=tuple(Limit(limit.axis, limit.low, limit.high) for limit in limits),
                relative_to=moment.within.relative_to or "",
                turned=turned,
                ellipse=((float(mean[0]), float(mean[1])), semi, angle),
                errors=_errors(sample, k, turned),
            )
        )
    return tuple(found)


def _errors(sample: Sample, k: int, turned: bool) -> tuple[tuple[float, float, float, bool], ...]:
    trials: MomentTrials = sample.finder.replay.trials.moments[k]
    first, second = (trials.along, trials.across) if turned else (trials.error[:, 0], trials.error[:, 1])
    heading, success = wrap_angles(trials.error[:, 2]), sample.finder.success[k]
    shown = range(min(sample.sampled, _MOST_DOTS))
    return tuple((float(first[t]), float(second[t]), float(heading[t]), bool(success[t])) for t in shown)


def sample_numbers(sampled: int, named: Sequence[int]) -> IntArray:
    """Return the numbers of the trials to run again, rising: the sample, then named ones beyond it."""
    more = sorted(number for number in named if number >= sampled)
    return np.array([*range(sampled), *more], dtype=np.intp)
