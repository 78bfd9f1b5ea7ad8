"""Frozen routines on the field of the day: which of them are at risk, and why."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from driftgate.core.findings import Finding
from driftgate.judge.differences import differences
from driftgate.judge.values import MomentVerdict
from driftgate.load.document import Document
from driftgate.load.project import LoadedRoutine
from driftgate.report.digits import amount_words, bound_words, percent, used_words
from driftgate.report.model import CaseReport, tightest, worst_first
from driftgate.report.verify_model import FieldOfTheDay, Risk
from driftgate.run.cases import NamedCase, one_case, sides_of
from driftgate.run.override import FieldOverride
from driftgate.schema.freeze import Freeze

# Both coordinates of the corners of a hall with its own walls, and some things in it.
_DIFFERENCES_SHOWN = 16
# From this share of the tolerance on, a mean error is worth a word.
_MEAN_AT_LEAST = 0.1
_ORDER = {"fail": 0, "undecided": 1, "pass": 2}


def cases_on(
    routines: Sequence[LoadedRoutine], override: FieldOverride, today: date | None
) -> list[NamedCase]:
    """Return every side of every routine on the field of the day; the robot keeps its own map."""
    return [
        one_case(loaded, override, side, today)
        for loaded in routines
        for side in sides_of(loaded.document.routine)
    ]


def field_of_the_day(
    document: Document, routines: Sequence[LoadedRoutine], cases: Sequence[CaseReport], freeze: Freeze
) -> FieldOfTheDay:
    """Return the routines in the order of their risk, the closest to failing first.

    Parameters
    ----------
    document : Document
        The map of the field as taped out.
    routines : sequence of LoadedRoutine
        The routines.
    cases : sequence of CaseReport
        How each side of each was judged on it.
    freeze : Freeze
        The margins as frozen.
    """
    carried = {loaded.field.path: loaded.field for loaded in routines}
    found = [
        f"{document.path}:{document.where(change.path)[0]}: {change.words()}"
        for path in sorted(carried)
        for change in differences(carried[path], document)
        if path != document.path
    ]
    found = list(dict.fromkeys(found))
    risks = [_risk(case, freeze) for case in cases]
    risks.sort(key=lambda r: (_ORDER[r.verdict], _sortable(r.margin_now), r.path, r.side))
    return FieldOfTheDay(
        document.path,
        document.field_map.title,
        tuple(found[:_DIFFERENCES_SHOWN]),
        len(found),
        tuple(risks),
    )


def field_findings(field: FieldOfTheDay) -> list[Finding]:
    """Return a finding for each tolerance that does not hold on the field of the day."""
    return [finding for risk in field.risks for finding in risk.failing]


def not_holding(case: CaseReport, code: str, reasons: bool = True) -> list[Finding]:
    """Return a finding for everything in a case that does not pass, with the reason if it is wanted."""
    errors = [f for f in case.findings if f.level == "error"]
    if case.verdict is None:
        message = f"on {case.label} the plan is infeasible"
        if not errors:
            return [Finding(case.path, 0, 0, code, message)]
        return [Finding(f.path, f.line, f.column, code, f"{message}: {f.code} {f.message}") for f in errors]
    found = [
        Finding(case.path, *case.places[index], code, f"on {case.label} {moment_words(moment, reasons)}")
        for index, moment in worst_first(case.verdict)
        if moment.status != "pass"
    ]
    contact = case.verdict.contact
    if contact.status != "pass":
        words = f"contact is judged '{contact.status}'"
        reason = f": {contact.reason}" if contact.reason and reasons else ""
        found.append(Finding(case.path, 0, 0, code, f"on {case.label} {words}{reason}"))
    return found


def moment_words(moment: MomentVerdict, reasons: bool) -> str:
    """Return verdict and reason of a tolerance that does not pass, in a line."""
    words = f"'{moment.name}' is judged '{moment.status}': {moment.binding} {used_words(moment)}"
    words = f"{words}, {bound_words(moment)}"
    why = " ".join(text for text in (moment.note, moment.reason) if text and reasons)
    return f"{words}. {why}" if why else words


def _sortable(margin: float | None) -> float:
    return -math.inf if margin is None or math.isnan(margin) else margin


def _risk(case: CaseReport, freeze: Freeze) -> Risk:
    # The reason stands beside the ranking.
    return replace(_tightest(case, freeze), failing=tuple(not_holding(case, "DG714", reasons=False)))


def _tightest(case: CaseReport, freeze: Freeze) -> Risk:
    if case.verdict is None:
        errors = [f for f in case.findings if f.level == "error"]
        line = errors[0].line if errors else 0
        reason = errors[0].message if errors else "The plan is infeasible."
        return Risk(case.path, case.title, case.side, "fail", "plan", "", line, None, None, 0, reason)
    verdict = case.verdict
    trials = verdict.success.trials
    moments = [moment.status for moment in verdict.moments]
    contact = verdict.contact
    if contact.status != "pass" and _ORDER[contact.status] < min(_ORDER[status] for status in moments):
        reason = contact.reason or "The robot touches something it should not more often than allowed."
        return Risk(
            case.path, case.title, case.side, verdict.status, "contact", "", 0, None, None, trials, reason
        )
    index, moment = worst_first(verdict)[0]
    if moment.status == "pass":
        moment = tightest(verdict)
        index = verdict.moments.index(moment)
    return Risk(
        case.path,
        case.title,
        case.side,
        verdict.status,
        moment.name,
        moment.binding,
        case.places[index][0],
        _frozen_margin(freeze, case, moment.name),
        moment.margin,
        trials,
        _reason(moment),
    )


def frozen_margins(freeze: Freeze, path: str, true_map: str, side: str) -> dict[str, float | None]:
    """Return the margin of each tolerance of a case as frozen; empty if there was no such case."""
    for case in freeze.cases:
        if (case.routine, case.true_map, case.side) == (path, true_map, side):
            return {tolerance.name: tolerance.margin for tolerance in case.tolerances}
    return {}


def _frozen_margin(freeze: Freeze, case: CaseReport, name: str) -> float | None:
    return frozen_margins(freeze, case.path, case.believed_map, case.side).get(name)


def _reason(moment: MomentVerdict) -> str:
    """Return why a tolerance is as tight as it is: what the judge says, else the largest parts."""
    judged = " ".join(text for text in (moment.note, moment.reason) if text)
    if judged:
        return judged
    parts = []
    axis = moment.binding_axis
    if axis is not None:
        size = max(abs(limit) for limit in (axis.low, axis.high) if limit is not None)
        if abs(axis.mean) >= _MEAN_AT_LEAST * size:
            share = percent(abs(axis.mean) / size, digits=0)
            mean = amount_words(abs(axis.mean), axis.axis)
            parts.append(f"The mean error is {mean}, {share} of the tolerance.")
    if moment.variance is not None and moment.variance.sources:
        source = moment.variance.sources[0]
        parts.append(f"{percent(source.share, digits=0)} of the variance is {source.title}.")
    return " ".join(parts)
