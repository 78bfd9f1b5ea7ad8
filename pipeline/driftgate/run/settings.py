"""What a case is made of: every value in force, and who had the last word on it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from driftgate import __version__
from driftgate.judge.value_words import value_words
from driftgate.load.checks_routine import steps_with_paths
from driftgate.load.compose import compose
from driftgate.load.document import DocPath, Document
from driftgate.load.project import LoadedRoutine
from driftgate.load.wording import alike
from driftgate.report.settings_model import Setting, SettingsReport
from driftgate.run.cases import NamedCase, one_case
from driftgate.run.inputs import load_inputs, nothing_words
from driftgate.run.left_out_keys import stand_in
from driftgate.run.override import FieldOverride
from driftgate.run.settings_of_steps import LIMITS, filter_settings, step_settings
from driftgate.run.status import Exit, InputError, findings_status
from driftgate.schema.base import REMARKS
from driftgate.schema.routine import Checkpoint, Repeat

# What says no number: how a document is told apart, and texts for people.
_LEFT_OUT = REMARKS | {"kind", "format", "accepted"}
_NAMES = ("id", "name")


def effective_settings(
    path: Path,
    field: Path | None = None,
    carry_field: bool = False,
    keys: Sequence[str] = (),
    origins: Sequence[str] = (),
    run: Sequence[Setting] = (),
) -> SettingsReport:
    """Return what is in force for one routine on one field.

    Parameters
    ----------
    path : Path
        The routine, or a folder with a single one.
    field : Path, optional
        The true field, instead of the routine's own.
    carry_field : bool
        Whether the robot carries its map too.
    keys : sequence of str
        Groups, names of steps and checkpoints, or beginnings of keys, to keep; none: all.
    origins : sequence of str
        Origins to keep; none: all.
    run : sequence of Setting
        Those of the command line, which knows where they come from.

    Raises
    ------
    InputError
        If the path holds several routines, or a key begins nothing.
    """
    inputs = load_inputs((path,), field, carry_field)
    status, why = findings_status(inputs.findings)
    if status is Exit.PASS and not inputs.routines:
        status, why = Exit.NOTHING, nothing_words((path,))
    if status is not Exit.PASS:
        return SettingsReport(__version__, "", "", (), inputs.findings, int(status), why)
    if len(inputs.routines) > 1:
        names = ", ".join(loaded.document.path for loaded in inputs.routines[:5])
        raise InputError(f"{path} holds several routines: name one of {names}")
    (loaded,) = inputs.routines
    named = one_case(loaded, inputs.override)
    everything = [*_all(loaded, inputs.override, named), *run]
    kept = [s for s in everything if _wanted(s, keys) and (not origins or s.origin in origins)]
    for key in keys:
        if not any(_wanted(s, (key,)) for s in everything):
            close = alike(key, _beginnings(everything))
            hint = f"did you mean '{close}'?" if close else "without a key all are listed"
            raise InputError(f"no setting begins with '{key}'; {hint}")
    words = (
        f"{len(kept)} of {len(everything)} settings"
        if len(kept) < len(everything)
        else f"{len(kept)} settings"
    )
    document = loaded.document
    return SettingsReport(
        __version__, document.path, document.routine.title, tuple(kept), inputs.findings, 0, words
    )


def _beginnings(settings: Sequence[Setting]) -> Iterator[str]:
    """Yield what selects settings: groups, names of steps and checkpoints, beginnings of keys."""
    for setting in settings:
        yield setting.group.split(" ")[0]
        yield from setting.group.split("'")[1::2]
        parts = setting.key.split(".")
        yield from (".".join(parts[: i + 1]) for i in range(len(parts)))


def _wanted(setting: Setting, keys: Sequence[str]) -> bool:
    if not keys:
        return True
    for key in keys:
        if setting.group == key or setting.group.startswith(f"{key} ") or f"'{key}'" in setting.group:
            return True
        # Of "start_x" too "start" is a beginning, and of "range_at_zero of front" all before the sensor.
        if setting.key == key or setting.key.startswith(tuple(f"{key}{end}" for end in "._[ ")):
            return True
    return False


def _all(loaded: LoadedRoutine, override: FieldOverride | None, named: NamedCase) -> Iterator[Setting]:
    routine, robot = loaded.document, loaded.robot
    yield from _files(loaded, override, named)
    derived = tuple(filter_settings(named))
    acting = {setting.key.split(" ")[0] for setting in derived}
    # What the filter derives for itself is no key that stands for nothing.
    yield from (s for s in document_settings("robot", robot) if s.origin == "file" or s.key not in acting)
    yield from derived
    if named.believed.path == named.true.path:
        yield from _map("map", named.true)
    else:
        yield from _map("map carried", named.believed)
        yield from _map("true map", named.true)
    yield from document_settings(
        "routine", routine, without=frozenset({"steps", "robot", "field", "also_on"})
    )
    yield from _steps(named)


def _steps(named: NamedCase) -> Iterator[Setting]:
    document = named.document
    typed = _data(document)
    for step, path in steps_with_paths(document.routine.steps):
        number = ".".join(str(part + 1) for part in path if isinstance(part, int))
        name = f" {step.name!r}" if step.name else ""
        raw, told = _at_place(typed, path), frozenset({"do", "name", "fixes"})
        if isinstance(step, Checkpoint):
            yield from _model(f"checkpoint{name}, step {number}", document, raw, step, path, "", told)
        elif not isinstance(step, Repeat):
            group = f"step {number}{name or f' ({step.do})'}"
            kept = tuple(step_settings(group, step, path, named))
            # A limit that the step leaves to the robot is told once, as kept.
            told |= {s.key for s in kept} | {key for key in LIMITS if getattr(step, key, None) is None}
            yield from _model(group, document, raw, step, path, "", told)
            yield from kept


def _map(group: str, document: Document) -> Iterator[Setting]:
    """Yield a map's values; a wall without a build of its own has the map's."""
    build, place = document.field_map.build, ("build",)
    words = value_words(document.field_map, "build")
    for setting in document_settings(group, document):
        whole = setting.key.startswith("walls.") and setting.key.endswith(".build")
        if whole and setting.origin == "default" and build is not None:
            yield replace(_at(group, setting.key, words, document, place), note="the map's")
        else:
            yield setting


def _files(loaded: LoadedRoutine, override: FieldOverride | None, named: NamedCase) -> Iterator[Setting]:
    routine = loaded.document
    yield _at("files", "robot", loaded.robot.path, routine, ("robot",))
    for key, document in (("map carried", named.believed), ("true map", named.true)):
        if override is not None and document.path == override.document.path:
            yield Setting("files", key, document.path, "command line", note="by --field")
        else:
            yield _at("files", key, document.path, routine, ("field",))
    for i, variant in enumerate(loaded.variants):
        yield _at("files", f"also on, {i + 1}", variant.path, routine, ("also_on", i))


def _at(group: str, key: str, value: str, document: Document, place: DocPath) -> Setting:
    line, column, _ = document.where(place)
    return Setting(group, key, value, "file", document.path, line, column)


def document_settings(
    group: str, document: Document, without: frozenset[str] = frozenset()
) -> Iterator[Setting]:
    """Yield every value of a document: as its file has it, or the default.

    Parameters
    ----------
    group : str
        What they are shown under.
    document : Document
        The checked document.
    without : frozenset of str
        Keys at its top that are left out.
    """
    yield from _model(group, document, _data(document), document.model, (), "", without | _LEFT_OUT)


def _data(document: Document) -> object:
    """Return what a document's file holds, every scalar as it is written."""
    return compose("\n".join(document.lines), document.path, document.lines).data


def _at_place(data: object, place: DocPath) -> object:
    value: Any = data
    for part in place:
        value = value[part]
    return value


def _model(
    group: str,
    document: Document,
    typed: object,
    model: BaseModel,
    place: DocPath,
    words: str,
    without: frozenset[str] = REMARKS,
) -> Iterator[Setting]:
    for name in type(model).model_fields:
        if name in without:
            continue
        value = getattr(model, name)
        raw = typed.get(name) if isinstance(typed, Mapping) else None
        key = f"{words}.{name}" if words else name
        yield from _value(group, document, raw, model, (name,), value, (*place, name), key)


def _value(
    group: str,
    document: Document,
    raw: object,
    holder: BaseModel,
    inside: tuple[Any, ...],
    value: object,
    place: DocPath,
    key: str,
) -> Iterator[Setting]:
    if isinstance(value, BaseModel):
        yield from _model(group, document, raw, value, place, key)
    elif isinstance(value, list) and any(isinstance(item, BaseModel) for item in value):
        for i, item in enumerate(value):
            name = next((getattr(item, n) for n in _NAMES if getattr(item, n, None)), str(i + 1))
            below = raw[i] if isinstance(raw, list) and i < len(raw) else None
            yield from _value(
                group, document, below, holder, (*inside, i), item, (*place, i), f"{key}.{name}"
            )
    elif place in document.positions:
        line, column = document.positions[place]
        yield Setting(group, key, _typed_words(raw), "file", document.path, line, column)
    elif value is None and (acting := stand_in(holder, str(inside[0]))):
        yield Setting(group, key, acting[0], "derived" if acting[1] else "default", note=acting[1])
    else:
        yield Setting(group, key, value_words(holder, *inside), "default")


def _typed_words(raw: object) -> str:
    """Return a value as its file has it."""
    if isinstance(raw, bool):
        return "true" if raw else "false"
    if isinstance(raw, Mapping):
        return f"{{{', '.join(f'{key}: {_typed_words(item)}' for key, item in raw.items())}}}"
    if isinstance(raw, list):
        return f"[{', '.join(_typed_words(item) for item in raw)}]"
    return "none" if raw is None else str(raw)
