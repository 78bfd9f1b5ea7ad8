"""From what the stages gave to the facts that are reported and kept."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from driftgate.judge.rare import CONTACT, rare_verdict
from driftgate.judge.rare_contact import rare_contact_verdict
from driftgate.judge.sampling import Sampling
from driftgate.judge.silent import silent_sensors
from driftgate.judge.verdict import judge_case
from driftgate.plan.values import DocPath, Plan
from driftgate.predict.values import Outcome, TrialsResult
from driftgate.report.model import CaseReport, DarkTime, ReadingRow
from driftgate.run.assemble import case_report
from driftgate.run.cases import NamedCase
from driftgate.run.facts import FindingFact, JudgedFacts, PlanFacts, StepFact, step_mark
from driftgate.run.rare import RareAnswer
from driftgate.run.tasks import Answer, Planned
from driftgate.schema.case import Case
from driftgate.schema.robot import Robot
from driftgate.schema.sensor import Sensor
from driftgate.sight.values import Reason


def plan_facts(case: Case, planned: Planned) -> PlanFacts:
    """Return what the plan and sight stages say of a case."""
    plan = planned.plan
    return PlanFacts(
        steps=tuple(StepFact(step.name, step.label, step.doc_path) for step in plan.steps),
        findings=(
            *_look_findings(case.robot, planned),
            *(FindingFact(f.code, f.doc_path, f.message, f.level, f.suggestion) for f in plan.findings),
        ),
        duration_s=plan.duration_s,
        energy_j=kinetic_energy_j(case.robot.mass, plan),
        dark=tuple(DarkTime(d.axis, d.begin_s, d.end_s, d.first_step, d.last_step) for d in planned.dark),
        tolerances=0 if planned.prepared is None else len(planned.prepared.moments) + 1,
    )


def judged_facts(
    planned: Planned, answer: Answer, rule: Sampling, rare: Mapping[int, RareAnswer] | None = None
) -> JudgedFacts:
    """Return the verdict on what the engines gave for a case, and what became of its readings.

    `rare` holds, by moment and under `CONTACT`, what tilted trials say in place of plain ones.
    """
    prepared = planned.prepared
    assert prepared is not None
    verdict = judge_case(
        prepared,
        answer.covariance,
        answer.trials,
        rule.confidence,
        rule.tolerances,
        step_mark,
        planned.dark,
        answer.looks,
    )
    moments, contact = list(verdict.moments), verdict.contact
    for i, tilted in (rare or {}).items():
        if i == CONTACT:
            sample, places = tilted.sample, tilted.places
            contact = rare_contact_verdict(contact, sample, places, tilted.largest, rule, step_mark)
        else:
            moments[i] = rare_verdict(moments[i], tilted.sample, tilted.status, tilted.largest, rule)
    verdict = replace(verdict, moments=tuple(moments), contact=contact)
    robot = prepared.case.robot
    silent = silent_sensors(robot, answer.trials.counts, answer.trials.trials)
    return JudgedFacts(verdict, reading_rows(robot.sensors, answer.trials), silent)


def report_of(
    named: NamedCase,
    planned: Planned,
    answer: Answer | None = None,
    rule: Sampling | None = None,
    rare: Mapping[int, RareAnswer] | None = None,
) -> CaseReport:
    """Return the record of one case straight from the stages; without an answer that of its plan."""
    judged = None if answer is None or rule is None else judged_facts(planned, answer, rule, rare)
    return case_report(named, plan_facts(named.case, planned), judged)


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


def _look_findings(robot: Robot, planned: Planned) -> list[FindingFact]:
    """Return a warning for every look from which no sensor can give a fix."""
    prepared = planned.prepared
    if prepared is None or not robot.correction.enabled or not robot.sensors:
        return []
    readings = planned.plan.timeline.readings
    found: dict[DocPath, FindingFact] = {}
    for step in planned.plan.steps:
        mine = np.flatnonzero(readings.nominal & (readings.step == step.index))
        if not step.looking or mine.size == 0 or step.doc_path in found:
            continue
        reasons = prepared.sight.reason[mine]
        if (reasons == Reason.USABLE).any():
            continue
        # In the order of the tests, of those that refuse equally many.
        counts = Counter(prepared.sight.words(r) for r in mine[np.argsort(reasons, kind="stable")].tolist())
        most = counts.most_common(1)[0][0]
        message = f"no sensor can give a fix from here; most readings: {most}"
        found[step.doc_path] = FindingFact("DG302", step.doc_path, message, "warning", "")
    return list(found.values())


def kinetic_energy_j(mass_kg: float, plan: Plan) -> float:
    """Return the largest kinetic energy of the robot's travel on the plan, m v^2 / 2. [J]"""
    rate = plan.timeline.rate
    return float(0.5 * mass_kg * max(rate[:, 0] ** 2 + rate[:, 1] ** 2))
