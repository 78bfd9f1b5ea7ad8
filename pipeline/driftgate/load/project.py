"""From paths to routines that are ready to be planned, and every finding of all their files."""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Final

from driftgate.core.errors import DriftgateError
from driftgate.core.findings import Finding
from driftgate.core.many import and_more
from driftgate.core.units import article
from driftgate.load.checks_case import check_on_field, check_variant
from driftgate.load.checks_field import check_field_map
from driftgate.load.checks_idle import check_bumps
from driftgate.load.checks_robot import check_robot
from driftgate.load.checks_routine import check_routine
from driftgate.load.checks_tape import check_tape
from driftgate.load.checks_together import check_together
from driftgate.load.checks_waivers import check_waivers
from driftgate.load.compose import MOST_FINDINGS, compose
from driftgate.load.document import DocPath, Document, Kind, Source
from driftgate.load.mend import MendedDocument, mended_document
from driftgate.load.near import SUFFIXES, near_path, near_reference
from driftgate.load.text import (
    TextError,
    enclosing_repository,
    is_inside,
    read_text,
    real_path,
    shorten,
    shown_path,
    split_lines,
)
from driftgate.load.validate import kind_of, validated_data, validation_findings

MOST_FILES: Final = 5000


class LoadError(DriftgateError):
    """A routine cannot be loaded.

    Attributes
    ----------
    findings : tuple of Finding
        Every reason, sorted by place.
    """

    def __init__(self, findings: Sequence[Finding]) -> None:
        self.findings = tuple(findings)
        first = self.findings[0]
        rest = and_more(len(self.findings) - 1)
        more = f" ({rest})" if rest else ""
        super().__init__(f"{first.path}:{first.line}:{first.column}: {first.code} {first.message}{more}")


@dataclass(frozen=True, eq=False)
class LoadedRoutine:
    """A routine with all that it refers to, free of errors.

    Attributes
    ----------
    document : Document
        The routine.
    robot : Document
        Its robot.
    field : Document
        The believed field map.
    variants : tuple of Document
        Further field maps to judge on as the true field, in the order of `also_on`.
    """

    document: Document
    robot: Document
    field: Document
    variants: tuple[Document, ...]


@dataclass(frozen=True, eq=False)
class Project:
    """What the paths given hold.

    Attributes
    ----------
    routines : tuple of LoadedRoutine
        Those free of errors, sorted by path.
    findings : tuple of Finding
        All findings of all files, sorted by place.
    others : int
        Robots, field maps and other documents among the files given.
    """

    routines: tuple[LoadedRoutine, ...]
    findings: tuple[Finding, ...]
    others: int = 0


@dataclass(frozen=True, eq=False)
class _Loaded:
    """One file. A document that is not clean serves further checks only."""

    path: str
    kind: Kind | None
    document: Document | None
    source: Source
    data: object = None
    clean: bool = False


@dataclass
class _Library:
    """Every file of a run, read once."""

    root: Path
    files: dict[Path, _Loaded] = field(default_factory=dict)
    findings: set[Finding] = field(default_factory=set)

    def load(self, real: Path) -> _Loaded:
        """Return the file at a path without symbolic links, reading it the first time."""
        if real not in self.files:
            loaded, findings = _load_file(real, self.root)
            self.files[real] = loaded
            self.findings.update(_limited(findings, loaded.path))
        return self.files[real]


def find_root(start: str | os.PathLike[str]) -> Path:
    """Return the repository that a path belongs to.

    The nearest parent with `.git`, else the nearest with `pyproject.toml`, else the current folder.
    """
    return enclosing_repository(real_path(start)) or real_path(Path.cwd())


def load_project(paths: Iterable[str | os.PathLike[str]], root: str | os.PathLike[str]) -> Project:
    """Load routines and all that they refer to.

    Parameters
    ----------
    paths : iterable of path
        Files and folders; folders are searched for `*.yaml` and `*.yml`, hidden ones left out.
        Robots and field maps among them are checked, routines are returned.
    root : path
        The repository root; nothing outside it is read.

    Returns
    -------
    Project
        Routines free of errors, and every finding of every file.
    """
    library = _Library(real_path(root))
    reals: set[Path] = set()
    for path in paths:
        try:
            real = real_path(path)
            searched = itertools.islice(visible_files(real), MOST_FILES + 1)
            found = list(searched) if real.is_dir() and is_inside(real, library.root) else [real]
            reals.update(real_path(file) for file in found)
            if len(reals) > MOST_FILES:
                message = f"more than {MOST_FILES} YAML files"
                path_words = shorten(os.fspath(path), 80)
                found_too_many = Finding(path_words, 0, 0, "DG149", message, suggestion="name fewer folders")
                return Project((), (found_too_many,))
        except TextError as error:
            library.findings.add(Finding(shorten(os.fspath(path), 80), 0, 0, "DG101", error.reason))
    entries = [library.load(real) for real in sorted(reals)]
    routines = []
    for entry in entries:
        if entry.kind != "routine":
            continue
        routine, findings = _load_case(entry, library)
        library.findings.update(_limited(findings, entry.path))
        if routine is not None:
            routines.append(routine)
    routines.sort(key=lambda routine: routine.document.path)
    others = sum(entry.kind not in (None, "routine") for entry in entries)
    return Project(tuple(routines), tuple(sorted(library.findings)), others)


def load_routine(path: str | os.PathLike[str], root: str | os.PathLike[str] | None = None) -> LoadedRoutine:
    """Load one routine with all that it refers to.

    Parameters
    ----------
    path : path
        The routine file.
    root : path, optional
        The repository root; by default `find_root` of the file.

    Raises
    ------
    LoadError
        If anything is wrong with the routine or a file that it refers to, or if the file is no
        routine.
    """
    project = load_project([path], find_root(path) if root is None else root)
    errors = [finding for finding in project.findings if finding.level == "error"]
    if not project.routines and not errors:
        errors = [Finding(os.path.basename(os.fspath(path)), 0, 0, "DG122", "the file is no routine")]
    if errors:
        raise LoadError(errors)
    return project.routines[0]


def visible_files(folder: Path, suffixes: str | tuple[str, ...] = SUFFIXES) -> Iterator[Path]:
    """Yield the files in a folder and below it whose names end so, by default documents; no hidden ones."""
    for parent, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            if name.lower().endswith(suffixes) and not name.startswith("."):
                yield Path(parent, name)


def _load_file(real: Path, root: Path) -> tuple[_Loaded, list[Finding]]:
    path = shown_path(real, root)
    try:
        text = read_text(real, root)
    except TextError as error:
        near = near_path(os.path.relpath(real), "routine") if error.missing else ""
        finding = Finding(path, error.line, error.column, "DG101", error.reason, "error", near, error.excerpt)
        return _Loaded(path, None, None, Source(path, (), {})), [finding]
    composed = compose(text, path, split_lines(text))
    source, data = composed.source, composed.data
    if not composed.whole:
        return _Loaded(path, None, None, source), list(composed.findings)
    kind, faults = kind_of(composed)
    findings = [*composed.findings, *faults]
    if kind is None:
        return _Loaded(path, None, None, source), findings
    validated = validated_data(data, kind)
    findings += validation_findings(composed, kind, validated)
    if validated.model is not None and not findings:
        document = Document(path, source.lines, source.positions, kind, validated.model)
        findings = _own_checks(document, data)
        clean = not any(finding.level == "error" for finding in findings)
        return _Loaded(path, kind, document, source, data, clean), findings
    few = len(findings) <= MOST_FINDINGS and kind not in ("waivers", "freeze")
    mended = mended_document(composed, kind, validated.faults) if few else None
    if mended is not None:
        findings += mended.kept(_own_checks(mended, data))
    return _Loaded(path, kind, mended, source, data), findings


def _own_checks(document: Document, data: object) -> list[Finding]:
    if document.kind == "robot":
        return check_robot(document)
    if document.kind == "field map":
        return check_field_map(document)
    if document.kind == "tape sheet":
        return check_tape(document)
    if document.kind == "waivers":
        return check_waivers(document)
    if document.kind == "freeze":
        return []  # `load.manifest` reads those that are meant
    return check_routine(document, data)


def _load_case(entry: _Loaded, library: _Library) -> tuple[LoadedRoutine | None, list[Finding]]:
    routine = entry.document
    if routine is None:
        return None, _check_references(entry, library)
    model = routine.routine
    robot, findings = _referenced(routine, ("robot",), model.robot, "robot", library)
    field_map, more = _referenced(routine, ("field",), model.field, "field map", library)
    findings += more
    variants: list[_Loaded] = []
    for i, name in enumerate(model.also_on):
        path: DocPath = ("also_on", i)
        variant, more = _referenced(routine, path, name, "field map", library)
        findings += more
        if variant is not None and (variant is field_map or variant in variants):
            findings.append(routine.finding("DG130", path, f"'{name}' is named already", "delete it"))
        elif variant is not None:
            variants.append(variant)
            findings += _check_variant(routine, path, field_map, variant)
    findings += _check_together(routine, robot, field_map)
    if isinstance(routine, MendedDocument):
        findings = routine.kept(findings)
    documents = [loaded.document for loaded in (robot, field_map, *variants) if loaded and loaded.clean]
    ready = [document for document in documents if document is not None]
    if robot is not None and robot.clean:
        findings += [fault for true in ready[1:] for fault in check_bumps(ready[0], true)]
    errors = any(finding.level == "error" for finding in findings)
    if errors or not entry.clean or len(ready) != 2 + len(model.also_on):
        return None, findings
    return LoadedRoutine(routine, ready[0], ready[1], tuple(ready[2:])), findings


def _check_together(routine: Document, robot: _Loaded | None, field_map: _Loaded | None) -> list[Finding]:
    """Hold a routine against its field map and robot as far as those are to be trusted."""
    if field_map is None or field_map.document is None:
        return []
    document, findings = field_map.document, []
    if not isinstance(document, MendedDocument) or document.names_hold:
        findings += check_on_field(routine, document)
    if robot is not None and robot.clean and robot.document is not None and field_map.clean:
        findings += check_together(routine, robot.document, document)
    return findings


def _check_variant(
    routine: Document, path: DocPath, field_map: _Loaded | None, variant: _Loaded
) -> list[Finding]:
    if field_map is None or not (field_map.clean and variant.clean):
        return []
    if field_map.document is None or variant.document is None:
        return []
    return check_variant(routine, path, field_map.document, variant.document)


def _check_references(entry: _Loaded, library: _Library) -> list[Finding]:
    """Load what a routine refers to although its schema does not hold: their findings show all the same."""
    data = entry.data if isinstance(entry.data, dict) else {}
    named: list[tuple[DocPath, object, Kind]] = [
        (("robot",), data.get("robot"), "robot"),
        (("field",), data.get("field"), "field map"),
    ]
    also_on = data.get("also_on")
    if isinstance(also_on, list):
        named += [(("also_on", i), name, "field map") for i, name in enumerate(also_on[:20])]
    findings = []
    for path, name, kind in named:
        if isinstance(name, str) and 0 < len(name) <= 200:
            findings += _referenced(entry.source, path, name, kind, library)[1]
    return findings


def _referenced(
    routine: Source, path: DocPath, name: str, kind: Kind, library: _Library
) -> tuple[_Loaded | None, list[Finding]]:
    """Return the file that a routine names, or None and why not."""
    reason = _bad_reference(name)
    if reason:
        return None, [routine.finding("DG120", path, reason, "write a path relative to the routine's folder")]
    folder = PurePosixPath(routine.path).parent
    outside = routine.finding("DG120", path, "the reference leaves the repository", _which(library.root))
    try:
        real = real_path(library.root / folder / name)
        if _climbs_out(folder, name) or not is_inside(real, library.root):
            return None, [outside]
        if not os.path.lexists(real):
            message = f"there is no file {shown_path(real, library.root)}"
            near = near_reference(real, library.root, routine.path)
            return None, [routine.finding("DG121", path, message, near)]
    except (TextError, OSError, ValueError):
        return None, [routine.finding("DG121", path, f"'{shorten(name)}' is not a usable path")]
    if not real.is_file():
        return None, [routine.finding("DG121", path, f"{shown_path(real, library.root)} is not a file")]
    loaded = library.load(real)
    if loaded.kind is not None and loaded.kind != kind:
        message = f"{loaded.path} is {article(loaded.kind)}, not {article(kind)}"
        return None, [routine.finding("DG122", path, message)]
    return loaded, []


def _bad_reference(name: str) -> str:
    if "\\" in name:
        return "a reference is written with forward slashes"
    if PurePosixPath(name).is_absolute() or PureWindowsPath(name).drive:
        return "a reference must not be an absolute path"
    return ""


def _which(root: Path) -> str:
    """Return what the repository is, where nothing on the disk marks it."""
    if enclosing_repository(root) is not None:
        return ""
    return (
        "without .git or pyproject.toml it is the folder you are in: call driftgate from the folder that "
        "holds routines/"
    )


def _climbs_out(folder: PurePosixPath, name: str) -> bool:
    """Say whether a path passes above the root, even if it comes back by the name of the checkout."""
    depth = len(folder.parts)
    for part in PurePosixPath(name).parts:
        depth += -1 if part == ".." else 1
        if depth < 0:
            return True
    return False


def _limited(findings: list[Finding], path: str) -> list[Finding]:
    if len(findings) <= MOST_FINDINGS:
        return findings
    kept = sorted(findings)[:MOST_FINDINGS]
    return [*kept, Finding(path, 0, 0, "DG114", "more findings left out", "note")]
