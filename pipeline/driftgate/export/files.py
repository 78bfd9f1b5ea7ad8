"""The files that are handed over, as name to text: the same bytes for the same inputs and software."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files
from typing import Final, NamedTuple

from driftgate.export import as_json
from driftgate.export.as_c import definition, entry, table
from driftgate.export.c_text import comment, string_literal
from driftgate.export.c_types import fields_of, other_types, routine_types, struct_name
from driftgate.export.gather import Origin, hand_over
from driftgate.export.values import Routine, Struct
from driftgate.export.vector_values import Vector
from driftgate.export.vectors import vectors_of
from driftgate.predict.prepared import Prepared
from driftgate.report.caution import FULL

# The code that all routines share.
CODE: Final = (
    "driftgate_correction.h",
    "driftgate_correction.c",
    "driftgate_host.h",
    "driftgate_example.c",
    "driftgate_check.c",
)
MARK: Final = "Written by driftgate"
# One of them stands near the beginning of every file.
MARKS: Final = (MARK, '"tool": "driftgate"')
# Tables that a small robot may leave out, with the macro that does.
_WITHOUT: Final = {"readings": "DRIFTGATE_WITHOUT_READINGS"}
_PROMISE: Final = (
    "With these numbers and driftgate_correction.c a robot corrects its pose as the prediction does. Other "
    "code was predicted only if it passes the test vectors."
)
_CONVENTIONS: Final = (
    "Metres, radians, seconds. The field frame is the field map's; angles are counter-clockwise from its +x "
    "axis; on the robot x is ahead and y left. DG_FAR stands for no limit."
)


def shared_files(version: str) -> dict[str, str]:
    """Return the files that every routine's go with: types, reference code, example, check.

    Parameters
    ----------
    version : str
        Of driftgate.
    """
    found = {"driftgate_types.h": _types(version)}
    folder = files("driftgate.export") / "c"
    for name in CODE:
        text = (folder / name).read_text(encoding="utf-8")
        found[name] = (
            comment([f"{MARK} {version}. Each export writes it anew: change a copy.", "", *FULL]) + text
        )
    return found


class CaseFiles(NamedTuple):
    """File name to text, and how many test vectors are in them."""

    files: dict[str, str]
    vectors: int


def case_files(prepared: Prepared, origin: Origin) -> CaseFiles:
    """Return the files of one case: NAME.h, NAME.json, its test vectors as both, and NAME.host.c.

    Parameters
    ----------
    prepared : Prepared
        The case.
    origin : Origin
        Its name, its source, the inputs' fingerprint.
    """
    routine, vectors = hand_over(prepared, origin), vectors_of(prepared)
    name = origin.name
    texts = {
        f"{name}.h": _header(routine, origin),
        f"{name}.json": as_json.routine_text(routine, origin, prepared.case.routine.title),
        f"{name}.vectors.h": _vectors(routine, origin, vectors),
        f"{name}.vectors.json": as_json.vectors_text(vectors, origin, routine.side),
        f"{name}.host.c": _host(routine, origin),
    }
    return CaseFiles(texts, len(vectors))


def _head(origin: Origin, about: str, *more: str) -> str:
    return comment(
        [
            about,
            f"{MARK} {origin.version} from {origin.source}. Each export writes it anew: do not edit it.",
            f"Fingerprint {origin.fingerprint}",
            *more,
            "",
            *FULL,
        ]
    )


def _of(routine: Routine) -> str:
    return f"routine '{routine.title}', {routine.side}"


def _types(version: str) -> str:
    guard = "DRIFTGATE_TYPES_H"
    head = comment(
        [f"{MARK} {version}. Each export writes it anew: do not edit it.", _CONVENTIONS, "", *FULL]
    )
    body = f"{routine_types()}\n{other_types()}"
    return f"{head}#ifndef {guard}\n#define {guard}\n\n{body}\n#endif\n"


def _header(routine: Routine, origin: Origin) -> str:
    name, shout = origin.name, origin.name.upper()
    guard = f"DRIFTGATE_ROUTINE_{shout}"
    tables = "".join(
        _table(name, field.name, getattr(routine, field.name))
        for field in fields_of(type(routine))
        if field.many and not field.length
    )
    return (
        _head(origin, f"For the robot: {_of(routine)}.", "", _CONVENTIONS, _PROMISE)
        + f"#ifndef {guard}\n#define {guard}\n\n"
        + f"/* The same types stand in every file of an export; the first ones count. */\n{routine_types()}\n"
        + "/* Show it on the robot's display: it names exactly what was predicted. */\n"
        + f"#define {shout}_FINGERPRINT {string_literal(routine.fingerprint)}\n"
        + f"#define {shout}_VERSION {string_literal(routine.version)}\n\n"
        + _room(routine)
        + tables
        + definition(name, f"{name}_routine", routine, _WITHOUT)
        + "\n#endif\n"
    )


def _room(routine: Routine) -> str:
    """Return what stops a compiler whose state has no room for the routine's constants."""
    count = routine.correction.constants
    return (
        f"#if defined(DG_MOST_CONSTANTS) && DG_MOST_CONSTANTS < {count}\n"
        f'#error "compile every file with -DDG_MOST_CONSTANTS={count}"\n#endif\n\n'
    )


def _table(prefix: str, field: str, rows: Sequence[Struct]) -> str:
    text = table(f"{prefix}_{field}", rows)
    if not text or field not in _WITHOUT:
        return f"{text}\n" if text else ""
    about = "/* Only robots that expect what was planned (expect_planned) need this table. */"
    return f"{about}\n#ifndef {_WITHOUT[field]}\n{text}#endif\n\n"


def _vectors(routine: Routine, origin: Origin, vectors: Sequence[Vector]) -> str:
    name = origin.name
    guard = f"DRIFTGATE_VECTORS_{name.upper()}"
    rows = ",\n".join(_row(vector) for vector in vectors)
    return (
        _head(origin, f"Test vectors of the {_of(routine)}: what is given, and what must come of it.")
        + f'#ifndef {guard}\n#define {guard}\n\n#include "driftgate_types.h"\n\n'
        + f"static const {struct_name(Vector)} {name}_vectors[] = {{\n{rows}\n}};\n"
        + f"static const int {name}_vectors_count = {len(vectors)};\n\n#endif\n"
    )


def _row(vector: Vector) -> str:
    parts = []
    for field in fields_of(Vector):
        parts.append(entry(field, getattr(vector, field.name)))
    return "    {" + ",\n     ".join(parts) + "}"


def _host(routine: Routine, origin: Origin) -> str:
    name = origin.name
    head = _head(
        origin,
        f"For a computer: the steps and the test vectors of the {_of(routine)}.",
        "",
        f"cc {name}.host.c driftgate_example.c driftgate_check.c driftgate_correction.c -lm && ./a.out",
    )
    return (
        f'{head}#include "{name}.h"\n#include "{name}.vectors.h"\n\n#include "driftgate_host.h"\n\n'
        f"int main(void) {{\n"
        f"    (void)dg_walk_through(&{name}_routine);\n"
        f"    return dg_check_vectors(&{name}_routine, {name}_vectors, {name}_vectors_count) > 0;\n}}\n"
    )
