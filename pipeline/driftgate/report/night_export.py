"""A night and the nights before it as tables for other programs: CSV and JSON."""

from __future__ import annotations

import csv
import io
from typing import Any, Final

from driftgate.judge.night import AS_IT_IS, CONTACT, Night, NightCase
from driftgate.judge.sampling import beyond_plain
from driftgate.report.caution import FULL
from driftgate.report.json_text import as_text, plain_object
from driftgate.report.night_model import Change, NightReport, Series
from driftgate.report.text import plain

SCHEMA_NAME: Final = "driftgate-night/1"
# Which trials a verdict is from; counts are always of plain ones.
PLAIN: Final = "plain trials"
WEIGHTED: Final = "weighted trials"
# Columns are only ever added at the end.
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
    "share",
    "decided_by",
)
# A spreadsheet takes a text that begins so for a formula (common practice, no source).
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


def render_night_csv(report: NightReport) -> str:
    """Return every tolerance as it is, one row a night."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADER)
    high = {
        (*one.key[:-1], night)
        for one in report.series
        for night, required in zip(one.nights, one.required, strict=True)
        if beyond_plain([required])
    }
    for one in report.series:
        for i, night in enumerate(one.nights):
            used = "" if one.used[i] is None else repr(one.used[i])
            texts = (night, one.routine, one.carried, one.field, one.side, one.tolerance)
            numbers = (repr(one.required[i]), one.trials[i], one.successes[i], one.half[i], used)
            share = repr(one.successes[i] / one.trials[i])
            closed = one.tolerance == CONTACT and one.required[i] >= 1.0
            weighted = beyond_plain([one.required[i]]) or (closed and (*one.key[:-1], night) in high)
            words = WEIGHTED if weighted else PLAIN
            writer.writerow((*map(_harmless, texts), *numbers, " ".join(one.changed(i)), share, words))
    return out.getvalue()


def _harmless(text: str) -> str:
    shown = plain(text)
    return f"'{shown}" if shown.startswith(_FORMULA) else shown


def render_night_json(report: NightReport) -> str:
    """Return the whole report (`driftgate schema night`)."""
    return as_text(
        {
            "schema": SCHEMA_NAME,
            "version": report.version,
            "status": report.status,
            "why": report.why,
            "command": report.command,
            "findings": [plain_object(finding) for finding in report.findings],
            "night": None if report.night is None else _night(report.night),
            "before": None if report.before is None else report.before.night,
            "kept": report.kept,
            "series": [_series(one) for one in report.series],
            "changes": [_change(one) for one in report.changes],
            "cautions": list(FULL),
        }
    )


def _night(night: Night) -> dict[str, Any]:
    return {**plain_object(night), "cases": [_case(case) for case in night.cases]}


def _case(case: NightCase) -> dict[str, Any]:
    cells = [
        {
            **plain_object(cell),
            "tolerances": [
                {**plain_object(one), "decided_by": WEIGHTED if one.name in cell.by_weights else PLAIN}
                for one in cell.tolerances
            ],
            "effect": "" if cell.fault == AS_IT_IS else case.effect(cell),
            "breaks_first": "" if cell.fault == AS_IT_IS else case.breaks_first(cell),
        }
        for cell in case.cells
    ]
    return {**plain_object(case), "inputs": dict(case.inputs), "cells": cells}


def _series(one: Series) -> dict[str, Any]:
    return {**plain_object(one), "inputs": [dict(inputs) for inputs in one.inputs]}


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
