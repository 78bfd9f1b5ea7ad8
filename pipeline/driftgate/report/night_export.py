"""A night and the nights before it as tables for other programs: CSV and JSON."""

from __future__ import annotations

import csv
import dataclasses
import io
from typing import Any, Final

from driftgate.report.json_text import as_text
from driftgate.report.night_model import Change, NightReport, Series

HEADER: Final = (
    "night",
    "routine",
    "carried_map",
    "field",
    "side",
    "tolerance",
    "required",
    "trials",
    "successes",
    "within_half",
    "used",
    "changed",
)
# A spreadsheet takes a text that begins so for a formula (common practice, no source).
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


def render_night_csv(report: NightReport) -> str:
    """Return every tolerance as it is, one row a night."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADER)
    for one in report.series:
        for i, night in enumerate(one.nights):
            used = "" if one.used[i] is None else repr(one.used[i])
            texts = (night, one.routine, one.carried, one.field, one.side, one.tolerance)
            numbers = (repr(one.required[i]), one.trials[i], one.successes[i], one.half[i], used)
            writer.writerow((*map(_harmless, texts), *numbers, " ".join(one.changed(i))))
    return out.getvalue()


def _harmless(text: str) -> str:
    return f"'{text}" if text.startswith(_FORMULA) else text


def render_night_json(report: NightReport) -> str:
    """Return the whole report; numbers that are not finite do not occur."""
    whole: dict[str, Any] = {
        "kind": "night report",
        "format": 1,
        "driftgate": report.version,
        "status": report.status,
        "why": report.why,
        "command": report.command,
        "findings": [dataclasses.asdict(finding) for finding in report.findings],
        "night": None if report.night is None else dataclasses.asdict(report.night),
        "before": None if report.before is None else report.before.night,
        "series": [_series(one) for one in report.series],
        "changes": [_change(one) for one in report.changes],
    }
    return as_text(whole)


def _series(one: Series) -> dict[str, Any]:
    found = dataclasses.asdict(one)
    found["inputs"] = [dict(inputs) for inputs in one.inputs]
    return found


def _change(one: Change) -> dict[str, Any]:
    series, shift = one.series, one.shift
    return {
        "routine": series.routine,
        "carried": series.carried,
        "field": series.field,
        "side": series.side,
        "tolerance": series.tolerance,
        "word": "worse" if shift.worse else "better",
        "of": "within half of the tolerance" if one.early else "success",
        "since": one.since,
        "before": shift.before,
        "after": shift.after,
        "p_value": shift.p_value,
        "inputs_changed": list(one.inputs),
    }
