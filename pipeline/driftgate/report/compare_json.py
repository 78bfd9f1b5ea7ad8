"""Comparisons for programs: one object each, members as in `driftgate.report.compare_model`."""

from __future__ import annotations

from driftgate.report.caution import FULL
from driftgate.report.compare_model import SideBySide
from driftgate.report.json_text import as_text, plain_object

SIDE_BY_SIDE_SCHEMA = "driftgate-side-by-side/1"


def render_side_by_side_json(report: SideBySide) -> str:
    """Return the table as JSON text: SI units, what is no finite number is null, the same bytes again."""
    return as_text({"schema": SIDE_BY_SIDE_SCHEMA, **plain_object(report), "cautions": list(FULL)})
