"""Variants of one routine side by side, with the same luck."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from driftgate import __version__
from driftgate.load.project import find_root
from driftgate.report.compare_model import AxisFigure, Figure, MomentFigures, SideBySide, VariantReport
from driftgate.run.cases import NamedCase, one_case
from driftgate.run.inputs import load_inputs
from driftgate.run.status import Exit, InputError, counted, findings_status
from driftgate.run.variants import AS_WRITTEN, VariantSpec, variant_cases
from driftgate.schema.case import Side

if TYPE_CHECKING:
    from driftgate.core.findings import Finding
    from driftgate.judge.outcomes import MomentOutcomes, Outcomes
    from driftgate.predict.values import BoolArray
    from driftgate.run.tasks import Planned
    from driftgate.run.workers import Crew


@dataclass(frozen=True)
class CompareSettings:
    """Which variants of which case, and how they are predicted; as `CheckSettings`."""

    path: Path
    variants: tuple[VariantSpec, ...]
    trials: int = 4000
    seed: int = 1
    confidence: float = 0.95
    workers: Crew = 1
    mirrored: bool = False

    def command(self) -> str:
        """Return the command line that gives the same numbers."""
        words = ["driftgate", "compare", self.path.as_posix()]
        for spec in self.variants:
            words += ["--variant", spec.text]
        words += ["--trials", str(self.trials), "--seed", str(self.seed)]
        if self.confidence != CompareSettings.confidence:
            words += ["--confidence", f"{100.0 * self.confidence:.12g}%"]
        if self.mirrored:
            words.append("--mirrored")
        return shlex.join(words)


def compare_variants(settings: CompareSettings, progress: Callable[[int, int, str], None]) -> SideBySide:
    """Return the figures of one routine as written and of each variant of it.

    Parameters
    ----------
    settings : CompareSettings
        Which variants, and how.
    progress : callable
        Told (done, of how many, words).

    Raises
    ------
    InputError
        If the path holds not exactly one routine, two variants have one name, or the side does not
        exist.
    """
    _refuse_same_name(settings.variants)
    inputs = load_inputs([settings.path])
    status, why = findings_status(inputs.findings)
    if status is not Exit.PASS:
        return _report(settings, None, (), inputs.findings, status, why)
    if len(inputs.routines) != 1:
        raise InputError(f"{settings.path} holds {len(inputs.routines)} routines; name one")
    loaded = inputs.routines[0]
    side: Side = "mirrored" if settings.mirrored else "as written"
    first = one_case(loaded, None, side)
    specs = (VariantSpec(AS_WRITTEN), *settings.variants)
    made = variant_cases(loaded, first, specs, find_root(settings.path))
    findings = (*inputs.findings, *made.findings)
    status, why = findings_status(findings)
    if status is not Exit.PASS:
        return _report(settings, first, (), findings, status, why.replace("the files", "the variants"))
    variants, strict = _predicted(settings, specs, made.cases, progress)
    infeasible = [v.name for v in variants if v.success is None]
    if infeasible:
        status, why = Exit.FAIL, f"{counted(len(infeasible), 'variant')} infeasible: {', '.join(infeasible)}"
    else:
        why = f"{counted(len(variants), 'variant')} compared over {settings.trials} trials"
    return replace(_report(settings, first, tuple(variants), findings, status, why), strict=strict)


def _refuse_same_name(variants: Sequence[VariantSpec]) -> None:
    names = [AS_WRITTEN, *(spec.name for spec in variants)]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"two variants are called '{name}'")


def _predicted(
    settings: CompareSettings,
    specs: Sequence[VariantSpec],
    cases: Sequence[NamedCase],
    progress: Callable[[int, int, str], None],
) -> tuple[list[VariantReport], int]:
    # The array libraries are imported only once there is something to predict.
    from driftgate.judge.paired import SECTIONS
    from driftgate.judge.sampling import beyond_plain
    from driftgate.run.paired import PairedCase, paired_outcomes
    from driftgate.run.tasks import plan_one
    from driftgate.run.workers import open_workers

    with open_workers(settings.workers, len(cases) * SECTIONS) as workers:
        planned = list(workers.map(plan_one, [(named.case, named.written) for named in cases]))
        pairs = [
            PairedCase(plan.prepared, plan.prepared.moments, plan.prepared.case.routine.time_limit)
            for plan in planned
            if plan.prepared is not None
        ]
        results = paired_outcomes(
            workers,
            pairs,
            settings.seed,
            settings.trials,
            progress,
            "trials of the variants",
            by_section=True,
        )
        reference: Outcomes | None = None
        reports = []
        for spec, named, plan in zip(specs, cases, planned, strict=True):
            outcomes = next(results) if plan.prepared is not None else None
            reference = reference or outcomes
            reports.append(_variant_report(spec, named, plan, outcomes, reference, settings.confidence))
    strict = max((beyond_plain(m.required for m in pair.moments) for pair in pairs), default=0)
    return reports, strict


def _variant_report(
    spec: VariantSpec,
    named: NamedCase,
    plan: Planned,
    now: Outcomes | None,
    before: Outcomes | None,
    confidence: float,
) -> VariantReport:
    report = VariantReport(
        name=spec.name,
        changes=spec.text.partition(":")[2].strip(),
        robot=named.robot.path,
        believed_map=named.believed.path,
        true_map=named.true.path,
        findings=_plan_findings(named, plan),
    )
    if now is None or before is None:
        return report
    from driftgate.judge.outcomes import per_run, reading_difference, same_runs

    against = None if now is before else confidence

    def reading(what: str) -> Figure:
        found = None if against is None else reading_difference(before, now, what, against)
        return Figure(per_run(now, what), found)

    return replace(
        report,
        same=now is not before and same_runs(before, now),
        success=_success(before.everything, now.everything, against),
        contact=_success(~before.untouched, ~now.untouched, against),
        fixes=reading("fixes"),
        wrongly_accepted=reading("wrongly_accepted"),
        wrongly_refused=reading("wrongly_refused"),
        moments=tuple(
            _moment_figures(old, new, against) for old, new in zip(before.moments, now.moments, strict=True)
        ),
    )


def _plan_findings(named: NamedCase, plan: Planned) -> tuple[Finding, ...]:
    document = named.document
    return tuple(found.at(document.path, *document.where(found.doc_path)) for found in plan.plan.findings)


def _success(before: BoolArray, now: BoolArray, confidence: float | None) -> Figure:
    """Return a share of the trials; without a confidence it is held against nothing."""
    from driftgate.judge.paired import pair_counts, success_difference

    found = None if confidence is None else success_difference(*pair_counts(before, now), confidence)
    return Figure(float(now.mean()), found)


def _moment_figures(before: MomentOutcomes, now: MomentOutcomes, confidence: float | None) -> MomentFigures:
    import numpy as np

    from driftgate.judge.outcomes import TYPICAL
    from driftgate.judge.paired import quantile, quantile_difference

    axes = []
    for old, new in zip(before.axes, now.axes, strict=True):
        mine, its = np.abs(old.error), np.abs(new.error)
        found = None if confidence is None else quantile_difference(mine, its, TYPICAL, confidence)
        axes.append(AxisFigure(new.limit.axis, Figure(quantile(its, TYPICAL), found)))
    return MomentFigures(now.name, _success(before.success, now.success, confidence), tuple(axes))


def _report(
    settings: CompareSettings,
    first: NamedCase | None,
    variants: tuple[VariantReport, ...],
    findings: tuple[Finding, ...],
    status: Exit,
    why: str,
) -> SideBySide:
    return SideBySide(
        version=__version__,
        path=first.document.path if first is not None else settings.path.as_posix(),
        title=first.written.title if first is not None else "",
        side="mirrored" if settings.mirrored else "as written",
        seed=settings.seed,
        trials=settings.trials,
        confidence=settings.confidence,
        variants=variants,
        findings=findings,
        status=int(status),
        why=why,
        command=settings.command(),
    )
