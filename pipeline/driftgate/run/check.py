"""Check every routine: load, plan, sight, predict, judge, report."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal

from driftgate import __version__
from driftgate.core.findings import Finding
from driftgate.report.model import CaseReport, RunReport
from driftgate.run.accepted import exception_findings
from driftgate.run.cases import NamedCase, cases_of
from driftgate.run.inputs import load_inputs, nothing_words
from driftgate.run.status import Exit, findings_status, judged_status

Sample = Literal["sequential", "fixed"]
# Enough for calls about as close as anyone can make by measuring robots.
MOST_TRIALS = 20_000
FIXED_TRIALS = 4000

# (done, of how many, what is being done)
Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class CheckSettings:
    """What to check and how.

    Attributes
    ----------
    paths : tuple of Path
        Routine files and folders; none: the folder `routines`.
    trials : int
        Trials of each case: the most that a sequential run takes, or all that a fixed one does.
    sample : {"sequential", "fixed"}
        Whether a case ends as soon as everything is decided, or after all its trials.
    seed : int
        Of the random streams.
    confidence : float
        Of every verdict.
    workers : int
        Worker processes; 1 keeps everything in this process.
    field : Path or None
        A field map to judge on besides those that the routines name.
    carry_field : bool
        Whether the robot carries that map too.
    today : date or None
        The day on which accepted exceptions are looked at; without one none expires.
    """

    paths: tuple[Path, ...] = ()
    trials: int = MOST_TRIALS
    seed: int = 1
    confidence: float = 0.95
    workers: int = 1
    field: Path | None = None
    carry_field: bool = False
    today: date | None = None
    sample: Sample = "sequential"

    def command(self, dated: bool = False) -> str:
        """Return the command line that gives the same numbers; `dated`: on the same day."""
        words = ["driftgate", "check", *(path.as_posix() for path in self.paths)]
        words += ["--trials", str(self.trials), "--seed", str(self.seed)]
        if self.sample != CheckSettings.sample:
            words += ["--sample", self.sample]
        if self.confidence != CheckSettings.confidence:
            words += ["--confidence", f"{100.0 * self.confidence:.12g}%"]
        if self.field is not None:
            words += ["--field", self.field.as_posix()]
        if self.carry_field:
            words.append("--carry-field")
        if dated and self.today is not None:
            words += ["--today", self.today.isoformat()]
        return shlex.join(words)


def _ignore(done: int, total: int, what: str) -> None:
    pass


def check_routines(settings: CheckSettings, progress: Progress = _ignore) -> RunReport:
    """Check routines and return everything there is to say about them.

    Parameters
    ----------
    settings : CheckSettings
        What to check and how.
    progress : callable, optional
        Told how far the work is.

    Returns
    -------
    RunReport
        With the exit status and why. Bad input and infeasible plans are in it; nothing is raised
        for them.

    Raises
    ------
    FaultError
        If a worker process dies.
    """
    inputs = load_inputs(settings.paths, settings.field, settings.carry_field)
    status, why = findings_status(inputs.findings)
    if status is not Exit.PASS:
        return _report(settings, (), 0, inputs.findings, status, why)
    if not inputs.routines:
        return _report(settings, (), 0, inputs.findings, Exit.NOTHING, nothing_words(settings.paths))
    cases = [case for loaded in inputs.routines for case in cases_of(loaded, inputs.override, settings.today)]
    reports, tolerances = _judged(settings, cases, progress)
    status, why = judged_status(reports)
    documents = [named.document for named in cases]
    findings = (*inputs.findings, *exception_findings(documents, reports, settings.today))
    return _report(settings, tuple(reports), tolerances, findings, status, why, _any_exceptions(cases))


def _any_exceptions(cases: list[NamedCase]) -> bool:
    # Only with exceptions does the day change anything.
    return any(named.written.accepted for named in cases)


def _judged(
    settings: CheckSettings, cases: list[NamedCase], progress: Progress
) -> tuple[list[CaseReport], int]:
    # The array libraries are imported only once there is something to predict.
    from driftgate.judge.rare import rare_moments
    from driftgate.judge.sampling import Sampling
    from driftgate.run.assemble import case_report, judge_answer
    from driftgate.run.predict import answers_of
    from driftgate.run.rare import RareAnswer, rare_answers
    from driftgate.run.tasks import BATCH, Answer, plan_one
    from driftgate.run.workers import Workers

    batches = len(cases) * -(-settings.trials // BATCH)
    reports: list[CaseReport | None] = [None] * len(cases)
    with Workers(min(settings.workers, batches)) as workers:
        planned = []
        tasks = [(named.case, named.written) for named in cases]
        # One plan is sooner made than a process for it.
        for plan in map(plan_one, tasks) if len(tasks) == 1 else workers.map(plan_one, tasks):
            planned.append(plan)
            progress(len(planned), len(cases), "planned")
        tolerances = sum(len(p.prepared.moments) + 1 for p in planned if p.prepared is not None)
        rule = Sampling(settings.confidence, tolerances or 1, settings.sample == "sequential")
        left: list[Answer] = []

        def take(answer: Answer, rare: dict[int, RareAnswer]) -> None:
            named, plan = cases[answer.index], planned[answer.index]
            verdict = judge_answer(named, plan, answer, rule, rare)
            reports[answer.index] = case_report(named, plan, verdict, answer.trials)

        for answer in answers_of(workers, planned, settings.seed, settings.trials, rule, progress):
            prepared = planned[answer.index].prepared
            if prepared is not None and rare_moments(prepared, rule):
                left.append(answer)
            else:
                take(answer, {})
        for answer in left:
            plan = planned[answer.index]
            take(answer, rare_answers(workers, plan, answer, settings.seed, settings.trials, rule, progress))
    found = [
        case_report(named, plan, None, None) if report is None else report
        for named, plan, report in zip(cases, planned, reports, strict=True)
    ]
    return found, tolerances


def _report(
    settings: CheckSettings,
    cases: tuple[CaseReport, ...],
    tolerances: int,
    findings: tuple[Finding, ...],
    status: Exit,
    why: str,
    dated: bool = False,
) -> RunReport:
    return RunReport(
        version=__version__,
        seed=settings.seed,
        trials=settings.trials,
        sample=settings.sample,
        confidence=settings.confidence,
        tolerances=tolerances,
        cases=cases,
        findings=findings,
        status=int(status),
        why=why,
        command=settings.command(dated),
    )
