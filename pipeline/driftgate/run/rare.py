"""Tilted trials for a case whose requirements are too high for plain ones, in looks, over workers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from driftgate.judge.rare import (
    CONTACT,
    RareSample,
    join_samples,
    rare_looks,
    rare_moments,
    rare_required,
    rare_samples,
    rare_status,
    ways_to_fail,
)
from driftgate.judge.rare_contact import contact_status, join_places
from driftgate.judge.sampling import Sampling
from driftgate.judge.values import Status, TouchPlace
from driftgate.judge.verdict import touch_places
from driftgate.predict import Prepared, run_trials
from driftgate.predict.sources import source_table
from driftgate.predict.tilt import Tilt, tilt_towards
from driftgate.predict.values import CovarianceResult
from driftgate.run.spread import Spread
from driftgate.run.tasks import spans


@dataclass(frozen=True)
class RareAnswer:
    """What tilted trials gave for one moment: all of them up to the look that decided it.

    `places` is where they touch, of contact alone.
    """

    sample: RareSample
    status: Status
    largest: float
    places: tuple[TouchPlace, ...] = ()


@dataclass(frozen=True)
class _Task:
    prepared: Prepared
    tilt: Tilt
    which: tuple[int, ...]
    seed: int
    first: int
    count: int


def _predict_tilted(task: _Task) -> tuple[tuple[RareSample, ...], tuple[TouchPlace, ...]]:
    trials = run_trials(task.prepared, task.count, task.seed, task.first, tilt=task.tilt)
    places = touch_places(trials) if CONTACT in task.which else ()
    return rare_samples(task.prepared, trials, task.which), places


def rare_answers(
    workers: Spread,
    prepared: Prepared,
    linear: CovarianceResult,
    seed: int,
    most_trials: int,
    rule: Sampling,
    progress: Callable[[int, int, str], None],
) -> dict[int, RareAnswer]:
    """Return, by moment, what tilted trials say of the requirements that are left to them.

    What they say of contact, where they bear on it, stands under `CONTACT`.

    Parameters
    ----------
    workers : Spread
        Who does it.
    prepared : Prepared
        The case.
    linear : CovarianceResult
        What the covariance engine says: where to look.
    seed : int
        Of the case.
    most_trials : int
        Taken only where it is more than a close call is worth.
    rule : Sampling
        When a moment is decided.
    progress : callable
        Told (trials done, at most so many, words).
    """
    which = rare_moments(prepared, rule)
    if not which:
        return {}
    required = rare_required(prepared, which)
    allowed = prepared.case.routine.final.contact_allowed
    ways = ways_to_fail(prepared, linear, which)
    tilt = tilt_towards(ways, source_table(prepared.case, frozenset()), prepared.true)
    largest = tilt.largest_weight
    looks = rare_looks(required, largest, rule, most_trials)
    parts: list[list[RareSample]] = [[] for _ in which]
    places: list[tuple[TouchPlace, ...]] = []
    found: dict[int, RareAnswer] = {}
    begin = 0
    for look in looks:
        tasks = [_Task(prepared, tilt, which, seed, first, count) for first, count in spans(begin, look)]
        for samples, touched in workers.map(_predict_tilted, tasks):
            places.append(touched)
            for part, sample in zip(parts, samples, strict=True):
                part.append(sample)
        begin = look
        progress(look, looks[-1], "weighted trials")
        for row, i in enumerate(which):
            # Where no contact is allowed a touch decides, and more trials tell how often.
            settled = i in found and found[i].status != "undecided"
            if settled and not (i == CONTACT and allowed <= 0.0):
                continue
            sample = join_samples(parts[row])
            if i == CONTACT:
                status = contact_status(sample, allowed, largest, rule)
                found[i] = RareAnswer(sample, status, largest, join_places(places))
            else:
                found[i] = RareAnswer(sample, rare_status(sample, required[row], largest, rule), largest)
        if all(a.status != "undecided" for a in found.values()):
            break
    return found
