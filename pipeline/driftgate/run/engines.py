"""What is not known yet of the cases of a run, worked out by the stages, spread over workers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Protocol

from driftgate.run.cases import NamedCase
from driftgate.run.facts import JudgedFacts, PlanFacts
from driftgate.run.known import Known
from driftgate.run.spread import Spread
from driftgate.run.workers import Crew, open_workers

# The array libraries are imported late, while the workers start.
if TYPE_CHECKING:
    from driftgate.judge.sampling import Sampling
    from driftgate.run.tasks import Answer, Planned

Progress = Callable[[int, int, str], None]

# A worker is worth its start from so many trials of a case on: the trials engine's own batch.
_TRIALS_EACH = 4096
# So many cases are planned and judged at a time: a planned one takes some hundred kilobytes. No result
# hangs on it.
_AT_ONCE = 256


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
    def workers(self) -> Crew:
        """Worker processes, at most, or a cluster."""


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
    useful = len(cases) * -(-settings.trials // _TRIALS_EACH)
    with open_workers(settings.workers, useful) as workers:
        work = _Work(settings, cases, known, progress, workers)
        plans = work.plans()
        return plans, work.judged(plans)


class _Work:
    """The work of one run, and the plans made on the way."""

    def __init__(
        self,
        settings: Settings,
        cases: Sequence[NamedCase],
        known: Known,
        progress: Progress,
        workers: Spread,
    ) -> None:
        self._settings, self._cases, self._known, self._progress = settings, cases, known, progress
        self._workers = workers
        self._planned: dict[int, Planned] = {}

    def plans(self) -> list[PlanFacts]:
        """Return the facts about every plan."""
        found = {i: facts for i in range(len(self._cases)) if (facts := self._known.plan(i)) is not None}
        unknown = [index for index in range(len(self._cases)) if index not in found]
        if len(unknown) > 1:
            # They get ready while this process imports what it needs.
            self._workers.start()
        for first in range(0, len(unknown), _AT_ONCE):
            part = unknown[first : first + _AT_ONCE]
            self._plan(part, first, len(unknown))
            for index in part:
                from driftgate.run.gather import plan_facts

                found[index] = plan_facts(self._cases[index].case, self._planned[index])
                self._known.keep_plan(index, found[index])
                if first:
                    # What is not judged soon is sooner planned again than kept in memory.
                    del self._planned[index]
        return [found[index] for index in range(len(self._cases))]

    def judged(self, plans: list[PlanFacts]) -> list[JudgedFacts | None]:
        """Return the facts about every verdict; None where the plan is infeasible."""
        from driftgate.judge.sampling import Sampling

        tolerances = sum(plan.tolerances for plan in plans)
        found = [self._known.judged(i, tolerances) if plan.feasible else None for i, plan in enumerate(plans)]
        todo = [i for i, plan in enumerate(plans) if plan.feasible and found[i] is None]
        if not todo:
            return found
        settings = self._settings
        rule = Sampling(settings.confidence, tolerances, settings.sample == "sequential")
        for first in range(0, len(todo), _AT_ONCE):
            part = todo[first : first + _AT_ONCE]
            missing = [index for index in part if index not in self._planned]
            self._plan(missing, 0, len(missing))
            work = [self._planned.pop(index) for index in part]
            told = _part_of(self._progress, first, len(todo), len(part))
            for place, verdict in _judged(self._workers, work, settings, rule, told):
                self._known.keep_judged(part[place], tolerances, verdict)
                found[part[place]] = verdict
        return found

    def _plan(self, indices: Sequence[int], before: int, total: int) -> None:
        """Plan cases; `before` and `total` are for the progress line."""
        if not indices:
            return
        from driftgate.run.tasks import plan_one

        items = [(self._cases[index].case, self._cases[index].written) for index in indices]
        # One plan is sooner made than a process for it.
        plans = map(plan_one, items) if len(items) == 1 else self._workers.map(plan_one, items)
        for done, plan in enumerate(plans):
            self._planned[indices[done]] = plan
            self._progress(before + done + 1, total, "cases planned")


def _part_of(progress: Progress, first: int, total: int, count: int) -> Progress:
    """Return what tells the progress of a part of the cases as that of all, so far as it is known."""

    def told(done: int, most: int, words: str) -> None:
        if count == total:
            progress(done, most, words)
        else:
            # Cases before this part count as whole, those after it as what a case of it takes at most.
            each = most / count
            progress(round(first * each) + done, round(total * each), words)

    return told


def _judged(
    workers: Spread, work: Sequence[Planned], settings: Settings, rule: Sampling, progress: Progress
) -> Iterator[tuple[int, JudgedFacts]]:
    """Yield the verdict on each case by its position, as soon as it is reached."""
    from driftgate.judge.rare import rare_moments
    from driftgate.run.gather import judged_facts
    from driftgate.run.predict import answers_of
    from driftgate.run.rare import rare_answers

    seed, trials = settings.seed, settings.trials
    left: list[Answer] = []
    for answer in answers_of(workers, work, seed, trials, rule, progress):
        prepared = work[answer.index].prepared
        if prepared is not None and rare_moments(prepared, rule):
            left.append(answer)
        else:
            plan = work[answer.index]
            yield answer.index, _told(plan, answer, judged_facts(plan, answer, rule))
    for answer in left:
        plan = work[answer.index]
        assert plan.prepared is not None
        rare = rare_answers(workers, plan.prepared, answer.covariance, seed, trials, rule, progress)
        yield answer.index, _told(plan, answer, judged_facts(plan, answer, rule, rare))


def _told(plan: Planned, answer: Answer, facts: JudgedFacts) -> JudgedFacts:
    """Return the facts with why trials fail, where the case does not pass."""
    from driftgate.run.failures import with_causes

    return facts if facts.verdict.status == "pass" else with_causes(plan, answer, facts)
