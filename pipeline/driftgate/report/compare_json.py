"""Comparisons for programs: one object each, members as in `driftgate.report.compare_model`."""

from __future__ import annotations

import json
import math
from dataclasses import fields, is_dataclass
from typing import Any

from driftgate.report.caution import FULL
from driftgate.report.compare_model import SideBySide

SIDE_BY_SIDE_SCHEMA = "driftgate-side-by-side/1"


def render_side_by_side_json(report: SideBySide) -> str:
    """Return the table as JSON text: SI units, what is no finite number is null, the same bytes again."""
    return as_text({"schema": SIDE_BY_SIDE_SCHEMA, **plain_object(report), "cautions": list(FULL)})


def as_text(found: dict[str, Any]) -> str:
    """Return an object as JSON text, floats in the shortest form that reads back the same."""
    return json.dumps(found, allow_nan=False, ensure_ascii=True, indent=1) + "\n"


def plain_object(record: Any) -> dict[str, Any]:
    """Return a frozen record as plain dictionaries, lists, texts, numbers and nulls."""
    return {field.name: _plain(getattr(record, field.name)) for field in fields(record)}


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        return plain_object(value)
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
