"""JSON Schemas of the kinds of document, for completion and checks in editors.

Shapes only: what no schema can say (references, ranges across keys, geometry) is left to loading.
"""

from __future__ import annotations

import copy
from typing import Any, Final

from driftgate.core.units import DIMENSIONS, SHOWN
from driftgate.load.document import Kind
from driftgate.load.validate import MODELS
from driftgate.schema.quantity import DIMENSION

# What holds a number without a unit.
_NUMBERS: Final = ("number", "integer")
DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"


def json_schema(kind: Kind) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of one kind of document.

    Parameters
    ----------
    kind : {"routine", "field map", "robot", "tape sheet", "waivers", "freeze"}
        Which.

    Raises
    ------
    KeyError
        If there is no such kind.
    """
    schema = copy.deepcopy(MODELS[kind].model_json_schema(by_alias=True, mode="validation"))
    _tidy(schema)
    return {"$schema": DIALECT, **schema, "title": f"driftgate {kind}"}


def _tidy(node: Any) -> None:
    """Drop what editors misread, in place."""
    if isinstance(node, list):
        for item in node:
            _tidy(item)
        return
    if not isinstance(node, dict):
        return
    # An OpenAPI keyword; the constant `do` of each branch says the same in JSON Schema.
    if isinstance(node.get("discriminator"), dict) and "oneOf" in node:
        del node["discriminator"]
    # Defaults are numbers in SI, the file holds texts with units: an editor inserts what stands here.
    describes_a_value = any(key in node for key in ("type", "$ref", "anyOf"))
    default, dimension = node.get("default"), node.pop(DIMENSION, "")
    if dimension in SHOWN and isinstance(default, float):
        unit = SHOWN[dimension]
        node["default"] = f"{default / float(DIMENSIONS[dimension].units[unit]):.6g} {unit}"
    elif describes_a_value and not isinstance(default, bool | str) and node.get("type") not in _NUMBERS:
        node.pop("default", None)
    for value in node.values():
        _tidy(value)
