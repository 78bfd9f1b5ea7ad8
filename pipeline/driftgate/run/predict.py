"""The predict stage spread over workers, case by case and batch by batch."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from driftgate.judge.sampling import Sampling
from driftgate.predict import merge_trials
from driftgate.predict.values import CovarianceResult, TrialsResult
from driftgate.run.sequential import sequential_predictions
from driftgate.run.spread import Spread
from driftgate.run.tasks import BATCH, Answer, Batch, Planned, batches_of, predict_batch, spans

Progress = Callable[[int, int, str], None]


def answers_of(
    workers: Spread, planned: Sequence[Planned], seed: int, trials: int, rule: Sampling, progress: Progress
) -> Iterator[Answer]:
    """Yield the engines' answers for each feasible case as it is finished.

    Parameters
    ----------
    workers : Spread
        Who does it.
    planned : sequence of Planned
        The cases.
    seed : int
        Of every case.
    trials : int
        Of every case; the most of them in a sequential run.
    rule : Sampling
        Sequential or fixed, and when a case is decided.
    progress : callable
        Told (done, of how many, words).
    """
    if rule.sequential:
        yield from sequential_predictions(workers, planned, seed, trials, rule, progress)
        return
    feasible = (i for i, plan in enumerate(planned) if plan.prepared is not None)
    answers = predictions(workers, planned, seed, trials, progress)
    for index, (covariance, found) in zip(feasible, answers, strict=True):
        yield Answer(index, covariance, found)


def predictions(
    workers: Spread,
    planned: Sequence[Planned],
    seed: int,
    trials: int,
    progress: Progress,
    batch: int = BATCH,
) -> Iterator[tuple[CovarianceResult, TrialsResult]]:
    """Yield the engines' answers for each feasible case, in order.

    Batches are cut by trial number and merged in trial order, so that neither their size nor the
    number of workers changes a result.

    Parameters
    ----------
    workers : Spread
        Who does it.
    planned : sequence of Planned
        The cases.
    seed, trials : int
        Of every case.
    progress : callable
        Told (batches done, of how many, words).
    batch : int
        Most trials of a batch.
    """
    feasible = [plan.prepared for plan in planned if plan.prepared is not None]
    # Workers that have no case of their own share one.
    sharing = max(1, -(-workers.count // max(1, len(feasible))))
    each = len(spans(0, trials, batch, sharing))
    total, done = each * len(feasible), 0

    def tasks() -> Iterator[Batch]:
        for prepared in feasible:
            yield from batches_of(prepared, seed, trials, batch, sharing)

    results = workers.map(predict_batch, tasks())
    for _ in feasible:
        parts: list[TrialsResult] = []
        covariance: CovarianceResult | None = None
        for _ in range(each):
            found = next(results)
            parts.append(found.trials)
            covariance = found.covariance or covariance
            done += 1
            progress(done, total, "batches of trials")
        assert covariance is not None
        yield covariance, parts[0] if len(parts) == 1 else merge_trials(parts)
