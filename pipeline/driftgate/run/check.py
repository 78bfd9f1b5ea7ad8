"""Check every routine: load, plan, sight, predict, judge, report."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from driftgate import __version__
from driftgate.core.findings import Finding
from driftgate.report.model import CaseReport, RunReport
from driftgate.run.accepted import exception_findings
from driftgate.run.assemble import case_report
from driftgate.run.cache import Cache
from driftgate.run.cases import NamedCase, cases_of
from driftgate.run.facts import JudgedFacts, PlanFacts
from driftgate.run.inputs import Inputs, load_inputs, nothing_words
from driftgate.run.known import Known
from driftgate.run.status import Exit, findings_status, judged_status

if TYPE_CHECKING:
    from driftgate.run.workers import Crew

Sample = Literal["sequential", "fixed"]
# Enough for calls about as close as anyone can make by measuring robots.
MOST_TRIALS = 20_000
FIXED_TRIALS = 4000

# Settings that say which cases there are and how the work is done; verdicts depend on all others.
_APART = frozenset({"paths", "workers", "field", "carry_field", "today", "cache"})

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
    workers : int or Scheduler
        Worker processes; 1 keeps everything in this process. Or a cluster. Changes no number.
    field : Path or None
        A field map to judge on besides those that the routines name.
    carry_field : bool
        Whether the robot carries that map too.
    today : date or None
        The day on which accepted exceptions are looked at; without one none expires.
    cache : Cache or None
        Where answers of earlier runs are kept; changes no number.
    """

    paths: tuple[Path, ...] = ()
    trials: int = MOST_TRIALS
    seed: int = 1
    confidence: float = 0.95
    workers: Crew = 1
    field: Path | None = None
    carry_field: bool = False
    today: date | None = None
    sample: Sample = "sequential"
    cache: Cache | None = None

    def of_verdicts(self) -> dict[str, object]:
        """Return what a verdict depends on besides its case and the number of tolerances."""
        return {field.name: getattr(self, field.name) for field in fields(self) if field.name not in _APART}

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
    cases = checked_cases(settings, inputs)
    reports, tolerances = judged_cases(settings, cases, progress)
    status, why = judged_status(reports)
    documents = [named.document for named in cases]
    findings = (*inputs.findings, *exception_findings(documents, reports, settings.today))
    return _report(settings, tuple(reports), tolerances, findings, status, why, _any_exceptions(cases))


def checked_cases(settings: CheckSettings, inputs: Inputs) -> list[NamedCase]:
    """Return the cases that a run judges."""
    return [case for loaded in inputs.routines for case in cases_of(loaded, inputs.override, settings.today)]


def _any_exceptions(cases: list[NamedCase]) -> bool:
    # Only with exceptions does the day change anything.
    return any(named.written.accepted for named in cases)


def unchanged_report(settings: CheckSettings, why: str) -> RunReport:
    """Return the report of a run that has nothing to do, because nothing has changed: status 0."""
    return _report(settings, (), 0, (), Exit.PASS, f"nothing to check: {why}")


def judged_cases(
    settings: CheckSettings, cases: Sequence[NamedCase], progress: Progress = _ignore
) -> tuple[list[CaseReport], int]:
    """Judge cases and return their reports, and how many tolerances were judged together.

    Parameters
    ----------
    settings : CheckSettings
        How; which cases there are, it does not say here.
    cases : sequence of NamedCase
        Which.
    progress : callable, optional
        Told how far the work is.

    Raises
    ------
    FaultError
        If a worker process dies.
    """
    known = Known(settings.cache, cases, settings.of_verdicts())
    facts = _all_known(known, len(cases))
    if facts is None:
        # The engines and their array libraries are imported only once there is something to predict.
        from driftgate.run.engines import work_out

        facts = work_out(settings, cases, known, progress)
        known.prune()
    plans, judged = facts
    reports = [case_report(*of_one) for of_one in zip(cases, plans, judged, strict=True)]
    return reports, sum(plan.tolerances for plan in plans)


def _all_known(known: Known, count: int) -> tuple[list[PlanFacts], list[JudgedFacts | None]] | None:
    """Return the facts about every case if earlier runs have found out all of them."""
    plans = [known.plan(index) for index in range(count)]
    found = [plan for plan in plans if plan is not None]
    if len(found) < count:
        return None
    tolerances = sum(plan.tolerances for plan in found)
    judged = [known.judged(i, tolerances) if plan.feasible else None for i, plan in enumerate(found)]
    if any(plan.feasible and facts is None for plan, facts in zip(found, judged, strict=True)):
        return None
    return found, judged


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
