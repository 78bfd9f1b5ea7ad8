"""The error budget that programs read, schema "driftgate-budget/1".

One object; quantities in SI with the unit beside them. Shares are fractions of the variance along an
axis. Of each axis, the `covariance_share`s add up to 1, and so do the `first` shares of the trials
together with `interactions`. `off_sd` and `off_success` are no shares but what-if runs. Within one
schema number members are only ever added; a number that is not known is null. `growth` and
`improvements` are null where they were not asked for; `breaks_at` is null where nothing broke at ten times.
"""

from __future__ import annotations

from typing import Any

from driftgate.judge.budget import AxisBudget, MomentBudget, SourceRow
from driftgate.judge.growth import Growth
from driftgate.judge.improve import Improvement
from driftgate.judge.paired_values import Difference
from driftgate.judge.pickfreeze import Share
from driftgate.report.budget_model import BudgetReport
from driftgate.report.caution import FULL
from driftgate.report.json_text import as_text, known
from driftgate.report.model import CaseReport

SCHEMA_NAME = "driftgate-budget/1"

Json = dict[str, Any]


def render_budget_json(report: BudgetReport) -> str:
    """Return the budget as JSON text, floats in the shortest form that reads back the same."""
    return as_text(budget_object(report))


def budget_object(report: BudgetReport) -> Json:
    """Return the budget as plain dictionaries, lists, texts, numbers and nulls."""
    return {
        "schema": SCHEMA_NAME,
        "version": report.version,
        "status": report.status,
        "why": report.why,
        "seed": report.seed,
        "trials": report.trials,
        "redraws": report.redraws,
        "confidence": report.confidence,
        "command": report.command,
        "cautions": list(FULL),
        "findings": len(report.findings),
        "case": None if report.case is None else _case(report.case),
        "moments": [_moment(moment) for moment in report.moments],
        "growth": None if report.growths is None else [_growth(row) for row in report.growths],
        "broken_as_it_is": list(report.broken),
        "improvements": None
        if report.improvements is None
        else [_improvement(one) for one in report.improvements],
    }


def _case(case: CaseReport) -> Json:
    return {
        "path": case.path,
        "title": case.title,
        "robot": case.robot,
        "believed_map": case.believed_map,
        "true_map": case.true_map,
        "side": case.side,
        "verdict": case.status,
    }


def _moment(moment: MomentBudget) -> Json:
    return {
        "name": moment.name,
        "step": moment.step + 1,
        "required": moment.required,
        "success": moment.success,
        "axes": [_axis(axis) for axis in moment.axes],
    }


def _axis(axis: AxisBudget) -> Json:
    return {
        "axis": axis.limit.axis,
        "unit": "rad" if axis.limit.axis == "heading" else "m",
        "low": axis.limit.low,
        "high": axis.limit.high,
        "covariance_mean": known(axis.covariance_mean),
        "covariance_sd": known(axis.covariance_sd),
        "trials_mean": known(axis.trials_mean),
        "trials_sd": known(axis.trials_sd),
        "shift": None
        if axis.shift is None
        else {"name": axis.shift.name, "title": axis.shift.title, "mean": axis.shift.mean},
        "by_extremes": known(axis.by_extremes),
        "few_trials": axis.few_trials,
        "sources": [_source(row) for row in axis.rows],
        "interactions": _share(axis.interactions),
    }


def _source(row: SourceRow) -> Json:
    return {
        "name": row.source.name,
        "title": row.source.title,
        "basis": row.source.basis,
        "constant_over": row.source.constant_over,
        "covariance_sd": known(row.covariance_sd),
        "covariance_share": known(row.covariance_share),
        "first": _share(row.trials.first if row.trials is not None else None),
        "total": _share(row.trials.total if row.trials is not None else None),
        "few_trials": row.few_trials,
        "off_sd": known(row.off_sd),
        "off_success": row.off_success,
    }


def _share(share: Share | None) -> Json | None:
    return None if share is None else {"value": known(share.value), "standard_error": known(share.error)}


def _growth(row: Growth) -> Json:
    return {
        "source": row.source,
        "predicted_factor": known(row.predicted),
        "holds_at": row.holds,
        "breaks_at": known(row.breaks),
        "tolerance": row.moment or None,
        "share_of_trials": known(row.success),
        "required": known(row.required),
    }


def _improvement(one: Improvement) -> Json:
    return {
        "change": one.change,
        "tolerance": one.moment,
        "margin_before": known(one.margin_before),
        "margin_now": known(one.margin_now),
        "gain": _difference(one.gain),
        "success_before": one.success_before,
        "success_now": one.success_now,
        "success_gain": _difference(one.success),
        "tightest_now": one.tightest_now,
        "tightest_margin": known(one.tightest_margin),
    }


def _difference(found: Difference | None) -> Json | None:
    if found is None:
        return None
    return {"value": known(found.value), "low": known(found.low), "high": known(found.high)}
