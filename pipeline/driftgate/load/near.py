"""Which file was probably meant by a path at which there is none."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from driftgate.load.head import says_kind
from driftgate.load.text import is_inside, real_path
from driftgate.load.wording import alike

SUFFIXES: Final = (".yaml", ".yml")
# Where documents lie, and how many files are looked at: a suggestion is no reason to walk a disk.
_FOLDERS: Final = ("routines", "fieldmaps")
_MOST: Final = 1000
_SHOWN: Final = 6


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


def near_name(name: str, root: Path, kind: str) -> str:
    """Return a suggestion for a path from a repository's root, or an empty text.

    Parameters
    ----------
    name : str
        Where there is no file.
    root : Path
        The repository, without symbolic links.
    kind : str
        Of the document that belongs there.

    Notes
    -----
    What is called like it, or else all of the kind in that folder.
    """
    folders = [real_path(root / name).parent, *(root / folder for folder in _FOLDERS)]
    inside = [folder for folder in folders if is_inside(folder, root)]
    found = [path for path in _files(inside) if says_kind(path, (kind,))]
    near = _nearest(os.path.basename(name), found)
    if near:
        return f"did you mean '{Path(os.path.relpath(near, root)).as_posix()}'?"
    return _there_is([os.path.relpath(path, root) for path in found if Path(path).parent == folders[0]])


def near_path(missing: str, kind: str) -> str:
    """Return a suggestion for a path of the command line, or an empty text.

    Parameters
    ----------
    missing : str
        Where there is no file.
    kind : str
        Of the document that belongs there.

    Notes
    -----
    What is called like it in the very folder comes first, then a document of the kind called like it
    anywhere, then all of the kind in that folder.
    """
    folder, name = os.path.split(missing)
    beside = [path for path in _files([Path(folder)] if folder else []) if os.path.dirname(path) == folder]
    near = _nearest(name, beside)
    found: list[str] = []
    if not near:
        usual = [Path(name) for name in (folder, *_FOLDERS) if name]
        found = [path for path in _files(usual) if says_kind(path, (kind,))]
        near = _nearest(name, found)
    if near:
        return f"did you mean '{Path(near).as_posix()}'?"
    return _there_is([path for path in found if os.path.dirname(path) == folder] or found)


def _there_is(paths: list[str]) -> str:
    shown = [Path(path).as_posix() for path in paths[:_SHOWN]]
    more = ", ..." if len(paths) > _SHOWN else ""
    return f"there is {', '.join(shown)}{more}" if shown else ""


def _nearest(name: str, paths: list[str]) -> str:
    """Return the path whose name is that name or the most like it; of several the shortest."""
    by_name: dict[str, str] = {}
    # Endings are left out: all have the same few, and would be alike by them.
    for path in sorted(paths, key=lambda path: (path.count("/"), path)):
        by_name.setdefault(_stem(path), path)
    return by_name.get(alike(_stem(name), by_name), "")


def _stem(path: str) -> str:
    stem, ending = os.path.splitext(os.path.basename(path))
    return stem if ending.lower() in SUFFIXES else stem + ending


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
