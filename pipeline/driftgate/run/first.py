"""A first project: made, tried out, and only then written."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from driftgate.first.files import project_files
from driftgate.first.values import MisfitError, Wanted
from driftgate.load.project import load_project
from driftgate.load.text import enclosing_repository, real_path
from driftgate.plan.build import plan_case
from driftgate.report.write import WriteError
from driftgate.report.write_tree import in_the_way, write_tree
from driftgate.run.status import FaultError, InputError
from driftgate.schema.case import Case


@dataclass(frozen=True)
class FirstProject:
    """What was written.

    Attributes
    ----------
    folder : Path
        Where.
    names : tuple of str
        Paths of the files in it.
    repository : Path or None
        The repository that the folder lies in, if it is not the folder itself.
    marked : bool
        Whether it is in a repository at all; without one, driftgate takes the folder that it is called in.
    """

    folder: Path
    names: tuple[str, ...]
    repository: Path | None
    marked: bool


def begin_project(folder: Path, wanted: Wanted) -> FirstProject:
    """Write a first project into a folder.

    Parameters
    ----------
    folder : Path
        Made if need be. Files that are in the way are never replaced.
    wanted : Wanted
        Sizes, drive, sensors.

    Raises
    ------
    InputError
        If robot and field do not go together.
    WriteError
        If a file is in the way or cannot be written. Nothing has changed then.
    FaultError
        If the routine that was worked out does not come out. Nothing has changed then.
    """
    try:
        texts = project_files(wanted)
    except MisfitError as error:
        raise InputError(str(error)) from error
    if not in_the_way(folder, texts):
        _try_out(texts)
    write_tree(folder, texts)
    here = real_path(folder)
    root = enclosing_repository(here)
    around = root if root is not None and root != here and (root / ".git").exists() else None
    return FirstProject(folder, tuple(texts), around, root is not None)


def _try_out(texts: Mapping[str, str]) -> None:
    """Load and plan the project in a folder that is thrown away."""
    try:
        with tempfile.TemporaryDirectory(prefix="driftgate-first-") as name:
            folder = Path(name)
            write_tree(folder, texts)
            project = load_project([folder / "routines"], folder)
            issues = [f"{finding.code} {finding.message}" for finding in project.findings]
            for loaded in project.routines:
                field = loaded.field.field_map
                plan = plan_case(Case(loaded.document.routine, loaded.robot.robot, field, field))
                issues += [f"{finding.code} {finding.message}" for finding in plan.findings]
    except WriteError:
        raise
    except OSError as error:
        raise WriteError(f"{error.filename or tempfile.gettempdir()}: {error.strerror}") from error
    if issues or len(project.routines) != 1:
        words = "; ".join(issues[:3]) or "no routine"
        raise FaultError(f"the first routine does not come out for these sizes ({words})")
