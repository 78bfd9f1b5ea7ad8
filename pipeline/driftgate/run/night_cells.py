"""What a worker does in a night: one routine on one field and side, as it is or under one fault."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, replace

from driftgate.judge.cell import counted, decided_by_weights, points_of
from driftgate.judge.night import AS_IT_IS, Cell, Counted
from driftgate.judge.outcomes import Outcomes, joined, outcomes_of
from driftgate.judge.rare import rare_moments
from driftgate.judge.sampling import Sampling
from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.trials_engine import trials_plan
from driftgate.run import strays
from driftgate.run.faults import Fault, Way, faults_of, with_fault
from driftgate.run.rare import rare_answers
from driftgate.run.tasks import plan_one, spans
from driftgate.run.workers import Workers
from driftgate.schema.case import Case
from driftgate.schema.routine import Routine

# Plans that a worker keeps: the tasks of a case come one after the other.
_KEPT = 2
_PLANS: OrderedDict[str, Prepared] = OrderedDict()


@dataclass(frozen=True)
class CaseOutline:
    """Of a case: its number of tolerances, none if its plan is infeasible; its faults, key and title."""

    tolerances: int
    faults: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class CellTask:
    """One cell to work out.

    Attributes
    ----------
    case : Case
        The case as it is.
    written : Routine
        Its routine as written, on which the luck hangs.
    index : int
        Of the case, for whoever asked.
    fault : str
        Key of the fault.
    trials, scouts : int
        Of the verdict, and of each run of a search.
    seed, scout_seed : int
        The search has luck of its own.
    rule : Sampling
        How the cell is judged.
    key : str
        The same for all tasks of one case and for no other case of this program.
    """

    case: Case
    written: Routine
    index: int
    fault: str
    trials: int
    scouts: int
    seed: int
    scout_seed: int
    rule: Sampling
    key: str

    @property
    def task_name(self) -> str:
        """What it is, for people."""
        side = ", mirrored" if self.case.side == "mirrored" else ""
        return f"'{self.written.title}'{side}, {self.fault or 'as it is'}"


def outline_case(item: tuple[Case, Routine]) -> CaseOutline:
    """Return what a case holds for a night."""
    prepared = plan_one(item).prepared
    if prepared is None:
        return CaseOutline(0, ())
    faults = [(fault.key, fault.title) for fault in faults_of(prepared)]
    if strays.straying(prepared.case):
        faults += strays.TITLES.items()
    return CaseOutline(len(prepared.moments) + 1, tuple(faults))


def work_cell(task: CellTask) -> Cell | None:
    """Return a cell; None where the fault cannot happen to this case after all."""
    prepared = _prepared(task)
    if task.fault == AS_IT_IS:
        return _judged(task, prepared, Fault(AS_IT_IS, "", (Way("", task.case),)), prepared, 0, "")
    if task.fault in strays.TITLES:
        found = strays.worst_place(prepared, task.fault, task.scouts, task.scout_seed)
        if found.way is None:
            return None
        fault = Fault(task.fault, strays.TITLES[task.fault], (found.way,))
        tried = found.tried
    else:
        fault = next(one for one in faults_of(prepared) if one.key == task.fault)
        tried = len(fault.ways)
    way = _worst_way(task, prepared, fault)
    return _judged(task, prepared, fault, with_fault(prepared, way.case), tried, way.words)


def _prepared(task: CellTask) -> Prepared:
    if task.key not in _PLANS:
        found = plan_one((task.case, task.written)).prepared
        assert found is not None  # its outline says so
        _PLANS[task.key] = found
    _PLANS.move_to_end(task.key)
    while len(_PLANS) > _KEPT:
        _PLANS.popitem(last=False)
    return _PLANS[task.key]


def _worst_way(task: CellTask, prepared: Prepared, fault: Fault) -> Way:
    """Return the way that hurts most over the scouts, all with the same luck; the first of equals."""
    if len(fault.ways) == 1:
        return fault.ways[0]
    pain = [strays.pain(with_fault(prepared, way.case), task.scouts, task.scout_seed) for way in fault.ways]
    return fault.ways[pain.index(max(pain))]


def _judged(task: CellTask, asked: Prepared, fault: Fault, faulty: Prepared, tried: int, words: str) -> Cell:
    """Return the verdict on the faulty case, held to what is asked of it as it is."""
    run = _outcomes(faulty, task.trials, task.seed)
    tolerances = counted(asked.moments, run, asked.case.routine.final.contact_allowed, task.rule)
    if task.fault == AS_IT_IS:
        tolerances = _with_weights(task, asked, tolerances)
    return Cell(
        fault=fault.key,
        title=fault.title,
        way=words,
        tried=tried,
        trials=run.trials,
        together=int(run.everything.sum()),
        points=points_of(asked.moments, run),
        tolerances=tolerances,
    )


def _with_weights(task: CellTask, prepared: Prepared, tolerances: tuple[Counted, ...]) -> tuple[Counted, ...]:
    """Return the tolerances, those with very high requirements decided by weighted trials, as by a check."""
    # Only a run that looks more than once leaves requirements to them.
    rule = replace(task.rule, sequential=True)
    if not rare_moments(prepared, rule):
        return tolerances
    found = list(tolerances)
    linear = covariance(prepared)
    answers = rare_answers(
        Workers(1), prepared, linear, task.seed, task.trials, rule, lambda done, total, words: None
    )
    for i, answer in answers.items():
        # Contact is the last in both counts.
        found[i] = decided_by_weights(found[i], answer.sample, answer.status, answer.largest, rule)
    return tuple(found)


def _outcomes(prepared: Prepared, trials: int, seed: int) -> Outcomes:
    shared, limit_s = trials_plan(prepared), prepared.case.routine.time_limit
    return joined(
        [
            outcomes_of(
                prepared.moments,
                run_trials(prepared, count, seed, first, shared=shared),
                limit_s,
            )
            for first, count in spans(0, trials)
        ]
    )
