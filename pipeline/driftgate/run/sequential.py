"""The predict stage in looks: every case gets the trials that its verdicts need, and no more.

A case is looked at after numbers of trials that are settled beforehand (`planned_looks`), always at
all trials with a lower number, so that neither workers nor the order in which they finish show in a
result. Cases are taken up in order and earlier ones go first, so that few are open at a time; a
stretch of trials between two looks is shared among workers that have no other case.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from driftgate.judge.sampling import Sampling, planned_looks
from driftgate.judge.stopping import Tally, Watch
from driftgate.predict import Prepared, merge_trials
from driftgate.run.spread import Spread
from driftgate.run.tasks import (
    Answer,
    Batch,
    BatchResult,
    Planned,
    fresh_key,
    predict_batch,
    spans,
)


@dataclass
class _Open:
    """A case under way."""

    index: int
    prepared: Prepared
    watch: Watch
    looks: tuple[int, ...]
    next_look: int = 0
    results: dict[int, BatchResult] = field(default_factory=dict)
    missing: int = 0
    counted: Tally | None = None
    key: str = field(default_factory=fresh_key)

    @property
    def begin(self) -> int:
        """The first trial after the last look."""
        return self.looks[self.next_look - 1] if self.next_look else 0

    def stretch(self, seed: int, pieces: int) -> list[Batch]:
        """Return the batches up to the next look, in about so many pieces."""
        end = self.looks[self.next_look]
        cut = spans(self.begin, end, sharing=pieces)
        self.missing = len(cut)
        return [
            Batch(self.prepared, seed, first, count, counted=True, index=self.index, key=self.key)
            for first, count in cut
        ]

    def take(self, first: int, result: BatchResult) -> bool:
        """Take the result of a batch and return whether the next look is due."""
        self.results[first] = result
        self.missing -= 1
        return self.missing == 0

    def look(self) -> bool:
        """Take the look that is due and return whether the case is finished."""
        for first in sorted(self.results):
            tally = self.results[first].tally
            if first >= self.begin and tally is not None:
                self.counted = tally if self.counted is None else self.counted + tally
        self.next_look += 1
        assert self.counted is not None
        return self.watch.look(self.counted) or self.next_look == len(self.looks)

    def answer(self) -> Answer:
        """Return everything in the order of the trials."""
        parts = [self.results[first] for first in sorted(self.results)]
        covariance = parts[0].covariance
        assert covariance is not None
        trials = merge_trials([part.trials for part in parts])
        return Answer(self.index, covariance, trials, self.looks[: self.next_look])


class _Desk:
    """Which batch is next, and what becomes of a result."""

    def __init__(
        self, cases: Sequence[tuple[int, Prepared]], seed: int, most: int, rule: Sampling, workers: int
    ) -> None:
        self._seed, self._most, self._rule, self._workers = seed, most, rule, workers
        self._fresh = list(reversed(cases))
        self._open: dict[int, _Open] = {}
        self._ready: list[tuple[int, int, Batch]] = []
        # Trials that are done, and the most that it may take, for the progress line.
        self.done, self.total = 0, most * len(cases)

    def pull(self) -> Batch | None:
        """Return the batch to do next: of the earliest case that has one, else of a fresh case."""
        if not self._ready and self._fresh:
            index, prepared = self._fresh.pop()
            case = _Open(index, prepared, Watch(prepared, self._rule), planned_looks(self._most))
            self._open[index] = case
            self._plan(case)
        return heapq.heappop(self._ready)[2] if self._ready else None

    def _plan(self, case: _Open) -> None:
        # Workers that no other case can use share this one.
        pieces = 1 if self._fresh else max(1, self._workers // len(self._open))
        for batch in case.stretch(self._seed, pieces):
            heapq.heappush(self._ready, (case.index, batch.first, batch))

    def take(self, batch: Batch, result: BatchResult) -> Answer | None:
        """Take a result; return the case's answer when that was the last it needed."""
        case = self._open[batch.index]
        self.done += batch.count
        if not case.take(batch.first, result):
            return None
        if not case.look():
            self._plan(case)
            return None
        del self._open[batch.index]
        answer = case.answer()
        self.total -= self._most - answer.trials.trials
        return answer


def sequential_predictions(
    workers: Spread,
    planned: Sequence[Planned],
    seed: int,
    most_trials: int,
    rule: Sampling,
    progress: Callable[[int, int, str], None],
) -> Iterator[Answer]:
    """Yield the engines' answers for each feasible case, in the order in which they are finished.

    Parameters
    ----------
    workers : Spread
        Who does it.
    planned : sequence of Planned
        The cases; an answer names its case by its position here.
    seed : int
        Of every case.
    most_trials : int
        Trials after which a case ends undecided.
    rule : Sampling
        When a case is decided.
    progress : callable
        Told (trials done, how many it takes at most, words).
    """
    cases = [(i, plan.prepared) for i, plan in enumerate(planned) if plan.prepared is not None]
    desk = _Desk(cases, seed, most_trials, rule, workers.count)
    for batch, result in workers.as_done(predict_batch, desk.pull):
        answer = desk.take(batch, result)
        progress(desk.done, desk.total, "trials (at most)")
        if answer is not None:
            yield answer
