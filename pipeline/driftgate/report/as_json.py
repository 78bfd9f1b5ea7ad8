"""The report that programs read, schema "driftgate-report/2".

One object. Its members are those of `driftgate.report.model.RunReport`, quantities in SI with the
unit in the name; `driftgate.report.json_schema.SCHEMA` is its JSON Schema and says what each member
means. Within one schema number members are only ever added. A number that is not finite (a share
of a tolerance that contact makes infinite, a figure that too few trials leave unknown) is null, and
`used_state` says which. There are no times of day and no machine names: the same input gives the
same bytes.
"""

from __future__ import annotations

import math
from typing import Any

from driftgate.core.findings import Finding
from driftgate.judge.cause_values import FailureCauses
from driftgate.judge.values import (
    AxisVerdict,
    CaseVerdict,
    ContactVerdict,
    Disagreement,
    Estimate,
    MomentVerdict,
    RareTrials,
    VarianceShares,
)
from driftgate.report.causes import tell_command
from driftgate.report.caution import FULL
from driftgate.report.json_text import as_text, known
from driftgate.report.model import CaseReport, RunReport

SCHEMA_NAME = "driftgate-report/2"

Json = dict[str, Any]


def render_json(report: RunReport) -> str:
    """Return the report as JSON text, floats in the shortest form that reads back the same."""
    return as_text(report_object(report))


def report_object(report: RunReport) -> Json:
    """Return the report as plain dictionaries, lists, texts, numbers and nulls."""
    return {
        "schema": SCHEMA_NAME,
        "version": report.version,
        "status": report.status,
        "why": report.why,
        "verdict": report.verdict,
        "seed": report.seed,
        "trials": report.trials,
        "sample": report.sample,
        "confidence": report.confidence,
        "tolerances": report.tolerances,
        "command": report.command,
        "cautions": list(FULL),
        "findings": [_finding(finding) for finding in sorted(report.findings)],
        "cases": [_case(case, report.seed) for case in report.cases],
    }


def _finding(finding: Finding) -> Json:
    return {
        "path": finding.path,
        "line": finding.line,
        "column": finding.column,
        "code": finding.code,
        "level": finding.level,
        "message": finding.message,
        "suggestion": finding.suggestion,
    }


def _case(case: CaseReport, seed: int) -> Json:
    return {
        "path": case.path,
        "title": case.title,
        "robot": case.robot,
        "believed_map": case.believed_map,
        "true_map": case.true_map,
        "side": case.side,
        "verdict": case.status,
        "duration_s": known(case.duration_s),
        "time_limit_s": known(case.time_limit_s),
        "energy_j": known(case.energy_j),
        "findings": [_finding(finding) for finding in sorted(case.findings)],
        "accepted": [
            {**_finding(a.finding), "reason": a.reason, "until": a.until, "entry": a.entry + 1}
            for a in sorted(case.accepted, key=lambda a: a.finding)
        ],
        "steps": [{"number": s.number, "label": s.label, "line": s.line} for s in case.steps],
        "prediction": None if case.verdict is None else _prediction(case, case.verdict, seed),
        "dark": [
            {
                "code": "DG301",
                "axis": d.axis,
                "begin_s": known(d.begin_s),
                "end_s": known(d.end_s),
                "first_step": d.first_step + 1,
                "last_step": d.last_step + 1,
            }
            for d in case.dark
        ],
        "readings": [
            {
                "sensor": row.sensor,
                "outcomes": dict(row.outcomes),
                "wrongly_accepted": row.wrongly_accepted,
                "wrongly_refused": row.wrongly_refused,
                "mean_move_m": known(row.mean_move_m),
            }
            for row in case.readings
        ],
    }


def _prediction(case: CaseReport, verdict: CaseVerdict, seed: int) -> Json:
    return {
        "success": _estimate(verdict.success),
        "expected_points": known(verdict.expected_points),
        "full_points": verdict.full_points,
        "points_quantiles": {
            "10": verdict.points_10,
            "50": verdict.points_50,
            "90": verdict.points_90,
        },
        "trials": verdict.success.trials,
        "looks": list(verdict.looks),
        "quantiles": "estimates" if verdict.looks else "sample",
        "lost_trials": verdict.lost,
        "tolerances": [
            {**_moment(moment, *place), "worst_trials": _worst(case, moment, seed)}
            for moment, place in zip(verdict.moments, case.places, strict=True)
        ],
        "failures": None if verdict.causes is None else _failures(verdict.causes),
        "contact": _contact(verdict.contact, *case.contact_place),
        "disagreements": [_disagreement(found) for found in verdict.disagreements],
    }


def _worst(case: CaseReport, moment: MomentVerdict, seed: int) -> list[Json]:
    return [{"trial": trial, "command": tell_command(case, trial, seed)} for trial in moment.worst]


def _failures(causes: FailureCauses) -> Json:
    return {
        "failing": causes.failing,
        "looked_at": causes.looked_at,
        "groups": [
            {
                "kind": group.kind,
                "cause": group.cause,
                "trials": group.trials,
                "share": group.trials / causes.looked_at,
                "example": group.example,
            }
            for group in causes.groups
        ],
    }


def _estimate(estimate: Estimate) -> Json:
    return {
        "successes": estimate.successes,
        "trials": estimate.trials,
        "probability": estimate.probability,
        "low": estimate.low,
        "high": estimate.high,
    }


def _weighted(tilted: RareTrials | None) -> Json | None:
    if tilted is None:
        return None
    return {"trials": tilted.trials, "failed": tilted.failed, "failing": tilted.probability}


def _weighted_moment(tilted: RareTrials | None) -> Json | None:
    found = _weighted(tilted)
    if tilted is None or found is None:
        return None
    return {**found, "outside": tilted.outside, "late": tilted.late}


def _moment(moment: MomentVerdict, line: int, column: int) -> Json:
    return {
        "name": moment.name,
        "final": moment.final,
        "step": moment.step + 1,
        "line": line,
        "column": column,
        "verdict": moment.status,
        "codes": list(moment.codes),
        "required": moment.required,
        "success": _estimate(moment.estimate),
        "lower": moment.lower,
        "upper": moment.upper,
        "decided_at": moment.decided_at,
        "weighted_trials": _weighted_moment(moment.tilted),
        "binding_axis": moment.binding,
        "used": known(moment.used),
        "used_state": _used_state(moment.used),
        "margin": known(moment.margin),
        "error_used": known(moment.error_used),
        "error_used_state": _used_state(moment.error_used),
        "used_quantiles": _quantiles(moment.used_50, moment.used_95, moment.used_99),
        "outside": moment.outside,
        "touched": moment.touched,
        "late": moment.late,
        "missed_before": moment.missed_before,
        "points": moment.points,
        "axes": [_axis(axis) for axis in moment.axes],
        "variance": None if moment.variance is None else _variance(moment.variance),
        "note": moment.note,
        "reason": moment.reason,
    }


def _used_state(used: float | None) -> str:
    if used is None:
        return "unknown"
    return "known" if math.isfinite(used) else "exceeded"


def _quantiles(q50: float, q95: float, q99: float) -> Json:
    return {"50": known(q50), "95": known(q95), "99": known(q99)}


def _axis(axis: AxisVerdict) -> Json:
    return {
        "axis": axis.axis,
        "unit": "rad" if axis.axis == "heading" else "m",
        "low": known(axis.low),
        "high": known(axis.high),
        "mean": known(axis.mean),
        "sd": known(axis.sd),
        "abs_quantiles": _quantiles(axis.abs_50, axis.abs_95, axis.abs_99),
        "used": known(axis.used),
        "used_state": _used_state(axis.used),
        "outside": axis.outside,
    }


def _variance(shares: VarianceShares) -> Json:
    return {
        "sd": shares.sd,
        "guessed": shares.guessed,
        "between_fields": shares.between_fields,
        "sources": [
            {
                "name": source.name,
                "title": source.title,
                "basis": source.basis,
                "constant_over": source.constant_over,
                "share": source.share,
            }
            for source in shares.sources
        ],
    }


def _contact(contact: ContactVerdict, line: int, column: int) -> Json:
    return {
        "line": line,
        "column": column,
        "verdict": contact.status,
        "codes": list(contact.codes),
        "allowed": contact.allowed,
        "contact": _estimate(contact.estimate),
        "lower": contact.lower,
        "upper": contact.upper,
        "weighted_trials": _weighted(contact.tilted),
        "places": [
            {"obstacle": place.obstacle, "step": place.step + 1, "trials": place.trials}
            for place in contact.places
        ],
        "reason": contact.reason,
    }


def _disagreement(found: Disagreement) -> Json:
    return {
        "code": "DG405",
        "tolerance": found.moment,
        "axis": found.axis,
        "what": found.what,
        "unit": "rad" if found.axis == "heading" else "m",
        "trials": known(found.trials),
        "covariance": known(found.covariance),
        "held_against": known(found.tolerance),
        "p_value": known(found.p_value),
        "why": found.why,
    }
