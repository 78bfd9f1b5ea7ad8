"""One routine in depth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from driftgate.core.findings import Finding
from driftgate.report.model import CaseReport
from driftgate.run.cases import NamedCase, one_case
from driftgate.run.check import MOST_TRIALS, Sample
from driftgate.run.inputs import load_inputs
from driftgate.run.status import Exit, InputError, findings_status, judged_status
from driftgate.schema.case import Side

if TYPE_CHECKING:
    from driftgate.report.explain import Explained
    from driftgate.run.workers import Crew


@dataclass(frozen=True)
class ExplainSettings:
    """Which case, and how it is predicted; as `CheckSettings`."""

    path: Path
    trials: int = MOST_TRIALS
    seed: int = 1
    confidence: float = 0.95
    workers: Crew = 1
    field: Path | None = None
    carry_field: bool = False
    mirrored: bool = False
    today: date | None = None
    sample: Sample = "sequential"


@dataclass(frozen=True)
class Explanation:
    """What there is to explain: findings alone, an infeasible case, or everything."""

    findings: tuple[Finding, ...]
    report: CaseReport | None
    explained: Explained | None
    status: Exit
    why: str


def chosen_case(
    settings: ExplainSettings,
) -> tuple[tuple[Finding, ...], NamedCase | None, Exit, str]:
    """Return the findings of the files, the case that is meant if there is none of them, status and why.

    Raises
    ------
    InputError
        If the path holds not exactly one routine, or the side does not exist.
    """
    inputs = load_inputs([settings.path], settings.field, settings.carry_field)
    status, why = findings_status(inputs.findings)
    if status is not Exit.PASS:
        return inputs.findings, None, status, why
    if len(inputs.routines) != 1:
        raise InputError(f"{settings.path} holds {len(inputs.routines)} routines; name one")
    side: Side = "mirrored" if settings.mirrored else "as written"
    named = one_case(inputs.routines[0], inputs.override, side, settings.today)
    return inputs.findings, named, status, why


def explain_routine(settings: ExplainSettings, progress: Callable[[int, int, str], None]) -> Explanation:
    """Return everything that the stages say about one case of one routine.

    Parameters
    ----------
    settings : ExplainSettings
        Which case, and how.
    progress : callable
        Told (done, of how many, words).

    Raises
    ------
    InputError
        If the path holds not exactly one routine, or the side does not exist.
    """
    findings, named, status, why = chosen_case(settings)
    if named is None:
        return Explanation(findings, None, None, status, why)

    from driftgate.judge.consistency import filter_consistency
    from driftgate.judge.sampling import Sampling
    from driftgate.judge.tuning import Advice, advice
    from driftgate.report.explain import Explained
    from driftgate.run.assemble import case_report
    from driftgate.run.failures import with_causes
    from driftgate.run.gather import judged_facts, plan_facts, report_of
    from driftgate.run.predict import answers_of
    from driftgate.run.rare import rare_answers
    from driftgate.run.tasks import BATCH, plan_one
    from driftgate.run.workers import open_workers

    planned = plan_one((named.case, named.written))
    if planned.prepared is None:
        report = report_of(named, planned)
        return Explanation(findings, report, None, *judged_status([report]))
    rule = Sampling(settings.confidence, len(planned.prepared.moments) + 1, settings.sample == "sequential")
    with open_workers(settings.workers, -(-settings.trials // BATCH)) as workers:
        (answer,) = answers_of(workers, [planned], settings.seed, settings.trials, rule, progress)
        rare = rare_answers(
            workers, planned.prepared, answer.covariance, settings.seed, settings.trials, rule, progress
        )
    facts = with_causes(planned, answer, judged_facts(planned, answer, rule, rare))
    report = case_report(named, plan_facts(named.case, planned), facts)
    moments = tuple((m.name, m.step) for m in planned.prepared.moments)
    consistency = filter_consistency(named.case, moments, answer.trials)
    found: Advice | str = ""
    if consistency is not None:
        before = answer.trials if answer.trials.weight is None else None
        found = advice(planned.prepared, consistency, settings.seed, before, progress)
    mend = found if isinstance(found, str) else found.sentence
    explained = Explained(
        report,
        planned.prepared,
        planned.prepared.believed,
        answer.covariance,
        answer.trials,
        consistency,
        mend,
    )
    return Explanation(findings, report, explained, *judged_status([report]))
