"""What is not known yet of the cases of a run, worked out by the stages, spread over workers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING, Protocol

from driftgate.run.cases import NamedCase
from driftgate.run.facts import JudgedFacts, PlanFacts
from driftgate.run.known import Known
from driftgate.run.workers import Workers

# The array libraries are imported late, while the workers start.
if TYPE_CHECKING:
    from driftgate.run.tasks import Planned

Progress = Callable[[int, int, str], None]

# A single case of no more instants times trials (of the most) than this is predicted here: nearly all
# are decided before the first worker would be ready.
_QUICK_WORK = 16_000_000
# A worker is worth its start from so many trials of a case on: the trials engine's own batch.
_TRIALS_EACH = 4096


class Settings(Protocol):
    """What is read of a run's settings."""

    @property
    def trials(self) -> int:
        """Trials of each case, or the most of them."""

    @property
    def sample(self) -> str:
        """Whether sequential or fixed."""

    @property
    def seed(self) -> int:
        """Of the random streams."""

    @property
    def confidence(self) -> float:
        """Of every verdict."""

    @property
    def workers(self) -> int:
        """Worker processes, at most."""


def work_out(
    settings: Settings, cases: Sequence[NamedCase], known: Known, progress: Progress
) -> tuple[list[PlanFacts], list[JudgedFacts | None]]:
    """Return the facts about every case: known ones as they are, all others from the stages.

    Parameters
    ----------
    settings : Settings
        How the cases are predicted and judged.
    cases : sequence of NamedCase
        The cases.
    known : Known
        What earlier runs have found out; told what this one does.
    progress : callable
        Told (done, of how many, words).

    Returns
    -------
    list of PlanFacts, list of JudgedFacts or None
        None where the plan is infeasible.

    Raises
    ------
    FaultError
        If a worker process dies.
    """
    found = {index: facts for index in range(len(cases)) if (facts := known.plan(index)) is not None}
    unknown = [index for index in range(len(cases)) if index not in found]
    planned: dict[int, Planned] = {}
    with ExitStack() as stack:
        pool = stack.enter_context(Workers(_count(settings, len(unknown)))) if len(unknown) > 1 else None
        here = Workers(1)
        planned.update(_planned(pool or here, cases, unknown, progress))
        from driftgate.judge.sampling import Sampling
        from driftgate.run.gather import judged_facts, plan_facts
        from driftgate.run.predict import answers_of

        for index in unknown:
            found[index] = plan_facts(cases[index].case, planned[index])
            known.keep_plan(index, found[index])
        plans = [found[index] for index in range(len(cases))]
        tolerances = sum(plan.tolerances for plan in plans)
        judged = [known.judged(i, tolerances) if plan.feasible else None for i, plan in enumerate(plans)]
        todo = [i for i, plan in enumerate(plans) if plan.feasible and judged[i] is None]
        planned.update(_planned(pool or here, cases, [i for i in todo if i not in planned], progress))
        if pool is None and todo:
            quick = len(todo) == 1 and _work(settings, planned[todo[0]]) <= _QUICK_WORK
            pool = stack.enter_context(Workers(1 if quick else _count(settings, len(todo))))
        rule = Sampling(settings.confidence, tolerances or 1, settings.sample == "sequential")
        work = [planned[index] for index in todo]
        for answer in answers_of(pool or here, work, settings.seed, settings.trials, rule, progress):
            index = todo[answer.index]
            verdict = judged_facts(planned[index], answer, rule)
            known.keep_judged(index, tolerances, verdict)
            judged[index] = verdict
    return plans, judged


def _count(settings: Settings, cases: int) -> int:
    """Return how many workers so many cases can use."""
    return min(settings.workers, cases * -(-settings.trials // _TRIALS_EACH))


def _work(settings: Settings, planned: Planned) -> int:
    return settings.trials * int(planned.plan.timeline.time_s.size)


def _planned(
    workers: Workers, cases: Sequence[NamedCase], indices: Sequence[int], progress: Progress
) -> dict[int, Planned]:
    if not indices:
        return {}
    from driftgate.run.tasks import plan_one

    planned = {}
    items = [(cases[index].case, cases[index].written) for index in indices]
    for index, plan in zip(indices, workers.map(plan_one, items), strict=True):
        planned[index] = plan
        progress(len(planned), len(indices), "planned")
    return planned
