"""From facts about a case to the record that is reported, at today's places in the files."""

from __future__ import annotations

from typing import Final

from driftgate.core.findings import Finding
from driftgate.judge.silent_value import Silent
from driftgate.judge.values import CaseVerdict
from driftgate.load.document import KEY, Document
from driftgate.report.digits import lost_words
from driftgate.report.model import CaseReport, StepPlace
from driftgate.run.accepted import split_findings
from driftgate.run.cases import NamedCase
from driftgate.run.facts import JudgedFacts, PlanFacts, steps_named, with_steps

# From this share of the trials on it is a finding that the robot says it is lost. Our choice, no source.
LOST_TOLD: Final = 0.01


def case_report(named: NamedCase, plan: PlanFacts, judged: JudgedFacts | None) -> CaseReport:
    """Return the record of one case.

    Parameters
    ----------
    named : NamedCase
        The case and its documents.
    plan : PlanFacts
        What the plan and sight stages say of it.
    judged : JudgedFacts or None
        What the engines and the judge say of it; None where the plan is infeasible.
    """
    document = named.document
    steps = _steps(document, plan)
    findings = [
        (f.doc_path, document.finding(f.code, f.doc_path, f.message, f.suggestion, f.level))
        for f in plan.findings
    ]
    counting, accepted = split_findings(named.case.routine, named.written, findings)
    verdict = None if judged is None else with_steps(judged.verdict, lambda i: _step_words(steps, i))
    moments = () if verdict is None else verdict.moments
    return CaseReport(
        path=document.path,
        title=named.written.title,
        robot=named.robot.path,
        believed_map=named.believed.path,
        true_map=named.true.path,
        true_title=named.case.true.title,
        side=named.case.side,
        duration_s=plan.duration_s,
        time_limit_s=named.written.time_limit,
        energy_j=plan.energy_j,
        steps=steps,
        findings=(
            *counting,
            *_lost(named, verdict),
            *(() if judged is None else _silent(named, judged.silent)),
        ),
        verdict=verdict,
        places=tuple(document.where(moment.doc_path)[:2] for moment in moments),
        dark=plan.dark,
        readings=() if judged is None else judged.readings,
        accepted=accepted,
        tell=named.tell(),
        contact_place=_contact_place(document),
        at_fault=() if judged is None else tuple(steps_named(m.reason) for m in judged.verdict.moments),
    )


def _lost(named: NamedCase, verdict: CaseVerdict | None) -> list[Finding]:
    """Return a warning, at the robot's way back, if it says in too many trials that it is lost."""
    if verdict is None or verdict.lost <= LOST_TOLD * verdict.success.trials:
        return []
    message = (
        f"{_which(named)}: the robot raises its lost flag "
        f"{lost_words(verdict)}; the verdicts are those of a robot that goes on"
    )
    advice = f"see what the gate refuses: {named.tell()}"
    path = ("correction", "way_back", KEY)
    return [named.robot.finding("DG408", path, message, advice, level="warning")]


def _silent(named: NamedCase, silent: tuple[Silent, ...]) -> list[Finding]:
    """Return a warning where the correction does nothing, a note for each sensor that gives no fix."""
    return [
        named.robot.finding(
            "DG303",
            one.doc_path,
            f"{_which(named)}: {one.message}",
            one.suggestion,
            "note" if one.sensor else "warning",
        )
        for one in silent
    ]


def _which(named: NamedCase) -> str:
    """Return which case it is, for a finding in a file that several share."""
    side = "" if named.case.side == "as written" else f", {named.case.side}"
    return f"{named.document.path} on {named.true.path}{side}"


def _contact_place(document: Document) -> tuple[int, int]:
    """Return where the file says how much contact is allowed, or else where its `final` begins."""
    allowed = ("final", "contact_allowed", KEY)
    return document.where(allowed if allowed in document.positions else ("final", KEY))[:2]


def _steps(document: Document, plan: PlanFacts) -> tuple[StepPlace, ...]:
    """Return the planned steps with their lines."""
    places = []
    for number, step in enumerate(plan.steps, start=1):
        name = f"'{step.name}', " if step.name else ""
        places.append(StepPlace(number, f"{name}{step.label}", document.where(step.doc_path)[0]))
    return tuple(places)


def _step_words(steps: tuple[StepPlace, ...], index: int) -> str:
    return steps[index].words() if index < len(steps) else f"step {index + 1}"
