"""Tilted trials for a case whose requirements are too high for plain ones, in looks, over workers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from driftgate.judge.rare import (
    RareSample,
    join_samples,
    rare_looks,
    rare_moments,
    rare_samples,
    rare_status,
    ways_to_fail,
)
from driftgate.judge.sampling import Sampling
from driftgate.judge.values import Status
from driftgate.predict import Prepared, run_trials
from driftgate.predict.sources import source_table
from driftgate.predict.tilt import Tilt, tilt_towards
from driftgate.run.tasks import BATCH, Answer, Planned
from driftgate.run.workers import Workers


@dataclass(frozen=True)
class RareAnswer:
    """What tilted trials gave for one moment: all of them up to the look that decided it."""

    sample: RareSample
    status: Status
    largest: float


@dataclass(frozen=True)
class _Task:
    prepared: Prepared
    tilt: Tilt
    which: tuple[int, ...]
    seed: int
    first: int
    count: int


def _predict_tilted(task: _Task) -> tuple[RareSample, ...]:
    trials = run_trials(task.prepared, task.count, task.seed, task.first, tilt=task.tilt)
    return rare_samples(task.prepared, trials, task.which)


def rare_answers(
    workers: Workers,
    planned: Planned,
    answer: Answer,
    seed: int,
    most_trials: int,
    rule: Sampling,
    progress: Callable[[int, int, str], None],
) -> dict[int, RareAnswer]:
    """Return, by moment, what tilted trials say of the requirements that are left to them.

    Parameters
    ----------
    workers : Workers
        Who does it.
    planned : Planned
        The case; it must be feasible.
    answer : Answer
        What the engines gave; the covariance engine says where to look.
    seed : int
        Of the case.
    most_trials : int
        Taken only where it is more than a close call is worth.
    rule : Sampling
        When a moment is decided.
    progress : callable
        Told (trials done, at most so many, words).
    """
    prepared = planned.prepared
    assert prepared is not None
    which = rare_moments(prepared, rule)
    if not which:
        return {}
    required = [prepared.moments[i].required for i in which]
    ways = ways_to_fail(prepared, answer.covariance, which)
    tilt = tilt_towards(ways, source_table(prepared.case, frozenset()), prepared.true)
    looks = rare_looks(required, tilt.largest_weight, rule, most_trials)
    parts: list[list[RareSample]] = [[] for _ in which]
    found: dict[int, RareAnswer] = {}
    begin = 0
    for look in looks:
        tasks = [
            _Task(prepared, tilt, which, seed, first, min(BATCH, look - first))
            for first in range(begin, look, BATCH)
        ]
        for samples in workers.map(_predict_tilted, tasks):
            for part, sample in zip(parts, samples, strict=True):
                part.append(sample)
        begin = look
        progress(look, looks[-1], "weighted trials")
        for row, i in enumerate(which):
            if i in found and found[i].status != "undecided":
                continue
            sample = join_samples(parts[row])
            status = rare_status(sample, required[row], tilt.largest_weight, rule)
            found[i] = RareAnswer(sample, status, tilt.largest_weight)
        if all(a.status != "undecided" for a in found.values()):
            break
    return found
