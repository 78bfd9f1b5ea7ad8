"""Which files of logged runs a command means, and the folder that they may be read from."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final

from driftgate.load.project import find_root
from driftgate.load.text import TextError, is_inside, real_path
from driftgate.run.status import InputError

# Between the files of one run on the command line.
JOINED: Final = "+"


def run_files(text: str) -> tuple[Path, ...]:
    """Return the files of one run; one whose own name has a '+' is taken as it is.

    Raises
    ------
    InputError
        If there is nothing before, after or between the signs.
    """
    if os.path.exists(text):
        return (Path(text),)
    parts = text.split(JOINED)
    if not all(parts):
        raise InputError(f"'{text}' is not FILE or FILE+FILE+FILE")
    return tuple(Path(part) for part in parts)


def refuse_twice(runs: Iterable[Sequence[Path]]) -> None:
    """Refuse a file that is named twice: no run counts as two.

    Raises
    ------
    InputError
        If one is.
    """
    seen: set[Path] = set()
    for path in (path for paths in runs for path in paths):
        real = real_path(path)
        if real in seen:
            raise InputError(f"{path}: is named twice, and one run is no two")
        seen.add(real)


def folder_of(paths: Sequence[Path]) -> Path:
    """Return the folder to read a run in: its repository, else the one that holds all of its files.

    They may lie outside the repository: whoever typed the command chose them.
    """
    try:
        root, folders = find_root(paths[0]), [real_path(path).parent for path in paths]
    except TextError:
        return Path.cwd()
    if all(is_inside(folder, root) for folder in folders):
        return root
    return Path(os.path.commonpath(folders))
