"""From what the stages gave to the record that is reported."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from driftgate.core.findings import Finding
from driftgate.judge.rare import rare_verdict
from driftgate.judge.sampling import Sampling
from driftgate.judge.values import CaseVerdict
from driftgate.judge.verdict import judge_case
from driftgate.plan.values import DocPath, Plan
from driftgate.predict.values import Outcome, TrialsResult
from driftgate.report.model import CaseReport, DarkTime, ReadingRow, StepPlace
from driftgate.run.accepted import split_findings
from driftgate.run.cases import NamedCase
from driftgate.run.rare import RareAnswer
from driftgate.run.tasks import Answer, Planned
from driftgate.schema.sensor import Sensor
from driftgate.sight.values import Reason


def steps_of(named: NamedCase, planned: Planned) -> tuple[StepPlace, ...]:
    """Return the planned steps with their lines."""
    places = []
    for step in planned.plan.steps:
        name = f"'{step.name}', " if step.name else ""
        line = named.document.where(step.doc_path)[0]
        places.append(StepPlace(step.index + 1, f"{name}{step.label}", line))
    return tuple(places)


def describe_with(steps: tuple[StepPlace, ...]) -> Callable[[int], str]:
    """Return words for a planned step's index, with its line in the file."""
    return lambda index: steps[index].words()


def outcome_words(outcome: Outcome) -> str:
    """Return an outcome as people read it."""
    return outcome.name.lower().replace("_", " ")


def reading_rows(sensors: list[Sensor], trials: TrialsResult) -> tuple[ReadingRow, ...]:
    """Return what became of each sensor's readings over all trials."""
    rows = []
    for i, sensor in enumerate(sensors):
        totals = trials.counts[i].sum(axis=0)
        accepted = int(totals[Outcome.ACCEPTED])
        move = 1e-9 * int(trials.fix_move_nm[i].sum()) / accepted if accepted else 0.0
        rows.append(
            ReadingRow(
                sensor=sensor.id,
                outcomes=tuple((outcome_words(o), int(totals[o])) for o in Outcome if totals[o]),
                wrongly_accepted=int(trials.wrongly_accepted[i].sum()),
                wrongly_refused=int(trials.wrongly_refused[i].sum()),
                mean_move_m=move,
            )
        )
    return tuple(rows)


def look_findings(named: NamedCase, planned: Planned) -> list[tuple[DocPath, Finding]]:
    """Return a warning for every look from which no sensor can give a fix, with its place."""
    prepared, robot = planned.prepared, named.case.robot
    if prepared is None or not robot.correction.enabled or not robot.sensors:
        return []
    readings = planned.plan.timeline.readings
    found: dict[DocPath, Finding] = {}
    for step in planned.plan.steps:
        mine = np.flatnonzero(readings.step == step.index)
        if not step.looking or mine.size == 0 or step.doc_path in found:
            continue
        reasons = prepared.sight.reason[mine]
        if (reasons == Reason.USABLE).any():
            continue
        counts = np.bincount(reasons.astype(np.intp))
        most = Reason(int(counts.argmax())).name.lower().replace("_", " ")
        message = f"no sensor can give a fix from here; most readings: {most}"
        found[step.doc_path] = named.document.finding("DG302", step.doc_path, message, level="warning")
    return list(found.items())


def judge_answer(
    named: NamedCase,
    planned: Planned,
    answer: Answer,
    rule: Sampling,
    rare: Mapping[int, RareAnswer] | None = None,
) -> CaseVerdict:
    """Return the verdict on what the engines gave for a case, in words with its lines.

    `rare` holds, by moment, what tilted trials say in place of plain ones.
    """
    assert planned.prepared is not None
    verdict = judge_case(
        planned.prepared,
        answer.covariance,
        answer.trials,
        rule.confidence,
        rule.tolerances,
        describe_with(steps_of(named, planned)),
        planned.dark,
        answer.looks,
    )
    moments = list(verdict.moments)
    for i, tilted in (rare or {}).items():
        moments[i] = rare_verdict(moments[i], tilted.sample, tilted.status, tilted.largest, rule)
    return replace(verdict, moments=tuple(moments))


def case_report(
    named: NamedCase, planned: Planned, verdict: CaseVerdict | None, trials: TrialsResult | None
) -> CaseReport:
    """Return the record of one case."""
    document = named.document
    moments = () if verdict is None else verdict.moments
    places = []
    for moment in moments:
        line, column, _ = document.where(moment.doc_path)
        places.append((line, column))
    findings = look_findings(named, planned)
    for found in planned.plan.findings:
        line, column, excerpt = document.where(found.doc_path)
        findings.append((found.doc_path, found.at(document.path, line, column, excerpt)))
    counting, accepted = split_findings(named.case.routine, named.written, findings)
    return CaseReport(
        path=document.path,
        title=named.written.title,
        robot=named.robot.path,
        believed_map=named.believed.path,
        true_map=named.true.path,
        true_title=named.case.true.title,
        side=named.case.side,
        duration_s=planned.plan.duration_s,
        time_limit_s=named.written.time_limit,
        energy_j=kinetic_energy_j(named.case.robot.mass, planned.plan),
        steps=steps_of(named, planned),
        findings=counting,
        verdict=verdict,
        places=tuple(places),
        dark=tuple(DarkTime(d.axis, d.begin_s, d.end_s, d.first_step, d.last_step) for d in planned.dark),
        readings=() if trials is None else reading_rows(named.case.robot.sensors, trials),
        accepted=accepted,
    )


def kinetic_energy_j(mass_kg: float, plan: Plan) -> float:
    """Return the largest kinetic energy of the robot's travel on the plan, m v^2 / 2. [J]"""
    rate = plan.timeline.rate
    return float(0.5 * mass_kg * max(rate[:, 0] ** 2 + rate[:, 1] ** 2))
