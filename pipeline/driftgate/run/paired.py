"""Cases run over the same trials, section by section, spread over workers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from driftgate.judge.outcomes import Outcomes, joined, outcomes_of
from driftgate.judge.paired import section_bounds
from driftgate.predict import Prepared, run_trials
from driftgate.predict.values import Moment
from driftgate.run.workers import Workers


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
class Section:
    """Trials first .. first + count - 1 of one case."""

    paired: PairedCase
    seed: int
    first: int
    count: int


def run_section(section: Section) -> Outcomes:
    """Run one section of trials and keep what they came to."""
    paired = section.paired
    trials = run_trials(paired.prepared, section.count, section.seed, section.first)
    return outcomes_of(paired.moments, trials, paired.time_limit_s)


def paired_outcomes(
    workers: Workers,
    cases: Sequence[PairedCase],
    seed: int,
    trials: int,
    progress: Callable[[int, int, str], None],
) -> Iterator[Outcomes]:
    """Yield what the same trials of each case came to, in order.

    Parameters
    ----------
    workers : Workers
        Who does it; their number changes nothing.
    cases : sequence of PairedCase
        The cases.
    seed, trials : int
        Common to all: trial t has the same luck in every case.
    progress : callable
        Told (sections done, of how many, words).
    """
    bounds = section_bounds(trials)

    def sections() -> Iterator[Section]:
        for case in cases:
            for first, count in bounds:
                yield Section(case, seed, first, count)

    done, total = 0, len(cases) * len(bounds)
    results = workers.map(run_section, sections())
    for _ in cases:
        parts = []
        for _ in bounds:
            parts.append(next(results))
            done += 1
            progress(done, total, "compared")
        yield joined(parts)
