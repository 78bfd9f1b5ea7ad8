"""The files of another time, laid out in a folder of their own, to be loaded like any others."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from driftgate.load.near import SUFFIXES
from driftgate.load.text import LARGEST_BYTES, is_plain_path
from driftgate.run.git import REGULAR, Repository
from driftgate.run.status import InputError

_MOST_FILES = 5000


@dataclass(frozen=True)
class Snapshot:
    """Files of another time.

    Attributes
    ----------
    label : str
        What they are, for people.
    files : mapping
        Path, relative to the repository, to contents.
    """

    label: str
    files: Mapping[str, bytes]


def snapshot_of(repository: Repository, revision: str) -> Snapshot:
    """Return the YAML files of a revision, read from git's objects.

    Symbolic links and submodules are left out: what refers to one finds nothing there.

    Raises
    ------
    InputError
        If there is no such revision, or it holds too much.
    """
    commit = repository.commit(revision)
    wanted = [
        entry
        for entry in repository.files_at(commit)
        if entry.mode in REGULAR
        and entry.path.lower().endswith(SUFFIXES)
        and entry.size <= LARGEST_BYTES
        and is_plain_path(entry.path)
    ]
    if len(wanted) > _MOST_FILES:
        raise InputError(f"the revision '{revision}' holds more than {_MOST_FILES} YAML files")
    contents = repository.contents([entry.object for entry in wanted])
    files = {entry.path: data for entry, data in zip(wanted, contents, strict=True)}
    return Snapshot(f"{revision} ({commit[:12]})", files)


@contextmanager
def laid_out(snapshot: Snapshot) -> Iterator[Path]:
    """Write the files into a folder of this process's own, and remove it afterwards.

    Raises
    ------
    InputError
        If they cannot stand beside one another on this file system.
    """
    with tempfile.TemporaryDirectory(prefix="driftgate-") as name:
        root = Path(os.path.realpath(name))
        for path, data in snapshot.files.items():
            if not is_plain_path(path):
                raise InputError(f"{snapshot.label}: '{path}' is no path for a file")
            target = root / path
            try:
                target.parent.mkdir(parents=True, exist_ok=True)
                # "x": two names that are one here, as in a folder that ignores case, are refused.
                with target.open("xb") as file:
                    file.write(data)
            except OSError as error:
                raise InputError(
                    f"{snapshot.label}: '{path}' cannot be laid out: {error.strerror}"
                ) from error
        yield root
