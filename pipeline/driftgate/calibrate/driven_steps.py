"""How long steps take and where they come to rest, from the step that a log names in each row."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.calibrate.estimate import Spread, mean_and_spread
from driftgate.calibrate.found import FoundNumber, FoundSource
from driftgate.core.pose import FloatArray
from driftgate.logs.doubts import GAP_S
from driftgate.logs.values import Log
from driftgate.plan.values import PlannedStep
from driftgate.schema.routine import Advance, Arc, Rotate

# Shorter steps are all rounding of the log's rows. [s]
_SHORTEST_S = 0.3
_LEAST = 5


@dataclass(frozen=True)
class Wanted:
    """What the plan has for a step.

    Attributes
    ----------
    duration_s : float
        How long it takes.
    along_m, turn_rad : float or None
        By how much a relative step moves and turns; None where its end is not settled by amounts.
    """

    duration_s: float
    along_m: float | None = None
    turn_rad: float | None = None


@dataclass(frozen=True)
class DrivenSteps:
    """What all steps of all runs did.

    Attributes
    ----------
    stretch : tuple of float
        Real over planned duration, less one.
    along_m, turn_rad : tuple of float
        What relative steps counted beyond their amounts when they came to rest.
    runs : int
        Of how many runs.
    """

    stretch: tuple[float, ...]
    along_m: tuple[float, ...]
    turn_rad: tuple[float, ...]
    runs: int


def wanted_of(steps: Sequence[PlannedStep]) -> dict[str, Wanted]:
    """Return what the plan has for each step, by the name that a log gives it."""
    return {step.name or str(step.index + 1): _wanted(step) for step in steps}


def _wanted(step: PlannedStep) -> Wanted:
    source, duration = step.source, step.end_s - step.begin_s
    if isinstance(source, Advance):
        return Wanted(duration, source.distance, 0.0)
    if isinstance(source, Rotate):
        # A wheel off its place counts in a turn on the spot: what it counts is no settling.
        return Wanted(duration, None, source.angle)
    if isinstance(source, Arc) and not source.backwards:
        return Wanted(duration, abs(source.radius * source.angle), source.angle)
    return Wanted(duration)


def driven_steps(logs: Sequence[Log], wanted: Mapping[str, Wanted]) -> DrivenSteps:
    """Return what all steps of all runs did.

    A step lasts from the last row before it to its own last row. The first and last of a run, those that the
    log names more than once, and those that are not planned are left out.
    """
    found = DrivenSteps((), (), (), 0)
    for log in logs:
        own = _of_run(log, wanted)
        found = DrivenSteps(
            found.stretch + own.stretch,
            found.along_m + own.along_m,
            found.turn_rad + own.turn_rad,
            found.runs + bool(own.stretch),
        )
    return found


def _of_run(log: Log, wanted: Mapping[str, Wanted]) -> DrivenSteps:
    if log.step is None:
        return DrivenSteps((), (), (), 0)
    names = np.array(log.step)
    starts = np.concatenate([[0], np.flatnonzero(names[1:] != names[:-1]) + 1])
    order = [str(names[i]) for i in starts]
    stretch: list[float] = []
    along: list[float] = []
    turn: list[float] = []
    rolled, heading = _rolled_m(log), _heading_rad(log)
    for k in range(1, len(starts) - 1):
        plan = wanted.get(order[k])
        if plan is None or order.count(order[k]) > 1 or plan.duration_s < _SHORTEST_S:
            continue
        first, last = int(starts[k]), int(starts[k + 1]) - 1
        stretch.append(float(log.time_s[last] - log.time_s[first - 1]) / plan.duration_s - 1.0)
        if plan.along_m is not None:
            along.append(float(rolled[last] - rolled[first - 1]) - plan.along_m)
        turned = float(heading[last] - heading[first - 1])
        if plan.turn_rad is not None and math.isfinite(turned):
            turn.append(turned - plan.turn_rad)
    return DrivenSteps(tuple(stretch), tuple(along), tuple(turn), 1)


def _rolled_m(log: Log) -> FloatArray:
    """Return what was rolled forward up to each row; between rows that say so it is shared out by time."""
    told = np.flatnonzero(log.has_odometry)
    if not len(told):
        return np.zeros(len(log.time_s))
    return np.interp(log.time_s, log.time_s[told], np.cumsum(log.forward_m[told]))


def _heading_rad(log: Log) -> FloatArray:
    """Return the heading in each row, a blank one read between its neighbours as everywhere else.

    A blank cell says that nothing new was read, and not that nothing was: steps that end in one are steps.
    Before the first heading, after the last and in a gap it is nan.
    """
    time, known = log.time_s, np.flatnonzero(~np.isnan(log.heading_rad))
    if not len(known):
        return log.heading_rad
    heading = np.interp(time, time[known], log.heading_rad[known], left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(known, np.arange(len(time))), 0, len(known) - 1)
    far = time[known[after]] - time[known[np.maximum(after - 1, 0)]] > GAP_S
    return np.where(far & np.isnan(log.heading_rad), np.nan, heading)


def step_sources(steps: DrivenSteps, confidence: float) -> tuple[list[FoundSource], list[str]]:
    """Return step timing and settling for the robot file, and what is missing of them."""
    found, missing = [], []
    if len(steps.stretch) >= _LEAST:
        found.append(_timing(steps, confidence))
    else:
        missing.append(
            "step timing: log the step being driven, by its name in the one routine that all logs name"
        )
    if min(len(steps.along_m), len(steps.turn_rad)) >= _LEAST:
        along, turn = _about_zero(steps.along_m), _about_zero(steps.turn_rad)
        numbers = tuple(
            FoundNumber(key, size.value, dimension, size.interval(confidence))
            for key, size, dimension in (("along", along, "length"), ("heading", turn, "angle"))
        )
        freedom = min(along.freedom, turn.freedom)
        note = f"{len(steps.turn_rad)} relative steps of logged runs"
        found.append(FoundSource(("errors", "settling"), numbers, (), freedom, steps.runs, "step", note))
    else:
        missing.append("settling: advance, rotate and arc by amounts, with each step named in the log")
    return found, missing


def _timing(steps: DrivenSteps, confidence: float) -> FoundSource:
    mean, spread = mean_and_spread(steps.stretch)
    return FoundSource(
        ("errors", "step_timing"),
        (
            FoundNumber("mean", mean.value, "ratio", mean.interval(confidence)),
            FoundNumber("spread", spread.value, "ratio", spread.interval(confidence)),
        ),
        (FoundNumber("mean_error", mean.error, "ratio"),),
        spread.freedom,
        steps.runs,
        "step",
        f"{len(steps.stretch)} steps of logged runs",
    )


def _about_zero(values: Sequence[float]) -> Spread:
    """Return the root of the mean square: settling is about where the step should end."""
    return Spread(math.sqrt(sum(v * v for v in values) / len(values)), float(len(values)))
