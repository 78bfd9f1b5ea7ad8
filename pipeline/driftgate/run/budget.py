"""The error budget of one routine."""

from __future__ import annotations

import shlex
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from driftgate import __version__
from driftgate.core.findings import Finding
from driftgate.judge.budget import MomentBudget, MomentOutput, Redrawn, budget_of, outputs_of
from driftgate.judge.sampling import Sampling
from driftgate.predict.sources import TITLES
from driftgate.predict.values import CovarianceResult
from driftgate.report.budget_model import BudgetReport
from driftgate.report.model import CaseReport
from driftgate.run.candidates import AsItIs
from driftgate.run.cases import one_case
from driftgate.run.gather import report_of
from driftgate.run.growth import growths
from driftgate.run.improve import improvements
from driftgate.run.inputs import load_inputs
from driftgate.run.predict import answers_of
from driftgate.run.rare import rare_answers
from driftgate.run.redraws import Progress, Variant, run_variants
from driftgate.run.spread import Spread
from driftgate.run.status import Exit, InputError, findings_status, judged_status
from driftgate.run.tasks import plan_one
from driftgate.run.workers import Crew, open_workers
from driftgate.schema.case import Side

if TYPE_CHECKING:
    from driftgate.predict import Prepared

EVERY_SOURCE = frozenset(TITLES)


@dataclass(frozen=True)
class BudgetSettings:
    """Which case, and how deep; as `CheckSettings`.

    Attributes
    ----------
    redraws : int
        Trials of each run with a source redrawn, switched off or grown.
    grow : bool
        Find out how much each source may grow.
    improve : bool
        Find out what single changes would buy.
    """

    path: Path
    trials: int = 4000
    redraws: int = 2000
    seed: int = 1
    confidence: float = 0.95
    workers: Crew = 1
    field: Path | None = None
    carry_field: bool = False
    mirrored: bool = False
    today: date | None = None
    grow: bool = False
    improve: bool = False

    def command(self) -> str:
        """Return the command line that gives the same numbers."""
        words = ["driftgate", "budget", self.path.as_posix()]
        words += ["--trials", str(self.trials), "--redraws", str(self.redraws), "--seed", str(self.seed)]
        if self.confidence != BudgetSettings.confidence:
            words += ["--confidence", f"{100.0 * self.confidence:.12g}%"]
        if self.field is not None:
            words += ["--field", self.field.as_posix()]
        words += ["--carry-field"] * self.carry_field + ["--mirrored"] * self.mirrored
        words += ["--grow"] * self.grow + ["--improve"] * self.improve
        return shlex.join(words)


def budget_routine(settings: BudgetSettings, progress: Progress) -> BudgetReport:
    """Return the error budget of one case of one routine.

    Parameters
    ----------
    settings : BudgetSettings
        Which case, and how.
    progress : callable
        Told (done, of how many, words).

    Raises
    ------
    InputError
        If the path holds not exactly one routine, or the side does not exist.
    FaultError
        If a worker process dies.
    """
    inputs = load_inputs([settings.path], settings.field, settings.carry_field)
    status, why = findings_status(inputs.findings)
    if status is not Exit.PASS:
        return _report(settings, inputs.findings, None, (), status, why)
    if len(inputs.routines) != 1:
        raise InputError(f"{settings.path} holds {len(inputs.routines)} routines; name one")
    side: Side = "mirrored" if settings.mirrored else "as written"
    named = one_case(inputs.routines[0], inputs.override, side, settings.today)
    planned = plan_one((named.case, named.written))
    prepared = planned.prepared
    if prepared is None:
        case = report_of(named, planned)
        return _report(settings, inputs.findings, case, (), *judged_status([case]))
    with open_workers(settings.workers) as workers:
        # A number of trials that is fixed beforehand: what is compared must have the same trials.
        rule = Sampling(settings.confidence, len(prepared.moments) + 1, sequential=False)
        (answer,) = answers_of(workers, [planned], settings.seed, settings.trials, rule, progress)
        rare = rare_answers(
            workers, prepared, answer.covariance, settings.seed, settings.trials, rule, progress
        )
        covariance, trials = answer.covariance, answer.trials
        case = report_of(named, planned, answer, rule, rare)
        plain = outputs_of(prepared.moments, trials, named.case.routine.time_limit)
        runs = redrawn_runs(workers, prepared, covariance, plain, settings.redraws, settings.seed, progress)
        budget = budget_of(prepared.moments, covariance, runs)
        report = _report(settings, inputs.findings, case, budget, *judged_status([case]))
        if settings.grow:
            found = growths(workers, prepared, covariance, runs.plain, settings.seed, progress)
            report = replace(report, growths=found[0], broken=found[1])
        if settings.improve:
            moments = () if case.verdict is None else case.verdict.moments
            binding = tuple(moment.binding for moment in moments)
            as_it_is = AsItIs(prepared, named.written, covariance, plain, budget, binding)
            gained = improvements(workers, as_it_is, settings.confidence, settings.seed, progress)
            report = replace(report, improvements=gained)
    return report


def redrawn_runs(
    workers: Spread,
    prepared: Prepared,
    covariance: CovarianceResult,
    plain: tuple[MomentOutput, ...],
    count: int,
    seed: int,
    progress: Progress,
) -> Redrawn:
    """Return the runs that the trials engine's budget is made from: 2 for each source, and 2 more.

    `plain` are the outputs of the plain run, of which the first `count` trials are taken.
    """
    names = [source.name for source in covariance.sources]
    count = min(count, len(plain[0].event))
    variants = [Variant(prepared, redrawn=EVERY_SOURCE)]
    variants += [Variant(prepared, redrawn=frozenset({name})) for name in names]
    variants += [Variant(prepared, off=frozenset({name})) for name in names]

    def told(done: int) -> None:
        progress(done, len(variants), "runs with one error source drawn anew or left out")

    found = list(run_variants(workers, variants, count, seed, told))
    ones, offs = found[1 : 1 + len(names)], found[1 + len(names) :]
    return Redrawn(
        plain=tuple(output.first(count) for output in plain),
        all_redrawn=found[0],
        one_redrawn=dict(zip(names, ones, strict=True)),
        off=dict(zip(names, offs, strict=True)),
    )


def _report(
    settings: BudgetSettings,
    findings: tuple[Finding, ...],
    case: CaseReport | None,
    moments: tuple[MomentBudget, ...],
    status: Exit,
    why: str,
) -> BudgetReport:
    return BudgetReport(
        version=__version__,
        findings=findings,
        case=case,
        moments=moments,
        growths=None,
        broken=(),
        improvements=None,
        trials=settings.trials,
        redraws=min(settings.redraws, settings.trials),
        seed=settings.seed,
        confidence=settings.confidence,
        status=int(status),
        why=why,
        command=settings.command(),
    )
