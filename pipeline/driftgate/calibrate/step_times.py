"""How much longer steps take than planned, from the step that a log names in each row."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.calibrate.estimate import mean_and_spread
from driftgate.calibrate.found import FoundNumber, FoundSource
from driftgate.logs.values import Log

# Shorter steps are all rounding of the log's rows. [s]
_SHORTEST_S = 0.3
_LEAST = 5


@dataclass(frozen=True)
class StepTimes:
    """Stretch of each step driven: real over planned duration, less one."""

    stretch: tuple[float, ...]
    runs: int


def step_times(logs: Sequence[Log], planned_s: Mapping[str, float]) -> StepTimes:
    """Return the stretches of all steps of all runs.

    A step lasts from the last row before it to its own last row. The first and last of a run, those that the
    log names more than once, and those that are not planned are left out.

    Parameters
    ----------
    logs : sequence of Log
        The runs.
    planned_s : mapping
        Planned duration by the step's name, else its number. [s]
    """
    found: list[float] = []
    runs = 0
    for log in logs:
        own = _of_run(log, planned_s)
        runs += bool(own)
        found += own
    return StepTimes(tuple(found), runs)


def _of_run(log: Log, planned_s: Mapping[str, float]) -> list[float]:
    if log.step is None:
        return []
    names = np.array(log.step)
    starts = np.concatenate([[0], np.flatnonzero(names[1:] != names[:-1]) + 1])
    order = [str(names[i]) for i in starts]
    found = []
    for k in range(1, len(starts) - 1):
        name, planned = order[k], planned_s.get(order[k], 0.0)
        if order.count(name) > 1 or planned < _SHORTEST_S:
            continue
        real = float(log.time_s[starts[k + 1] - 1] - log.time_s[starts[k] - 1])
        found.append(real / planned - 1.0)
    return found


def timing_source(times: StepTimes, confidence: float) -> FoundSource | None:
    """Return the error source of step timing; None if there are too few steps."""
    if len(times.stretch) < _LEAST:
        return None
    mean, spread = mean_and_spread(times.stretch)
    return FoundSource(
        ("errors", "step_timing"),
        (
            FoundNumber("mean", mean.value, "ratio", mean.interval(confidence)),
            FoundNumber("spread", spread.value, "ratio", spread.interval(confidence)),
        ),
        (FoundNumber("mean_error", mean.error, "ratio"),),
        spread.freedom,
        times.runs,
        "step",
        f"{len(times.stretch)} steps of logged runs",
    )
