"""Accepted exceptions: findings of a routine that are known, with a reason and a last day."""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Any, Final, Literal

from pydantic import Field, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

from driftgate.schema.base import Id, Model, Text

NOT_BLANK: Final = r"\S"
DAY_EXAMPLE: Final = "2026-11-23"
_DAY: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", re.ASCII)


def parse_day(value: Any) -> date:
    """Return the day that a text such as "2026-11-23" names (ISO 8601, extended calendar format).

    Raises
    ------
    ValueError
        If it is no such text, or the calendar has no such day.
    """
    if isinstance(value, str) and _DAY.fullmatch(value):
        try:
            return date.fromisoformat(value)
        except ValueError:
            pass
    raise ValueError(f"expected a day as year-month-day such as '{DAY_EXAMPLE}'")


class Day:
    """Annotation that reads a day from a text by `parse_day`."""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Validate by `parse_day` alone."""
        return core_schema.no_info_plain_validator_function(parse_day)

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Describe the text that a file holds."""
        return {
            "type": "string",
            "pattern": f"^{_DAY.pattern}$",
            "description": "a day, year-month-day",
            "examples": [DAY_EXAMPLE],
        }


class Accepted(Model):
    """A known finding of this routine that is accepted until a day, that day included.

    Without `step` it is one that belongs to no step. An entry for a warning does not accept the error
    that it may grow into; `level: error` accepts both. An accepted error leaves the plan to be
    predicted as it is: tolerances, contact and the time limit are judged as ever.
    """

    # Those that `driftgate.core.rules` marks acceptable.
    code: Literal["DG201", "DG202", "DG204", "DG208", "DG302"]
    step: Id | None = None
    level: Literal["warning", "error"] = "warning"
    reason: Annotated[Text, Field(pattern=NOT_BLANK, description="why it may stay")]
    until: Annotated[date, Day()]
