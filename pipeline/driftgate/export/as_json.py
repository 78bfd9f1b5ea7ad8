"""Values as JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from enum import IntEnum
from typing import Any, Final

from driftgate.export.c_types import FORMAT, fields_of
from driftgate.export.gather import Origin
from driftgate.export.values import Routine, Struct
from driftgate.export.vector_values import Vector
from driftgate.export.vectors import outcomes_of
from driftgate.report.caution import FULL

HAND_OVER: Final = "hand-over"
TEST_VECTORS: Final = "test-vectors"


def word(value: IntEnum) -> str:
    """Return an enumerator as people write it: square-up."""
    return value.name.lower().replace("_", "-")


def plain(value: Any) -> Any:
    """Return a value as JSON holds it: no limit is null."""
    if isinstance(value, IntEnum):
        return word(value)
    if isinstance(value, Struct):
        return {field.name: plain(getattr(value, field.name)) for field in fields_of(type(value))}
    if isinstance(value, tuple):
        return [plain(item) for item in value]
    if isinstance(value, float):
        return None if math.isinf(value) else float(value)
    return value


def routine_text(routine: Routine, origin: Origin, title: str) -> str:
    """Return the JSON file of a routine; its title is whole here."""
    content = {**plain(routine), "title": title, "fingerprint": origin.fingerprint}
    return _text(HAND_OVER, origin, {"display": origin.short, "routine": content})


def vectors_text(vectors: Sequence[Vector], origin: Origin, side: str) -> str:
    """Return the JSON file of test vectors."""
    outcomes = {word(outcome): count for outcome, count in outcomes_of(vectors).items()}
    members = {"name": origin.name, "side": side, "outcomes": outcomes, "vectors": plain(tuple(vectors))}
    return _text(TEST_VECTORS, origin, members)


def _text(kind: str, origin: Origin, members: dict[str, Any]) -> str:
    document = {
        "tool": "driftgate",
        "version": origin.version,
        "kind": kind,
        "format": FORMAT,
        "source": origin.source,
        "fingerprint": origin.fingerprint,
        "caution": list(FULL),
        **members,
    }
    lines = []
    # One line for each step, surface, vector and so on: small, and a difference shows where it is.
    for name, value in document.items():
        if name == "routine":
            inner = [f"    {_compact(k)}: {_rows(v, '      ')}" for k, v in value.items()]
            lines.append(f'  "routine": {{\n{",".join(_lined(inner))}\n  }}')
        else:
            lines.append(f"  {_compact(name)}: {_rows(value, '    ')}")
    return "{\n" + ",\n".join(lines) + "\n}\n"


def _lined(lines: list[str]) -> list[str]:
    return [line if i == 0 else f"\n{line}" for i, line in enumerate(lines)]


def _rows(value: Any, indent: str) -> str:
    if isinstance(value, list) and value and isinstance(value[0], dict):
        rows = ",\n".join(f"{indent}{_compact(row)}" for row in value)
        return f"[\n{rows}\n{indent[:-2]}]"
    return _compact(value)


def _compact(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)
