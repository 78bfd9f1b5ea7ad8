"""JSON as all reports write it: the same bytes again, and null for what is no finite number."""

from __future__ import annotations

import json
import math
from dataclasses import fields, is_dataclass
from typing import Any


def as_text(found: dict[str, Any]) -> str:
    """Return an object as JSON text, floats in the shortest form that reads back the same."""
    return json.dumps(found, allow_nan=False, ensure_ascii=True, indent=1) + "\n"


def plain_object(record: Any) -> dict[str, Any]:
    """Return a frozen record as plain dictionaries, lists, texts, numbers and nulls."""
    return {field.name: plain_value(getattr(record, field.name)) for field in fields(record)}


def plain_value(value: Any) -> Any:
    """Return a value with records as dictionaries, tuples as lists and null for what is no finite number."""
    if is_dataclass(value):
        return plain_object(value)
    if isinstance(value, dict):
        return {key: plain_value(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [plain_value(item) for item in value]
    return known(value) if isinstance(value, float) else value


def known(value: float | None) -> float | None:
    """Return a finite number, or null for what is none."""
    return value if value is not None and math.isfinite(value) else None
