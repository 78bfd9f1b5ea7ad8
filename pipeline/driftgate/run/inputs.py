"""The load stage as the commands use it."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from driftgate.core.findings import Finding
from driftgate.load.checks_idle import check_bumps
from driftgate.load.project import LoadedRoutine, find_root, load_project
from driftgate.run.override import FieldOverride, check_override, load_override

DEFAULT_FOLDER = "routines"


@dataclass(frozen=True)
class Inputs:
    """What the load stage gave a command; `others` counts the documents given that are no routines."""

    routines: tuple[LoadedRoutine, ...]
    override: FieldOverride | None
    findings: tuple[Finding, ...]
    others: int = 0


def load_inputs(paths: Sequence[Path], field: Path | None = None, carry_field: bool = False) -> Inputs:
    """Load routines and, if given, the field map of the command line.

    Parameters
    ----------
    paths : sequence of Path
        Files and folders; none: the folder `routines`, and nothing if there is none.
    field : Path, optional
        A field map to judge on.
    carry_field : bool
        Whether the robot carries it too.
    """
    if not paths and not Path(DEFAULT_FOLDER).is_dir():
        return Inputs((), None, ())
    wanted = list(paths) or [Path(DEFAULT_FOLDER)]
    project = load_project(wanted, root_of(paths))
    if field is None:
        return Inputs(project.routines, None, project.findings, project.others)
    override, more = load_override(field, carry_field)
    if override is not None:
        more += check_override(project.routines, override)
        true = override.document
        more += tuple(fault for loaded in project.routines for fault in check_bumps(loaded.robot, true))
    return Inputs(project.routines, override, (*project.findings, *more), project.others)


def root_of(paths: Sequence[Path]) -> Path:
    """Return the repository that the paths of a command belong to."""
    return find_root(paths[0] if paths else Path(DEFAULT_FOLDER))


def nothing_words(paths: Sequence[Path]) -> str:
    """Return why nothing matched, and what to do about it."""
    if not paths and not Path(DEFAULT_FOLDER).is_dir():
        return f"there is no folder {DEFAULT_FOLDER}/ here, and no path was given; {_where_instead()}"
    if all(path.is_file() for path in paths) and paths:
        return "what was given is no routine: name a routine file, or validate this one"
    return "no routine was found: a routine is a YAML file (*.yaml) with the line 'kind: routine'"


def _where_instead() -> str:
    """Return which folder beside or above this one holds routines, or how to begin."""
    here = Path.cwd()
    for count, folder in enumerate(here.parents, 1):
        if (folder / DEFAULT_FOLDER).is_dir():
            return f"there is one further up: cd {'/'.join(['..'] * count)}"
    try:
        below = sorted(child.name for child in here.iterdir() if (child / DEFAULT_FOLDER).is_dir())
    except OSError:
        below = []
    if below:
        return f"there is one in {below[0]}: cd {shlex.quote(below[0])}"
    return "'driftgate new' begins a project"
