"""What an answer depends on, as a hash: the content of the documents, the settings, the software."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
import platform
import sys
from collections.abc import Mapping
from datetime import date
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel

from driftgate import __version__
from driftgate.schema.base import REMARKS
from driftgate.schema.case import Case
from driftgate.schema.routine import Routine

# How a routine finds its other documents, whose content is hashed itself, and the day and reason of an
# exception: a case holds those that are in force.
_REFERENCES: Final = frozenset({"robot", "field", "also_on"})
_OF_EXCEPTIONS: Final = frozenset({"reason", "until"})
# Their versions may change a digit.
LIBRARIES: Final = ("numpy", "scipy", "shapely")


def plan_key(case: Case, written: Routine) -> str:
    """Return the key of what the plan and sight stages say about a case.

    Parameters
    ----------
    case : Case
        The case.
    written : Routine
        The routine as written: a mirrored one takes its luck from it.
    """
    return hash_of({"stage": "plan", "software": software(), **case_content(case, written)})


def case_content(case: Case, written: Routine) -> dict[str, Any]:
    """Return everything in the documents that the trials of a case, and what is asked of them, hang on."""
    return {
        "routine": _routine_content(case.routine),
        "written": _routine_content(written)["steps"],
        "robot": content(case.robot),
        "believed": content(case.believed),
        "true": content(case.true),
        "side": case.side,
    }


def input_keys(case: Case, written: Routine) -> tuple[tuple[str, str], ...]:
    """Return a hash of the content of each document of a case, by what it is; remarks do not count.

    What is left at its default does not count: a later driftgate that knows of more is itself what changed. A
    mirrored routine has the hash of the routine as written, with the exceptions that are in force.
    """
    routine = {name: value for name, value in _written(written).items() if name not in _REFERENCES}
    routine["accepted"] = _routine_content(case.routine)["accepted"]
    return (
        ("routine", hash_of(routine)),
        ("robot", hash_of(_written(case.robot))),
        ("carried map", hash_of(_written(case.believed))),
        ("field", hash_of(_written(case.true))),
    )


def judged_key(plan: str, settings: Mapping[str, Any]) -> str:
    """Return the key of the verdict on a case.

    Parameters
    ----------
    plan : str
        The case's `plan_key`.
    settings : mapping
        Everything else that the verdict depends on: plain values or frozen dataclasses of such.
    """
    return hash_of(
        {"stage": "judged", "plan": plan, "settings": {k: content(v) for k, v in settings.items()}}
    )


def _routine_content(routine: Routine) -> dict[str, Any]:
    found: dict[str, Any] = content(routine)
    kept = {name: value for name, value in found.items() if name not in _REFERENCES}
    kept["accepted"] = [
        {name: value for name, value in entry.items() if name not in _OF_EXCEPTIONS}
        for entry in found["accepted"]
    ]
    return kept


def inputs_fingerprint(case: Case) -> str:
    """Return a hash of what a robot is given for a case: routine, robot, the map it carries, the side.

    Units, order of keys, comments, titles and file names do not matter, nor does the true field, which the
    robot does not know, nor accepted exceptions. What is left at its default does not count, so that a
    version of driftgate that knows of more leaves the fingerprint of old files alone.
    """
    return hash_of(
        {
            "routine": {
                name: value
                for name, value in _written(case.routine).items()
                if name not in _REFERENCES and name != "accepted"
            },
            "robot": _written(case.robot),
            "believed": _written(case.believed),
            "side": case.side,
        }
    )


def document_fingerprint(model: BaseModel) -> str:
    """Return a hash of what a document means.

    Units, order of keys, comments, titles and notes do not matter, nor whether a default is written out.
    """
    return hash_of({"document": _written(model)})


def _written(value: Any) -> Any:
    """Return a model as plain data without its remarks and without what has its default value."""
    if isinstance(value, BaseModel):
        return {
            name: _written(getattr(value, name))
            for name, field in type(value).model_fields.items()
            if name not in REMARKS
            and (field.is_required() or getattr(value, name) != field.get_default(call_default_factory=True))
        }
    if isinstance(value, Mapping):
        return {str(key): _written(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_written(inner) for inner in value]
    return content(value)


def content(value: Any) -> Any:
    """Return a model or a frozen dataclass as plain data without its remarks.

    Raises
    ------
    TypeError
        For anything whose content is not plain: better no key than one that misses something.
    """
    if isinstance(value, BaseModel):
        names = type(value).model_fields
        return {name: content(getattr(value, name)) for name in names if name not in REMARKS}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: content(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): content(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [content(inner) for inner in value]
    if value is None or isinstance(value, str | bool | int | float):
        return value
    if isinstance(value, date):
        return value.isoformat()
    raise TypeError(f"no plain content: {type(value).__name__}")


def hash_of(content: Mapping[str, Any]) -> str:
    """Return a hash of plain data."""
    # The shortest text that reads back as the same float is exact.
    text = json.dumps(content, sort_keys=True, ensure_ascii=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def software() -> dict[str, str]:
    """Return what the answers depend on besides documents and settings."""
    return {
        "driftgate": __version__,
        "source": source_fingerprint(),
        "python": sys.version,
        "machine": f"{sys.platform} {platform.machine()} {sys.byteorder}",
        **{name: _version(name) for name in LIBRARIES},
    }


def software_key() -> str:
    """Return a hash of `software`; empty where it cannot be told."""
    try:
        return hash_of(software())
    except OSError:
        return ""


@cache
def source_fingerprint() -> str:
    """Return a hash of driftgate's own source files: a change to any makes all answers old.

    Raises
    ------
    OSError
        If they cannot be read.
    """
    return fingerprint_of(Path(__file__).resolve().parents[1])


def fingerprint_of(folder: Path) -> str:
    """Return a hash of the names and contents of all Python files of a folder.

    Raises
    ------
    OSError
        If there are none, or they cannot be read.
    """
    total = hashlib.sha256()
    count = 0
    for parent, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if name != "__pycache__")
        for name in sorted(names):
            if name.endswith(".py"):
                path = Path(parent, name)
                data = path.read_bytes()
                total.update(f"{path.relative_to(folder).as_posix()}\n{len(data)}\n".encode())
                total.update(data)
                count += 1
    if count == 0:
        raise FileNotFoundError(f"no source files in {folder}")
    return total.hexdigest()


@cache
def _version(name: str) -> str:
    """Return a hash of a library's version file, which costs less than importing it.

    Raises
    ------
    OSError
        If it has none.
    """
    spec = find_spec(name)
    folders = [] if spec is None else list(spec.submodule_search_locations or ())
    for folder in folders:
        for file in ("version.py", "_version.py"):
            place = Path(folder, file)
            if place.is_file():
                return hashlib.sha256(place.read_bytes()).hexdigest()
    raise FileNotFoundError(f"no version file of {name}")
