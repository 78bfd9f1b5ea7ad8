"""Cases run over the same trials, spread over workers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from driftgate.judge.outcomes import Outcomes, joined, outcomes_of
from driftgate.judge.paired import section_bounds
from driftgate.predict import Prepared, run_trials
from driftgate.predict.values import Moment
from driftgate.run.spread import Spread
from driftgate.run.tasks import fresh_key, shared_plan, spans


@dataclass(frozen=True)
class PairedCase:
    """A case and what its trials are held against.

    Attributes
    ----------
    prepared : Prepared
        The case.
    moments : tuple of Moment
        Its moments, with the tolerances of the run that it is compared with.
    time_limit_s : float
        The time limit of that run. [s]
    """

    prepared: Prepared
    moments: tuple[Moment, ...]
    time_limit_s: float


@dataclass(frozen=True)
class Stretch:
    """Trials first .. first + count - 1 of one case; `key` is that of all stretches of this case."""

    paired: PairedCase
    seed: int
    first: int
    count: int
    key: str


def run_stretch(stretch: Stretch) -> Outcomes:
    """Run one stretch of trials and keep what they came to."""
    paired = stretch.paired
    shared = shared_plan(paired.prepared, stretch.key)
    trials = run_trials(paired.prepared, stretch.count, stretch.seed, stretch.first, shared=shared)
    return outcomes_of(paired.moments, trials, paired.time_limit_s)


def paired_outcomes(
    workers: Spread,
    cases: Sequence[PairedCase],
    seed: int,
    trials: int,
    progress: Callable[[int, int, str], None],
    what: str,
    by_section: bool = False,
) -> Iterator[Outcomes]:
    """Yield what the same trials of each case came to, in order.

    Parameters
    ----------
    workers : Spread
        Who does it; their number changes nothing.
    cases : sequence of PairedCase
        The cases.
    seed, trials : int
        Common to all: trial t has the same luck in every case.
    progress : callable
        Told (trials done, of how many, `what`).
    what : str
        What the trials are for, in words.
    by_section : bool
        Whether the readings are counted section by section, for intervals on them. Without it the trials
        go in as few stretches as the workers allow, which costs far less where they are few: every
        stretch goes through every tick. Then only sums over the readings say anything.
    """
    bounds = section_bounds(trials) if by_section else _stretches(workers, len(cases), trials)

    def stretches() -> Iterator[Stretch]:
        for case in cases:
            key = fresh_key()
            for first, count in bounds:
                yield Stretch(case, seed, first, count, key)

    done, total = 0, len(cases) * trials
    results = workers.map(run_stretch, stretches())
    for _ in cases:
        parts = []
        for _, count in bounds:
            parts.append(next(results))
            done += count
            progress(done, total, what)
        yield joined(parts)


def _stretches(workers: Spread, cases: int, trials: int) -> list[tuple[int, int]]:
    return spans(0, trials, sharing=max(1, workers.count // max(1, cases)))
