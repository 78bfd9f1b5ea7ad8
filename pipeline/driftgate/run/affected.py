"""Which routines a change can affect: those of which a file that they read has changed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import driftgate
from driftgate.load.project import LoadedRoutine
from driftgate.run.git import repository_of
from driftgate.run.inputs import Inputs, root_of
from driftgate.run.status import counted

# Files that say which driftgate runs, or how it is called: a change to one may change every verdict.
_SETTINGS = ("pyproject.toml", "noxfile.py", "tox.ini", "setup.cfg", "makefile", "justfile", "uv.lock")
_SETTINGS_FOLDERS = (".github", ".gitlab", ".ci", ".circleci")
_SETTINGS_PREFIXES = ("requirements", "constraints", ".gitlab-ci", ".pre-commit")


@dataclass(frozen=True)
class Affected:
    """What a change can affect.

    Attributes
    ----------
    paths : tuple of Path
        The routines to run, as paths from the current folder; empty when nothing is affected.
    left_out : int
        How many routines nothing has changed of.
    routines : frozenset of str
        The same, relative to the repository.
    words : str
        For people: how many are left out, or why all are run.
    """

    paths: tuple[Path, ...]
    left_out: int
    routines: frozenset[str]
    words: str


def affected_since(revision: str, paths: Sequence[Path], inputs: Inputs, field: Path | None) -> Affected:
    """Return the routines that what has changed since a revision can affect.

    The working tree counts as it is, with files that are not committed or not even added. All routines
    are affected when driftgate itself, or a file that may say which one runs or how, has changed.

    Parameters
    ----------
    revision : str
        A revision of the repository.
    paths : sequence of Path
        Those of the command.
    inputs : Inputs
        The present routines, free of errors.
    field : Path or None
        The field map of the command line; a change to it affects everything.

    Raises
    ------
    InputError
        If the revision cannot be had.
    """
    root = root_of(paths)
    repository = repository_of(root)
    changed = repository.changed_since(repository.commit(revision))
    everything = _reason_for_all(changed, root, field)
    touched = [loaded for loaded in inputs.routines if everything or _files(loaded) & changed]
    left_out = len(inputs.routines) - len(touched)
    if everything:
        words = f"all routines are run: {everything} has changed since {revision}"
    elif not left_out:
        words = f"every routine has changed since {revision}"
    else:
        words = f"{counted(left_out, 'routine')} left out: nothing they read has changed since {revision}"
    return Affected(
        tuple(_from_here(root, loaded) for loaded in touched),
        left_out,
        frozenset(loaded.document.path for loaded in touched),
        words,
    )


def _files(loaded: LoadedRoutine) -> set[str]:
    documents = (loaded.document, loaded.robot, loaded.field, *loaded.variants)
    return {document.path for document in documents}


def _from_here(root: Path, loaded: LoadedRoutine) -> Path:
    real = root / loaded.document.path
    here = Path.cwd().resolve()
    return real.relative_to(here) if real.is_relative_to(here) else real


def _reason_for_all(changed: Iterable[str], root: Path, field: Path | None) -> str:
    """Return the changed file that affects everything; empty if there is none."""
    own = Path(driftgate.__file__).resolve().parent
    inside = own.relative_to(root).as_posix() + "/" if own.is_relative_to(root) else None
    given = None if field is None else field.resolve()
    for path in sorted(changed):
        parts = PurePosixPath(path).parts
        name = parts[-1].lower()
        if name in _SETTINGS or name.startswith(_SETTINGS_PREFIXES) or parts[0] in _SETTINGS_FOLDERS:
            return path
        if inside is not None and path.startswith(inside):
            return path
        if given is not None and root / path == given:
            return path
        if (root / path).is_symlink():
            # What it leads to may be read under another name, unchanged itself.
            return path
    return ""
