"""Files written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from driftgate.core.errors import DriftgateError


class WriteError(DriftgateError):
    """A report cannot be written where it was asked for; the message says why."""


def check_target(path: Path) -> None:
    """Raise WriteError if `path` cannot be written to, before any work is done.

    Refused are symbolic links (the file behind one may be anything), directories and other things
    that are no regular file, and YAML files: those are what is judged.
    """
    if path.is_symlink():
        raise WriteError(f"{path}: is a symbolic link; name the file itself")
    if path.is_dir():
        raise WriteError(f"{path}: is a directory; name a file in it")
    if path.exists() and not path.is_file():
        raise WriteError(f"{path}: is no regular file")
    if path.suffix.lower() in (".yaml", ".yml"):
        raise WriteError(f"{path}: a report is not written over a YAML file")
    if not path.parent.is_dir():
        raise WriteError(f"{path}: there is no directory {path.parent}")


def write_whole(path: Path, text: str) -> None:
    """Write a text file by way of a temporary file beside it.

    Parameters
    ----------
    path : Path
        Where to; an existing regular file is replaced in one go.
    text : str
        Written as UTF-8 with plain line feeds.

    Raises
    ------
    WriteError
        If the target is refused by `check_target` or the file system refuses.
    """
    check_target(path)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name[:80]}.", suffix=".part", dir=path.parent)
    except OSError as error:
        raise WriteError(f"{path}: {error.strerror}") from error
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n", errors="backslashreplace") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, 0o666 & ~_umask())
        os.replace(name, path)
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise WriteError(f"{path}: {error.strerror}") from error
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _umask() -> int:
    current = os.umask(0o077)
    os.umask(current)
    return current
