"""The pydantic type of a quantity with a unit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

from driftgate.core.units import DIMENSIONS, parse_quantity, quantity_pattern

# In a JSON Schema as pydantic makes it: which dimension a text has. It is taken out of what is published.
DIMENSION: Final = "x-dimension"


@dataclass(frozen=True)
class Quantity:
    """Annotation that reads a float in SI from a text with a unit.

    Attributes
    ----------
    dimension : str
        A key of `driftgate.core.units.DIMENSIONS`.
    low, high : float, optional
        Inclusive bounds in SI.
    above : float, optional
        Exclusive lower bound in SI.
    """

    dimension: str
    low: float | None = None
    high: float | None = None
    above: float | None = None

    def parse(self, value: Any) -> float:
        """Return the quantity in SI; UnitError (a ValueError) says what was expected."""
        number = parse_quantity(value, self.dimension)
        si = DIMENSIONS[self.dimension].si
        if self.low is not None and number < self.low:
            raise ValueError(f"'{value}' is too small: must be at least {self.low:g} {si}")
        if self.above is not None and number <= self.above:
            raise ValueError(f"'{value}' is too small: must be more than {self.above:g} {si}")
        if self.high is not None and number > self.high:
            raise ValueError(f"'{value}' is too large: must be at most {self.high:g} {si}")
        return number

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Validate by `parse` alone."""
        return core_schema.no_info_plain_validator_function(self.parse)

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Describe the text that a file holds."""
        dim = DIMENSIONS[self.dimension]
        return {
            "type": "string",
            "pattern": quantity_pattern(self.dimension),
            "description": f"{dim.name} with its unit",
            "examples": [dim.example],
            DIMENSION: self.dimension,
        }
