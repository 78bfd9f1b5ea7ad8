"""Files written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

from driftgate.core.errors import DriftgateError
from driftgate.core.held import held
from driftgate.load.text import TextError, link_out

# How far into a file its mark is looked for.
_HEAD_BYTES = 4096


class WriteError(DriftgateError):
    """A report cannot be written where it was asked for; the message says why."""


def check_target(path: Path) -> None:
    """Raise WriteError if `path` cannot be written to, before any work is done.

    Refused are symbolic links (the file behind one may be anything), paths that a link leads out of
    their repository, directories and other things that are no regular file, and YAML files: those are what is
    judged.
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
    check_way(path)


def check_way(path: Path) -> None:
    """Raise WriteError if a symbolic link leads out of the repository on the way to a path."""
    try:
        link = link_out(path)
    except TextError as error:
        raise WriteError(f"{path}: {error.reason}") from error
    if link is not None:
        raise WriteError(
            f"{path}: the symbolic link {link} leads out of the repository; name the place itself"
        )


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
    with _beside(path, text) as name, _refusals(path):
        os.replace(name, path)


def check_new(path: Path) -> None:
    """Raise WriteError if no new file can be written at `path`, before any work is done.

    Whether one can be is only known once it is written: what comes into the way meanwhile is not replaced.
    """
    if not path.parent.is_dir():
        raise WriteError(f"{path}: there is no directory {path.parent}")
    check_way(path.parent)
    if os.path.lexists(path):
        raise WriteError(_there(path))


def write_new(path: Path, text: str) -> None:
    """Write a text file where there is none; nothing that exists is ever replaced.

    Raises
    ------
    WriteError
        If there is something at the path already, or the file system refuses.
    """
    check_new(path)
    if not _linked(path, text, 0o666 & ~_umask()):
        raise WriteError(_there(path))


def _there(path: Path) -> str:
    return f"{path}: is there already; name a new file"


def write_once(path: Path, text: str) -> bool:
    """Write a file that is not there yet, for reading only; return False where it is there already.

    Raises
    ------
    WriteError
        If the file system refuses.
    """
    check_way(path.parent)
    with _refusals(path):
        path.parent.mkdir(parents=True, exist_ok=True)
    return _linked(path, text, 0o444)


def _linked(path: Path, text: str, mode: int) -> bool:
    # A link, unlike a move, never replaces what is there: neither a file nor a symbolic link to nowhere.
    with _beside(path, text, mode) as name, _refusals(path):
        try:
            os.link(name, path)
        except FileExistsError:
            return False
    return True


@contextmanager
def _refusals(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise WriteError(f"{path}: {error.strerror or error}") from error


@contextmanager
def _beside(path: Path, text: str, mode: int | None = None) -> Iterator[str]:
    """Give the name of a temporary file beside a target, on the disk already; gone at the end."""
    name = ""
    try:
        with _refusals(path):
            # Between the making of the file and the note of its name no interrupt may come.
            with held():
                handle, name = tempfile.mkstemp(prefix=f".{path.name[:80]}.", suffix=".part", dir=path.parent)
                file = os.fdopen(handle, "w", encoding="utf-8", newline="\n", errors="backslashreplace")
            with file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(name, 0o666 & ~_umask() if mode is None else mode)
        yield name
    finally:
        if name:
            with contextlib.suppress(OSError):
                os.unlink(name)


def check_folder(folder: Path) -> None:
    """Raise WriteError if files cannot be written into `folder`; it is made if its parent exists."""
    if folder.is_symlink():
        raise WriteError(f"{folder}: is a symbolic link; name the folder itself")
    if folder.exists() and not folder.is_dir():
        raise WriteError(f"{folder}: is no folder")
    if not folder.exists() and not folder.parent.is_dir():
        raise WriteError(f"{folder}: there is no directory {folder.parent}")
    check_way(folder)


def check_ours(folder: Path, names: Iterable[str], marks: Sequence[str]) -> None:
    """Raise WriteError if `write_folder` would refuse to write these files, before any work is done.

    Parameters
    ----------
    folder : Path
        The folder.
    names : iterable of str
        Names of the files; those that are not there are no obstacle.
    marks : sequence of str
        As for `write_folder`.
    """
    check_folder(folder)
    for name in names:
        if folder.exists():
            _check_ours(folder / name, marks)


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
    try:
        with _refusals(folder), ExitStack() as parts:
            folder.mkdir(exist_ok=True)
            for name in texts:
                _check_ours(folder / name, marks)
            ready = [
                (parts.enter_context(_beside(folder / name, text)), name) for name, text in texts.items()
            ]
            # Together: an interrupt finds the old files or the new ones.
            with held():
                for part, name in ready:
                    os.replace(part, folder / name)
    finally:
        if made:
            # Only what is empty goes.
            with contextlib.suppress(OSError):
                folder.rmdir()


def _check_ours(path: Path, marks: Sequence[str]) -> None:
    check_target(path)
    if path.exists():
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
        if not any(mark.encode() in head for mark in marks):
            raise WriteError(f"{path}: was not written by driftgate; move it, or name another folder")


def _umask() -> int:
    current = os.umask(0o077)
    os.umask(current)
    return current
