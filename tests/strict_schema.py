"""A JSON Schema that refuses what it does not describe, to see that it describes all that is written."""

from __future__ import annotations

from typing import Any


def strict(node: Any) -> Any:
    """Return a schema in which no object may have members beyond those it names."""
    if isinstance(node, dict):
        return {k: False if k == "additionalProperties" and v is True else strict(v) for k, v in node.items()}
    return [strict(v) for v in node] if isinstance(node, list) else node
