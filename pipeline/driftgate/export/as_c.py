"""Values as C tables."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from enum import IntEnum
from typing import Any

from driftgate.export.c_text import number, string_literal
from driftgate.export.c_types import Field, enumerator, fields_of, struct_name
from driftgate.export.values import Struct


def literal(value: Any) -> str:
    """Return the initialiser of a plain value or of a struct that points to nothing."""
    if isinstance(value, IntEnum):
        return enumerator(value)
    if isinstance(value, bool):
        return "1" if value else "0"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return number(value)
    if isinstance(value, str):
        return string_literal(value)
    if isinstance(value, Struct):
        return "{" + ", ".join(entry(f, getattr(value, f.name)) for f in fields_of(type(value))) + "}"
    if isinstance(value, tuple):
        return "{" + ", ".join(literal(item) for item in value) + "}" if value else "{0}"
    raise TypeError(f"no C value: {type(value).__name__}")


def entry(field: Field, value: Any) -> str:
    """Return the initialiser of a field; an array of structs is filled up with zeros, which C++ asks for."""
    if not (field.many and field.length and issubclass(field.kind, Struct)):
        return literal(value)
    rows = [literal(row) for row in value]
    return "{" + ", ".join(rows + [_zero(field.kind)] * (int(field.length) - len(rows))) + "}"


def _zero(kind: Any) -> str:
    if issubclass(kind, Struct):
        return "{" + ", ".join(_zero(field.kind) for field in fields_of(kind)) + "}"
    if issubclass(kind, IntEnum):
        return enumerator(kind(0))
    return "0.0" if kind is float else "0"


def table(name: str, rows: Sequence[Struct]) -> str:
    """Return the definition of a table, one row a line; nothing for one without rows."""
    if not rows:
        return ""
    struct = type(rows[0])
    fields = ", ".join(field.name for field in fields_of(struct))
    lines = [f"/* {fields} */", f"static const {struct_name(struct)} {name}[] = {{"]
    lines += [f"    {literal(row)}," for row in rows[:-1]]
    lines += [f"    {literal(rows[-1])}", "};", ""]
    return "\n".join(lines) + "\n"


def definition(prefix: str, name: str, value: Struct, without: Mapping[str, str]) -> str:
    """Return a struct that points to tables, field by field; the tables are called prefix_field.

    `without` gives for tables that a program may do without the macro that leaves them out.
    """
    lines = [f"static const {struct_name(type(value))} {name} = {{"]
    fields = fields_of(type(value))
    for i, field in enumerate(fields):
        comma = "," if i < len(fields) - 1 else ""
        lines += list(_field(prefix, field, getattr(value, field.name), comma, without.get(field.name, "")))
    return "\n".join([*lines, "};", ""])


def _field(prefix: str, field: Field, value: Any, comma: str, without: str) -> Iterator[str]:
    if field.many and not field.length:
        if value and without:
            yield f"#ifdef {without}"
            yield f"    0, 0{comma} /* {field.name} */"
            yield "#else"
        where = f"{prefix}_{field.name}" if value else "0"
        yield f"    {where}, {len(value)}{comma} /* {field.name} */"
        if value and without:
            yield "#endif"
    elif isinstance(value, Struct):
        yield f"    {{ /* {field.name} */"
        inner = fields_of(type(value))
        for i, own in enumerate(inner):
            end = "," if i < len(inner) - 1 else ""
            yield f"        {literal(getattr(value, own.name))}{end} /* {own.name} */"
        yield f"    }}{comma}"
    else:
        yield f"    {literal(value)}{comma} /* {field.name} */"
