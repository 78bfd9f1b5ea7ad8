"""Which file was probably meant by a path at which there is none."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from driftgate.load.text import is_inside
from driftgate.load.wording import alike

SUFFIXES: Final = (".yaml", ".yml")
# Where documents lie, and how many files are looked at: a suggestion is no reason to walk a disk.
_FOLDERS: Final = ("routines", "fieldmaps")
_MOST: Final = 1000


def near_reference(missing: Path, root: Path, routine: str) -> str:
    """Return a suggestion for a reference, as it would stand in the routine.

    Parameters
    ----------
    missing : Path
        Where there is no file; absolute.
    root : Path
        The repository.
    routine : str
        Path of the routine in it.
    """
    folders = [missing.parent, *(root / name for name in _FOLDERS)]
    inside = [folder for folder in folders if is_inside(folder, root)]
    own = os.path.join(root, routine)
    found = [path for path in _files(inside) if path != own]
    near = _nearest(missing.name, found)
    if not near:
        return "paths start at the routine's own folder"
    return f"did you mean '{Path(os.path.relpath(near, os.path.dirname(own))).as_posix()}'?"


def near_path(missing: str) -> str:
    """Return a suggestion for a path of the command line, or an empty text."""
    folders = [Path(name) for name in (os.path.dirname(missing), *_FOLDERS) if name]
    name = os.path.basename(missing)
    found = _files(folders)
    near = _nearest(name, found) or _nearest(name, found, stems=True)
    return f"did you mean '{Path(near).as_posix()}'?" if near else ""


def _nearest(name: str, paths: list[str], stems: bool = False) -> str:
    """Return the path whose name is that name or the most like it; of several the shortest."""

    def called(path: str) -> str:
        base = os.path.basename(path)
        return os.path.splitext(base)[0] if stems else base

    by_name: dict[str, str] = {}
    for path in sorted(paths, key=lambda path: (path.count("/"), path)):
        by_name.setdefault(called(path), path)
    return by_name.get(alike(name, by_name), "")


def _files(folders: list[Path]) -> list[str]:
    found: dict[str, None] = {}
    for path in _walked(folders):
        found[path] = None
        if len(found) >= _MOST:
            break
    return list(found)


def _walked(folders: list[Path]) -> Iterator[str]:
    for folder in folders:
        for parent, below, names in os.walk(folder):
            below[:] = sorted(name for name in below if not name.startswith("."))
            for name in sorted(names):
                if name.lower().endswith(SUFFIXES) and not name.startswith(".") and name.isprintable():
                    yield os.path.join(parent, name)
