"""JSON Schemas of the hand-over and of test vectors, draft 2020-12, made from the classes of the values."""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum
from typing import Any, Final

from driftgate.export.as_json import HAND_OVER, TEST_VECTORS, word
from driftgate.export.c_types import FORMAT, OTHER_STRUCTS, ROUTINE_STRUCTS, Field, fields_of, struct_name
from driftgate.export.values import Routine, Struct
from driftgate.export.vector_values import Vector
from driftgate.predict.values import Outcome

Schema = dict[str, Any]


def schema_of(kind: str) -> Schema:
    """Return the schema of "hand-over" or "test-vectors"."""
    return _hand_over() if kind == HAND_OVER else _test_vectors()


def _hand_over() -> Schema:
    members: dict[str, Schema] = {
        "display": {"type": "string", "pattern": "^[0-9a-f]{8}$", "description": "short fingerprint"},
        "routine": _ref(Routine),
    }
    return _document(HAND_OVER, "A routine and its correction, for the robot's own code.", members)


def _test_vectors() -> Schema:
    count: Schema = {"type": "integer", "minimum": 0}
    names = [word(outcome) for outcome in Outcome]
    members: dict[str, Schema] = {
        "name": {"type": "string"},
        "side": {"enum": ["as written", "mirrored"]},
        "outcomes": _object(dict.fromkeys(names, count), "readings by outcome"),
        "vectors": {"type": "array", "items": _ref(Vector)},
    }
    return _document(TEST_VECTORS, "What the robot's code is given, and what it must make of it.", members)


def _document(kind: str, about: str, members: Mapping[str, Schema]) -> Schema:
    head: dict[str, Schema] = {
        "tool": {"const": "driftgate"},
        "version": {"type": "string"},
        "kind": {"const": kind},
        "format": {"const": FORMAT},
        "source": {"type": "string", "description": "path of the routine's file"},
        "fingerprint": {
            "type": "string",
            "pattern": "^[0-9a-f]{64}$",
            "description": "of the inputs' content",
        },
        "caution": {"type": "array", "items": {"type": "string"}},
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"driftgate {kind}",
        **_object({**head, **members}, f"{about} Metres, radians, seconds; null: no limit."),
        "$defs": {struct_name(struct): _struct(struct) for struct in (*ROUTINE_STRUCTS, *OTHER_STRUCTS)},
    }


def _object(members: Mapping[str, Schema], about: str) -> Schema:
    return {
        "type": "object",
        "description": about,
        "properties": dict(members),
        "required": list(members),
        "additionalProperties": False,
    }


def _struct(struct: type[Struct]) -> Schema:
    about = (struct.__doc__ or "").strip().splitlines()[0]
    return _object({field.name: _field(field) for field in fields_of(struct)}, about)


def _field(field: Field) -> Schema:
    about = {"description": field.about} if field.about else {}
    schema = _kind(field)
    return {"type": "array", "items": schema, **about} if field.many else {**schema, **about}


_PLAIN: Final[dict[type, Schema]] = {
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    str: {"type": "string"},
}


def _kind(field: Field) -> Schema:
    kind = field.kind
    if kind is float:
        return {"type": ["number", "null"] if field.endless else "number"}
    if kind in _PLAIN:
        return dict(_PLAIN[kind])
    if issubclass(kind, IntEnum):
        return {"enum": [word(member) for member in kind]}
    return _ref(kind)


def _ref(struct: type[Struct]) -> Schema:
    return {"$ref": f"#/$defs/{struct_name(struct)}"}
