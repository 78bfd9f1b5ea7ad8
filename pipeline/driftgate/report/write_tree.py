"""New files in a folder and its subfolders: all of them or none, and never over what is there."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Mapping
from pathlib import Path

from driftgate.core.held import held
from driftgate.report.write import WriteError, check_way, write_new


def in_the_way(folder: Path, names: Iterable[str]) -> list[str]:
    """Return those of the files that are there already, links to nowhere included."""
    return [name for name in names if os.path.lexists(folder / name)]


def write_tree(folder: Path, texts: Mapping[str, str]) -> None:
    """Write text files where there are none.

    Parameters
    ----------
    folder : Path
        Made if need be, with the folders that it stands in.
    texts : mapping
        Relative path to text.

    Raises
    ------
    WriteError
        If one of them exists, which is then named, or the file system refuses. What was written before
        that is taken back, and so it is when the process is told to stop.
    """
    there = in_the_way(folder, texts)
    if there:
        raise WriteError(
            f"{', '.join(str(folder / name) for name in there)}: there already, and never written over; "
            "nothing was written: name another folder, or move what is there"
        )
    made: list[Path] = []
    files: list[Path] = []
    try:
        for name, text in texts.items():
            path = folder / name
            check_way(path.parent)
            # An interrupt comes between two files, so that what has been written is known.
            with held():
                _make(path.parent, made)
                write_new(path, text)
                files.append(path)
    except BaseException:
        with held():
            for path in files:
                path.unlink(missing_ok=True)
            for path in reversed(made):
                with contextlib.suppress(OSError):  # somebody else has put something there
                    path.rmdir()
        raise


def _make(folder: Path, made: list[Path]) -> None:
    missing = []
    while not os.path.lexists(folder):
        missing.append(folder)
        folder = folder.parent
    for path in reversed(missing):
        try:
            path.mkdir()
        except OSError as error:
            raise WriteError(f"{path}: {error.strerror}") from error
        made.append(path)
