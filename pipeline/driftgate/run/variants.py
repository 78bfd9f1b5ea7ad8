"""Variants of one case: what the command line says of them, and the cases that they make."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from driftgate.core.findings import Finding
from driftgate.load.checks_together import check_together
from driftgate.load.document import Document
from driftgate.load.project import LoadedRoutine
from driftgate.load.single import Setting, Single, changed_robot, load_single
from driftgate.run.cases import NamedCase
from driftgate.run.override import FieldOverride, check_override
from driftgate.run.status import InputError

AS_WRITTEN = "as written"
OFF = "correction off"
# Files that a variant may put in the place of the routine's own.
_FILES = ("robot", "field", "carried-field")
_PATH = re.compile(r"[A-Za-z0-9_-]+(\.[A-Za-z0-9_-]+)*", re.ASCII)
_LONGEST_NAME = 40


@dataclass(frozen=True)
class VariantSpec:
    """A variant as the command line says it.

    Attributes
    ----------
    name : str
        For the table.
    text : str
        The option's text, for the report and for findings.
    files : tuple of (str, Path)
        "robot", "field" or "carried-field", and the file.
    settings : tuple of Setting
        Settings of the robot.
    """

    name: str
    text: str = ""
    files: tuple[tuple[str, Path], ...] = ()
    settings: tuple[Setting, ...] = ()

    @property
    def option(self) -> str:
        """What findings name as their file."""
        return f"--variant '{self.name}'"


def without_correction() -> VariantSpec:
    """Return the variant that is pure dead reckoning."""
    return read_variant(f"{OFF}: correction.enabled=false")


def read_variant(text: str) -> VariantSpec:
    """Return a variant from "NAME: CHANGE; CHANGE".

    A change is `robot=FILE`, `field=FILE`, `carried-field=FILE`, or a dotted path into the robot
    document with a value as it would stand in the file.

    Raises
    ------
    InputError
        If the text has another form.
    """
    name, found, rest = text.partition(":")
    name = name.strip()
    shown = text if len(text) <= 60 else text[:59] + "…"
    if not found or not name or not rest.strip():
        raise InputError(
            f"variant '{shown}' is not NAME: CHANGE; CHANGE, "
            "as in 'wide gate: correction.gate.sigmas=4; correction.update.law=blend'"
        )
    if len(name) > _LONGEST_NAME:
        raise InputError(f"variant '{shown}': a name has at most {_LONGEST_NAME} characters")
    if "\n" in text or "\r" in text:
        raise InputError(f"variant '{name}' has more than one line")
    files: list[tuple[str, Path]] = []
    settings: list[Setting] = []
    for begin, part in _pieces(text, text.index(":") + 1):
        start = begin + len(part) - len(part.lstrip())
        path, found, value = part.strip().partition("=")
        path = path.rstrip()
        if not found or not _PATH.fullmatch(path) or not value.strip():
            raise InputError(f"variant '{name}': '{part.strip()}' is not PATH=VALUE")
        at = text.index("=", start) + 1
        at += len(value) - len(value.lstrip())
        if path in _FILES:
            files.append((path, Path(value.strip())))
        else:
            settings.append(Setting(_keys(path, start + 1), value.strip(), at + 1))
    _refuse_twice(name, [kind for kind, _ in files], settings)
    return VariantSpec(name, text, tuple(files), tuple(settings))


def _pieces(text: str, begin: int) -> list[tuple[int, str]]:
    """Return what the semicolons separate, with its place; one inside quotes separates nothing."""
    found, quote, start = [], "", begin
    for i in range(begin, len(text)):
        character = text[i]
        if quote:
            quote = "" if character == quote else quote
        elif character in "'\"":
            quote = character
        elif character == ";":
            found.append((start, text[start:i]))
            start = i + 1
    found.append((start, text[start:]))
    return [(at, part) for at, part in found if part.strip()]


def _keys(path: str, column: int) -> tuple[tuple[str, int], ...]:
    found = []
    for word in path.split("."):
        found.append((word, column))
        column += len(word) + 1
    return tuple(found)


def _refuse_twice(name: str, files: Sequence[str], settings: Sequence[Setting]) -> None:
    paths = [*files, *(".".join(word for word, _ in setting.keys) for setting in settings)]
    for path in paths:
        if paths.count(path) > 1:
            raise InputError(f"variant '{name}' sets {path} twice")
    if "field" in files and "carried-field" in files:
        raise InputError(f"variant '{name}': give either field or carried-field")


@dataclass(frozen=True, eq=False)
class VariantCases:
    """The variants of one case, the first as written, or what is wrong with them."""

    cases: tuple[NamedCase, ...]
    findings: tuple[Finding, ...]


def variant_cases(
    loaded: LoadedRoutine, first: NamedCase, specs: Sequence[VariantSpec], root: Path
) -> VariantCases:
    """Return the case of each variant.

    Parameters
    ----------
    loaded : LoadedRoutine
        The routine.
    first : NamedCase
        The case as written.
    specs : sequence of VariantSpec
        What each variant changes.
    root : Path
        The repository root, in which the robot's own file is.
    """
    findings: list[Finding] = []
    cases = []
    for spec in specs:
        named, found = _variant_case(loaded, first, spec, root)
        findings += found
        if named is not None:
            cases.append(named)
    return VariantCases(tuple(cases), tuple(dict.fromkeys(findings)))


def _variant_case(
    loaded: LoadedRoutine, first: NamedCase, spec: VariantSpec, root: Path
) -> tuple[NamedCase | None, list[Finding]]:
    files = dict(spec.files)
    robot, findings = _robot_of(loaded, spec, files.get("robot"), root)
    if robot is None:
        return None, findings
    named = replace(first, case=replace(first.case, robot=robot.robot), robot=robot)
    carried = files.get("carried-field")
    field = carried or files.get("field")
    if field is not None:
        found = load_single(field, "field map")
        findings += found.findings
        if found.document is None:
            return None, findings
        override = FieldOverride(found.document, carried is not None)
        findings += check_override([loaded], override, f"variant '{spec.name}'")
        named = _on_field(named, override)
    known = check_together(loaded.document, loaded.robot, loaded.field)
    findings += [
        replace(finding, message=f"{finding.message} (variant '{spec.name}')")
        for finding in check_together(loaded.document, robot, named.believed)
        if finding not in known
    ]
    bad = any(finding.level == "error" for finding in findings)
    return (None if bad else named), findings


def _on_field(named: NamedCase, override: FieldOverride) -> NamedCase:
    document = override.document
    believed = document if override.carry else named.believed
    case = replace(named.case, believed=believed.field_map, true=document.field_map)
    return replace(named, case=case, believed=believed, true=document)


def _robot_of(
    loaded: LoadedRoutine, spec: VariantSpec, file: Path | None, root: Path
) -> tuple[Document | None, list[Finding]]:
    if file is None and not spec.settings:
        return loaded.robot, []
    base = load_single(file if file is not None else root / loaded.robot.path, "robot")
    if base.document is None:
        return None, list(base.findings)
    findings = list(base.findings) if file is not None else []
    if not spec.settings:
        return base.document, findings
    found: Single = changed_robot(base, spec.settings, spec.option, spec.text)
    document = found.document
    if document is not None:
        document = replace(document, path=base.document.path if file is not None else loaded.robot.path)
    return document, [*findings, *found.findings]
