"""What a worker does: prepare one case, or predict one batch of its trials."""

from __future__ import annotations

import itertools
import os
from collections import OrderedDict
from dataclasses import dataclass

from driftgate.judge.stopping import Tally, tally
from driftgate.plan.build import plan_case
from driftgate.plan.values import Plan, PlanFinding
from driftgate.predict import Prepared, covariance, prepare, run_trials
from driftgate.predict.trials_engine import DEFAULT_BATCH, TrialsPlan, trials_plan
from driftgate.predict.values import CovarianceResult, TrialsResult
from driftgate.run.accepted import entry_for
from driftgate.schema.case import Case
from driftgate.schema.routine import Routine
from driftgate.sight.dark import dark_intervals
from driftgate.sight.values import DarkInterval

# The most trials of a batch: beyond it memory is slower than calls are saved; results do not depend on it.
BATCH = DEFAULT_BATCH
# A smaller batch costs nearly as much time as this.
LEAST_BATCH = 1024


@dataclass(frozen=True)
class Planned:
    """A planned case; `prepared` is None when the plan is infeasible."""

    plan: Plan
    prepared: Prepared | None
    dark: tuple[DarkInterval, ...]


@dataclass(frozen=True)
class Batch:
    """Trials first .. first + count of one case; the batch with the first trial brings the covariance.

    Attributes
    ----------
    prepared : Prepared
        The case.
    seed, first, count : int
        Which trials.
    counted : bool
        Whether to count successes too, for a look.
    index : int
        Which case it is, for whoever asked.
    key : str
        The same for all batches of one case and for no other batch of this program, so that a worker
        need not work out again what they share; empty: none is known.
    """

    prepared: Prepared
    seed: int
    first: int
    count: int
    counted: bool = False
    index: int = 0
    key: str = ""

    @property
    def task_name(self) -> str:
        """What it is, for people."""
        title = self.prepared.case.routine.title
        return f"trials {self.first} to {self.first + self.count - 1} of '{title}'"


@dataclass(frozen=True)
class BatchResult:
    """The engines' answers for one batch."""

    trials: TrialsResult
    covariance: CovarianceResult | None
    tally: Tally | None = None


@dataclass(frozen=True)
class Answer:
    """The engines' answers for one case.

    Attributes
    ----------
    index : int
        Of the case.
    covariance : CovarianceResult
        The covariance engine's.
    trials : TrialsResult
        The trials engine's.
    looks : tuple of int
        Numbers of trials at which it was looked at; empty after a fixed number of trials.
    """

    index: int
    covariance: CovarianceResult
    trials: TrialsResult
    looks: tuple[int, ...] = ()


def plan_one(item: tuple[Case, Routine]) -> Planned:
    """Plan a case, and work out geometry and sight lines where the plan is feasible."""
    case, written = item
    plan = plan_case(case, written)
    if _stops(case.routine, plan):
        return Planned(plan, None, ())
    prepared = prepare(case, plan)
    return Planned(plan, prepared, dark_intervals(case, plan, prepared.sight, prepared.believed))


def can_be_driven(item: tuple[Case, Routine]) -> bool:
    """Say whether the plan of a case is feasible, without geometry and sight lines."""
    case, written = item
    return not _stops(case.routine, plan_case(case, written))


def _stops(routine: Routine, plan: Plan) -> bool:
    return any(finding.level == "error" and not _accepted(routine, finding) for finding in plan.findings)


def _accepted(routine: Routine, finding: PlanFinding) -> bool:
    return entry_for(routine, finding.code, finding.level, finding.doc_path) is not None


# What the latest cases' batches share, by key. A worker has few cases under way at a time.
_SHARED: OrderedDict[str, TrialsPlan] = OrderedDict()
_KEPT = 4
_numbers = itertools.count()


def fresh_key() -> str:
    """Return a key that no other case of this program has."""
    return f"{os.getpid()}:{next(_numbers)}"


def shared_plan(prepared: Prepared, key: str) -> TrialsPlan | None:
    """Return what all batches of a case share, worked out once in each worker; None without a key."""
    if not key:
        return None
    if key not in _SHARED:
        _SHARED[key] = trials_plan(prepared)
    _SHARED.move_to_end(key)
    while len(_SHARED) > _KEPT:
        _SHARED.popitem(last=False)
    return _SHARED[key]


def predict_batch(batch: Batch) -> BatchResult:
    """Run one batch of trials, and the covariance engine with the first one."""
    first = covariance(batch.prepared) if batch.first == 0 else None
    trials = run_trials(
        batch.prepared, batch.count, batch.seed, batch.first, shared=shared_plan(batch.prepared, batch.key)
    )
    return BatchResult(trials, first, tally(batch.prepared, trials) if batch.counted else None)


def spans(begin: int, end: int, most: int = BATCH, sharing: int = 1) -> list[tuple[int, int]]:
    """Return trials begin .. end - 1 cut into batches as even as can be: the first and the count of each.

    Parameters
    ----------
    begin, end : int
        Trial numbers.
    most : int
        No batch has more.
    sharing : int
        How many workers have nothing else to do: their number of batches is a multiple of it, as long as
        none gets too small to be worth it.
    """
    total = end - begin
    fewest = -(-total // most)
    pieces = max(fewest, min(-(-fewest // sharing) * sharing, total // LEAST_BATCH))
    size = -(-total // pieces)
    return [(first, min(size, end - first)) for first in range(begin, end, size)]


def batches_of(
    prepared: Prepared, seed: int, trials: int, size: int = BATCH, sharing: int = 1
) -> list[Batch]:
    """Return the batches of a case, in order of trial numbers; `spans` says how they are cut."""
    key = fresh_key()
    return [Batch(prepared, seed, first, count, key=key) for first, count in spans(0, trials, size, sharing)]
