"""The C structs, made from the classes of the values."""

from __future__ import annotations

import dataclasses
import re
import types
from collections.abc import Iterator
from enum import IntEnum
from typing import Annotated, Any, Final, NamedTuple, get_args, get_origin, get_type_hints

from driftgate.export.values import (
    About,
    Contact,
    Control,
    Correction,
    Covariance,
    Mover,
    Obstacle,
    Pair,
    PathPoint,
    PlannedReading,
    Pose,
    Routine,
    Sensor,
    Side,
    StartPart,
    Step,
    StepKind,
    StepLaw,
    Struct,
    Surface,
    TestStage,
    UpdateLaw,
)
from driftgate.export.vector_values import Instant, Motion, Reading, Result, State, Vector, VectorKind
from driftgate.predict.values import Outcome
from driftgate.sight.values import Reason

# Number of the layout: files of different ones do not mix.
FORMAT: Final = 5

PREFIXES: Final[dict[type[IntEnum], str]] = {
    StepKind: "DG_STEP_",
    StepLaw: "DG_LAW_",
    TestStage: "DG_STAGE_",
    UpdateLaw: "DG_UPDATE_",
    VectorKind: "DG_VECTOR_",
    Outcome: "DG_",
    Reason: "DG_PLAN_",
}
ROUTINE_STRUCTS: Final[tuple[type[Struct], ...]] = (
    Pose,
    Step,
    PathPoint,
    Contact,
    Sensor,
    Pair,
    Surface,
    Mover,
    StartPart,
    Obstacle,
    Side,
    PlannedReading,
    Control,
    Correction,
    Routine,
)
OTHER_STRUCTS: Final[tuple[type[Struct], ...]] = (
    Covariance,
    Motion,
    Instant,
    Reading,
    Result,
    State,
    Vector,
)


class Field(NamedTuple):
    """A field of a struct.

    Attributes
    ----------
    name : str
        Its name.
    kind : type
        Of the value, or of one entry of an array.
    many : bool
        An array.
    length : str
        Of an array inside the struct; empty: the struct points to a table of its own.
    about : str
        What it means.
    endless : bool
        May be infinite.
    """

    name: str
    kind: Any
    many: bool
    length: str
    about: str
    endless: bool


def fields_of(struct: type[Struct]) -> tuple[Field, ...]:
    """Return the fields of a class of values."""
    known = _FIELDS.get(struct)
    if known is None:
        known = _FIELDS[struct] = _looked_up(struct)
    return known


_FIELDS: dict[type, tuple[Field, ...]] = {}


def _looked_up(struct: type[Struct]) -> tuple[Field, ...]:
    hints = get_type_hints(struct, include_extras=True)
    found = []
    for field in dataclasses.fields(struct):
        assert get_origin(hints[field.name]) is Annotated
        kind, about = get_args(hints[field.name])
        assert isinstance(about, About)
        many = isinstance(kind, types.GenericAlias)
        found.append(
            Field(
                field.name, get_args(kind)[0] if many else kind, many, about.length, about.text, about.endless
            )
        )
    return tuple(found)


def struct_name(struct: type[Struct]) -> str:
    """Return the name of a class's struct: dg_path_point for PathPoint."""
    return "dg_" + re.sub(r"(?<!^)([A-Z])", r"_\1", struct.__name__).lower()


def enumerator(value: IntEnum) -> str:
    """Return the name of an enumerator."""
    return PREFIXES[type(value)] + value.name


def routine_types() -> str:
    """Return the types of a routine, guarded: the same text in every file that needs them."""
    return _guarded(
        "DRIFTGATE_TYPES", ROUTINE_STRUCTS, (StepKind, StepLaw, TestStage, UpdateLaw, Reason), _LIMITS
    )


def other_types() -> str:
    """Return the types of what the correction remembers and is given, and of test vectors."""
    return _guarded("DRIFTGATE_STATE_TYPES", OTHER_STRUCTS, (Outcome, VectorKind), _SLOTS)


_LIMITS: Final = (
    "/* No limit, and for ever: a number beyond every field and clock. */",
    "#define DG_FAR 1e30",
)
_SLOTS: Final = (
    "/* At most 16 sensors and 8 pairs; of a pair the difference and the mean are counted apart. */",
    "#define DG_MOST_SLOTS 32",
    "/* Four of every sensor, and of surfaces what moves them. With fewer or more: -D, everywhere. */",
    "#ifndef DG_MOST_CONSTANTS",
    "#define DG_MOST_CONSTANTS 128",
    "#endif",
)


def _guarded(
    guard: str,
    structs: tuple[type[Struct], ...],
    enums: tuple[type[IntEnum], ...],
    defines: tuple[str, ...],
) -> str:
    lines = [
        f"#ifndef {guard}",
        f"#define {guard} {FORMAT}",
        "",
        *defines,
        "",
        *(line for kind in enums for line in _enum(kind)),
        *(line for struct in structs for line in _struct(struct)),
        f"#elif {guard} != {FORMAT}",
        '#error "these files were written by versions of driftgate that do not go together: export all anew"',
        "#endif",
    ]
    return "\n".join(lines) + "\n"


def _enum(kind: type[IntEnum]) -> Iterator[str]:
    yield f"/* {_first_line(kind)} */"
    yield "enum {"
    members = list(kind)
    for member in members:
        yield f"    {enumerator(member)} = {int(member)}{',' if member is not members[-1] else ''}"
    yield "};"
    yield ""


def _struct(struct: type[Struct]) -> Iterator[str]:
    yield f"/* {_first_line(struct)} */"
    yield "typedef struct {"
    for field in fields_of(struct):
        about = _about(field)
        name = field.name
        if field.many and field.length:
            name = f"{name}[{field.length}]"
        elif field.many:
            yield f"    const {_c_type(field.kind)} *{name};{about}"
            yield f"    int {name}_count;"
            continue
        yield f"    {_c_type(field.kind)}{name};{about}"
    yield f"}} {struct_name(struct)};"
    yield ""


def _about(field: Field) -> str:
    text = field.about
    if isinstance(field.kind, type) and issubclass(field.kind, IntEnum):
        text = f"{text}: {PREFIXES[field.kind]}..."
    elif field.kind is bool:
        text = f"1: {text}"
    return f" /* {text} */" if text else ""


def _c_type(kind: Any) -> str:
    if kind is float:
        return "double "
    if kind is str:
        return "const char *"
    if issubclass(kind, Struct):
        return struct_name(kind) + " "
    return "int "


def _first_line(kind: type) -> str:
    return (kind.__doc__ or "").strip().splitlines()[0]
