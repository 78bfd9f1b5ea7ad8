"""One file named on the command line, read by itself, and a robot as changed there."""

from __future__ import annotations

import copy
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from driftgate.core.findings import Finding
from driftgate.core.units import article
from driftgate.load.checks_field import check_field_map
from driftgate.load.checks_robot import check_robot
from driftgate.load.checks_tape import check_tape
from driftgate.load.checks_waivers import check_waivers
from driftgate.load.compose import Composed, compose
from driftgate.load.document import KEY, DocPath, Document, Kind, Source
from driftgate.load.near import near_path
from driftgate.load.text import TextError, read_text, real_path, shorten, split_lines
from driftgate.load.validate import kind_of, validated_data, validation_findings
from driftgate.load.wording import did_you_mean
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.robot import Robot
from driftgate.schema.routine import Routine, Step

_CHECKS: Final[dict[Kind, Callable[[Document], list[Finding]]]] = {
    "robot": check_robot,
    "field map": check_field_map,
    "tape sheet": check_tape,
    "waivers": check_waivers,
}


@dataclass(frozen=True, eq=False)
class Single:
    """A file read by itself.

    Attributes
    ----------
    composed : Composed or None
        What it holds; None if it cannot be read.
    document : Document or None
        The checked document; None with findings when it is not sound.
    findings : tuple of Finding
        What is wrong with it.
    """

    composed: Composed | None
    document: Document | None
    findings: tuple[Finding, ...]


def load_single(path: Path, kind: Kind) -> Single:
    """Load a robot, a field map, a tape sheet or waivers by itself.

    It may lie outside the repository: whoever types the command chose the file.

    Parameters
    ----------
    path : Path
        The file.
    kind : {"robot", "field map", "tape sheet", "waivers"}
        What it must be.
    """
    shown = path.as_posix()
    try:
        real = real_path(path)
        text = read_text(real, real.parent)
    except TextError as error:
        near = near_path(shown, kind) if error.missing else ""
        found = Finding(shown, error.line, error.column, "DG101", error.reason, "error", near, error.excerpt)
        return Single(None, None, (found,))
    composed = compose(text, shown, split_lines(text))
    findings = list(composed.findings)
    if not composed.whole:
        return Single(None, None, tuple(findings))
    meant, faults = kind_of(composed)
    findings += faults
    if meant is None:
        return Single(None, None, tuple(findings))
    if meant != kind:
        message = f"the file is {article(meant)}, not {article(kind)}"
        return Single(None, None, (*findings, Finding(shown, 1, 1, "DG122", message)))
    return _checked(composed, kind, findings)


def _checked(composed: Composed, kind: Kind, findings: list[Finding]) -> Single:
    validated = validated_data(composed.data, kind)
    findings = findings + validation_findings(composed, kind, validated)
    if validated.model is None or findings:
        return Single(composed, None, tuple(findings))
    source = composed.source
    document = Document(source.path, source.lines, source.positions, kind, validated.model)
    findings = _CHECKS[kind](document)
    sound = not any(finding.level == "error" for finding in findings)
    return Single(composed, document if sound else None, tuple(findings))


# Keys that a robot has not, and that whoever compares may look for there.
_ROUTINE_KEYS: Final = (set(Routine.model_fields) | set(Step.model_fields)) - set(Robot.model_fields)
_MAP_KEYS: Final = set(FieldMap.model_fields) - set(Robot.model_fields)


@dataclass(frozen=True)
class Setting:
    """One setting of a robot, changed on the command line.

    Attributes
    ----------
    keys : tuple of (str, int)
        The words of the dotted path, each with its column in the option, from 1.
    value : str
        As it would stand in the file.
    column : int
        Of the value in the option, from 1.
    """

    keys: tuple[tuple[str, int], ...]
    value: str
    column: int


def changed_robot(base: Single, settings: Sequence[Setting], option: str, text: str) -> Single:
    """Return a robot with some settings changed, checked as if the file had said so.

    Parameters
    ----------
    base : Single
        A sound robot.
    settings : sequence of Setting
        What to change; keys on the way that the file does not have are added. An item of a list is
        named by its `id`, or counted from 1. The value `null` takes a key away.
    option : str
        What findings name as their file.
    text : str
        The option's text, in which findings are placed.
    """
    assert base.composed is not None
    data: Any = copy.deepcopy(base.composed.data)
    positions: dict[DocPath, tuple[int, int]] = {(): (1, 1)}
    source = Source(option, (text,), positions)
    findings: list[Finding] = []
    for setting in settings:
        findings += _set(data, setting, source, positions)
    if findings:
        return Single(None, None, tuple(findings))
    found = _checked(Composed(data, source, (), True, frozenset()), "robot", [])
    known = {(f.code, f.message) for f in base.findings}
    new = tuple(f for f in found.findings if (f.code, f.message) not in known)
    return replace(found, findings=tuple(_of_the_robot(f, settings) for f in new))


def _of_the_robot(finding: Finding, settings: Sequence[Setting]) -> Finding:
    """Return a finding with what to do, where the key is one of a routine or of a map."""
    if finding.code != "DG108":
        return finding
    firsts = [setting.keys[0] for setting in settings]
    word = next((name for name, column in firsts if column == finding.column), "")
    if word in _MAP_KEYS:
        advice = "a setting is one of the robot: for another map write field=FILE, or carried-field=FILE"
    elif word in _ROUTINE_KEYS:
        advice = "a setting is one of the robot: for other starts, steps or fixes check a copy of the routine"
    else:
        return finding
    return replace(finding, suggestion=advice)


def _set(
    data: Any, setting: Setting, source: Source, positions: dict[DocPath, tuple[int, int]]
) -> list[Finding]:
    holder = data
    path: DocPath = ()
    for word, column in setting.keys[:-1]:
        part = _part(holder, word)
        if part is None:
            return [_no_way(source, holder, word, column)]
        path = (*path, part)
        positions.setdefault((*path, KEY), (1, column))
        positions.setdefault(path, (1, column))
        if isinstance(holder, dict) and holder.get(part) is None:
            holder[part] = {}
        holder = holder[part]
    word, column = setting.keys[-1]
    part = _part(holder, word)
    if part is None:
        return [_no_way(source, holder, word, column)]
    path = (*path, part)
    positions[(*path, KEY)] = (1, column)
    value = compose(setting.value, source.path, (setting.value,))
    for place, (_, at) in value.source.positions.items():
        positions[(*path, *place)] = (1, setting.column + at - 1)
    positions.setdefault(path, (1, setting.column))
    if value.data is None and not value.findings and isinstance(holder, dict):
        holder.pop(part, None)
    else:
        holder[part] = value.data
    return [
        replace(f, line=1, column=setting.column + max(0, f.column - 1), excerpt=source.line_text(1))
        for f in value.findings
    ]


def _part(holder: Any, word: str) -> str | int | None:
    """Return the key or index that a word of the path names; None if nothing can stand there."""
    if isinstance(holder, dict):
        return word
    if not isinstance(holder, list):
        return None
    for i, item in enumerate(holder):
        if isinstance(item, dict) and item.get("id") == word:
            return i
    if word.isascii() and word.isdigit() and 1 <= int(word[:9]) <= len(holder):
        return int(word[:9]) - 1
    return None


def _no_way(source: Source, holder: Any, word: str, column: int) -> Finding:
    if isinstance(holder, list):
        names = [str(i["id"]) for i in holder if isinstance(i, dict) and "id" in i]
        message = f"there is no '{shorten(word)}' in the list"
        advice = did_you_mean(word, names) if names else f"count from 1 to {len(holder)}"
        return Finding(source.path, 1, column, "DG113", message, "error", advice, source.line_text(1))
    message = f"there is nothing below a single value: '{shorten(word)}'"
    return Finding(source.path, 1, column, "DG110", message, excerpt=source.line_text(1))
