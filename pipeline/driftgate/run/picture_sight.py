"""What each sensor sees along the plan, and what becomes of its readings, as pictures show it."""

from __future__ import annotations

import math

import numpy as np

from driftgate.plan.values import IntArray
from driftgate.predict.prepared import Prepared
from driftgate.predict.recorder import NOT_TRIED, Recorder
from driftgate.predict.values import BoolArray, CovarianceResult, Outcome
from driftgate.report.picture import Bin, Strip, View

# A picture shows no more bins over the whole routine, and none shorter. [s]
_MOST_BINS = 100
_LEAST_BIN_S = 0.1
# Refused after the robot's own tests had let the reading pass.
_REFUSED = (Outcome.NO_ECHO, Outcome.GATE, Outcome.HELD_BACK)


def picture_strips(
    prepared: Prepared, predicted: CovarianceResult, record: Recorder, sampled: int
) -> tuple[Strip, ...]:
    """Return the strip of every sensor, with what became of its readings in the first trials of a record."""
    timeline = prepared.plan.timeline
    readings = timeline.readings
    arrive_s = timeline.time_s[readings.knot]
    found = []
    for i, sensor in enumerate(prepared.case.robot.sensors):
        mine = np.flatnonzero(readings.sensor == i)
        fixes = mine[predicted.accepted[mine]]
        found.append(
            Strip(
                sensor=sensor.id,
                views=_views(prepared, mine[readings.nominal[mine]], 1.0 / sensor.rate),
                fixes=tuple((float(arrive_s[r]), int(readings.step[r]) + 1) for r in fixes),
                bins=_bins(prepared, mine, record.outcome[mine, :sampled], float(timeline.time_s[-1])),
            )
        )
    return tuple(found)


def _views(prepared: Prepared, mine: IntArray, period_s: float) -> tuple[View, ...]:
    """Return runs of readings with one fate; each reading stands for the time up to the next."""
    timeline, sight = prepared.plan.timeline, prepared.sight
    arrive_s, end_s = timeline.time_s[timeline.readings.knot], float(timeline.time_s[-1])
    fates = [
        (int(sight.reason[r]), int(sight.surface[r]), sight.obstacle[r], int(timeline.readings.step[r]))
        for r in mine
    ]
    runs: list[list[int]] = []
    for at, fate in enumerate(fates):
        if runs and fates[runs[-1][-1]] == fate:
            runs[-1].append(at)
        else:
            runs.append([at])
    found = []
    for run in runs:
        _, surface, obstacle, step = fates[run[0]]
        begin = float(arrive_s[mine[run[0]]])
        after = float(arrive_s[mine[run[-1] + 1]]) if run[-1] + 1 < len(mine) else math.inf
        last = float(arrive_s[mine[run[-1]]])
        ranges = sight.range_m[mine[run]]
        known = ranges[np.isfinite(ranges)]
        found.append(
            View(
                begin_s=begin,
                end_s=max(min(after, last + 1.5 * period_s, end_s), begin),
                reason=sight.words(mine[run[0]]),
                surface=prepared.believed.edges[surface].id if surface >= 0 else "",
                obstacle=obstacle,
                step=step + 1,
                range_m=(float(known.min()), float(known.max())) if len(known) else (math.nan, math.nan),
                readings=len(run),
            )
        )
    return tuple(found)


def _bins(prepared: Prepared, mine: IntArray, outcome: IntArray, end_s: float) -> tuple[Bin, ...]:
    """Return what became of readings in short times, over all trials that were recorded."""
    timeline = prepared.plan.timeline
    count = outcome.shape[1]
    width = max(_LEAST_BIN_S, end_s / _MOST_BINS)
    at = (timeline.time_s[timeline.readings.knot[mine]] / width).astype(np.intp)
    tried: BoolArray = outcome != NOT_TRIED
    used = (outcome == Outcome.ACCEPTED).sum(axis=1)
    refused = np.isin(outcome, _REFUSED).sum(axis=1)
    # What the plan rules out is asked of no trial: it counts for all of them.
    ruled_out = ~tried.any(axis=1) & timeline.readings.nominal[mine]
    other = np.where(ruled_out, count, tried.sum(axis=1) - used - refused)
    found = []
    for b in np.unique(at).tolist():
        rows = at == b
        sums = (int(part[rows].sum()) for part in (used, refused, other))
        found.append(Bin(b * width, min((b + 1) * width, end_s), *sums))
    return tuple(found)
