"""Files written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from driftgate.core.errors import DriftgateError

# How far into a file its mark is looked for.
_HEAD_BYTES = 4096


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
    name = _written_beside(path, text)
    try:
        os.replace(name, path)
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise WriteError(f"{path}: {error.strerror}") from error
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _written_beside(path: Path, text: str) -> str:
    """Write a temporary file beside a target, and return its name."""
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
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise WriteError(f"{path}: {error.strerror}") from error
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return name


def check_folder(folder: Path) -> None:
    """Raise WriteError if files cannot be written into `folder`; it is made if its parent exists."""
    if folder.is_symlink():
        raise WriteError(f"{folder}: is a symbolic link; name the folder itself")
    if folder.exists() and not folder.is_dir():
        raise WriteError(f"{folder}: is no folder")
    if not folder.exists() and not folder.parent.is_dir():
        raise WriteError(f"{folder}: there is no directory {folder.parent}")


def write_folder(folder: Path, texts: Mapping[str, str], marks: Sequence[str]) -> None:
    """Write several text files into one folder: all are on the disk before the first takes its place.

    Parameters
    ----------
    folder : Path
        Made if its parent exists.
    texts : mapping
        Plain file name to text.
    marks : sequence of str
        Texts of which one stands near the beginning of every such file; a file in the way that has none of
        them was written by somebody else.

    Raises
    ------
    WriteError
        If the folder or a target is a symbolic link or something else that is not written to, if a target
        is somebody else's, or the file system refuses. Nothing is then changed, unless it refuses to
        put a file in its place.
    """
    check_folder(folder)
    for name in texts:
        if name != os.path.basename(name) or name in ("", ".", "..") or "\\" in name:
            raise WriteError(f"{name}: is no plain file name")
    made = not folder.exists()
    parts: list[tuple[str, Path]] = []
    try:
        folder.mkdir(exist_ok=True)
        for name in texts:
            _check_ours(folder / name, marks)
        for name, text in texts.items():
            parts.append((_written_beside(folder / name, text), folder / name))
        while parts:
            os.replace(*parts[0])
            parts.pop(0)
    except OSError as error:
        raise WriteError(f"{error.filename or folder}: {error.strerror}") from error
    finally:
        for part, _ in parts:
            Path(part).unlink(missing_ok=True)
        if made and folder.is_dir() and not any(folder.iterdir()):
            folder.rmdir()


def _check_ours(path: Path, marks: Sequence[str]) -> None:
    check_target(path)
    if path.exists():
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
        if not any(mark.encode() in head for mark in marks):
            raise WriteError(f"{path}: was not written by driftgate; move it, or name another folder")


def write_new(path: Path, text: str) -> None:
    """Write a text file where there is none; nothing that exists is ever replaced.

    Raises
    ------
    WriteError
        If there is something at the path already, or the file system refuses.
    """
    if not path.parent.is_dir():
        raise WriteError(f"{path}: there is no directory {path.parent}")
    try:
        # Refuses whatever is there, symbolic links to nowhere included.
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
    except FileExistsError:
        raise WriteError(f"{path}: is there already; name a new file") from None
    except OSError as error:
        raise WriteError(f"{path}: {error.strerror}") from error
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n", errors="backslashreplace") as file:
            file.write(text)
    except OSError as error:
        path.unlink(missing_ok=True)
        raise WriteError(f"{path}: {error.strerror}") from error


def _umask() -> int:
    current = os.umask(0o077)
    os.umask(current)
    return current
