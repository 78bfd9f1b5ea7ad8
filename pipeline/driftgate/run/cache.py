"""A folder of answers that earlier runs have worked out, by the content that they were worked out from.

Safe to delete at any time, and safe when several runs share it: an entry is written beside its place
and moved there in one go, and its name is a hash of everything that its value depends on, so that two
runs only ever write the same. What is damaged, foreign or unreadable counts as absent.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
import tempfile
from pathlib import Path
from typing import Final

from driftgate.load.text import TextError, enclosing_repository, link_out, real_path

# An entry is a few kilobytes; nothing larger is read.
MOST_ENTRY_BYTES: Final = 4 * 1024 * 1024
MOST_BYTES: Final = 64 * 1024 * 1024
_SUFFIX: Final = ".answer"
_PART: Final = ".part"
# An unfinished file of this age was left behind by a run that was killed. [s]
_STALE_S: Final = 3600.0
_FORMAT: Final = "driftgate answer 1"


class Cache:
    """A folder of answers.

    Parameters
    ----------
    folder : Path
        Made when the first answer is kept, for this user alone. One that others may write to is not
        used: whoever writes an answer decides a verdict.
    most_bytes : int
        Size to which `prune` cuts it, oldest answers first.

    Attributes
    ----------
    trouble : str
        Why the folder cannot be used, in one line; empty while it can.
    """

    def __init__(self, folder: Path, most_bytes: int = MOST_BYTES) -> None:
        self._folder = folder
        self._most_bytes = most_bytes
        self.trouble = ""
        self._wrote = False
        if os.path.lexists(folder):
            self.trouble = _distrust(folder)
        self.trouble = self.trouble or _elsewhere(folder)

    @property
    def folder(self) -> Path:
        """Return the folder."""
        return self._folder

    def get(self, key: str) -> bytes | None:
        """Return the answer kept under a key; None if there is none, or none that can be trusted.

        Parameters
        ----------
        key : str
            A hash in hexadecimal digits.
        """
        if self.trouble:
            return None
        data = _read(self._place(key))
        if data is None:
            return None
        head, _, payload = data.partition(b"\n")
        return payload if head == _head(key, payload) else None

    def put(self, key: str, payload: bytes) -> None:
        """Keep an answer; a folder that cannot be written to is left alone from then on."""
        if self.trouble:
            return
        try:
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            if not self._wrote:
                self.trouble = _distrust(self._folder)
                if self.trouble:
                    return
            self._write(self._place(key), _head(key, payload) + b"\n" + payload)
            self._wrote = True
        except OSError as error:
            self.trouble = f"{self._folder}: {error.strerror or error}"

    def prune(self) -> None:
        """Delete the oldest answers beyond the size bound, and what killed runs have left behind."""
        if self.trouble or not self._wrote:
            return
        with contextlib.suppress(OSError):
            self._prune()

    def _place(self, key: str) -> Path:
        return self._folder / f"{key}{_SUFFIX}"

    def _write(self, place: Path, data: bytes) -> None:
        handle, name = tempfile.mkstemp(prefix="new-", suffix=_PART, dir=self._folder)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
            os.replace(name, place)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise

    def _prune(self) -> None:
        found: list[tuple[float, int, str]] = []
        newest = 0.0
        with os.scandir(self._folder) as entries:
            for entry in entries:
                if not entry.name.endswith((_SUFFIX, _PART)):
                    continue
                with contextlib.suppress(OSError):
                    seen = entry.stat(follow_symlinks=False)
                    found.append((seen.st_mtime, seen.st_size, entry.path))
                    newest = max(newest, seen.st_mtime)
        total = sum(size for _, size, path in found if path.endswith(_SUFFIX))
        for written, size, path in sorted(found):
            # Ages are told from the newest file, so that no clock is looked at.
            stale = path.endswith(_PART) and newest - written > _STALE_S
            over = path.endswith(_SUFFIX) and total > self._most_bytes
            if stale or over:
                with contextlib.suppress(OSError):
                    os.unlink(path)
                total -= size if over else 0


def default_folder(environment: dict[str, str] | os._Environ[str] = os.environ) -> Path | None:
    """Return where this platform keeps what can be made again; None if there is no such place.

    XDG Base Directory Specification 0.8: `$XDG_CACHE_HOME` if it is an absolute path, else
    `~/.cache`. On Windows the local application data, on a Mac `~/Library/Caches`.
    """
    import sys

    given = environment.get("XDG_CACHE_HOME", "")
    if given and os.path.isabs(given):
        return Path(given) / "driftgate"
    local = environment.get("LOCALAPPDATA", "")
    if sys.platform == "win32":
        return Path(local) / "driftgate" / "cache" if local else None
    home = os.path.expanduser("~")
    if not os.path.isabs(home):
        return None
    return Path(home) / ("Library/Caches" if sys.platform == "darwin" else ".cache") / "driftgate"


def _head(key: str, payload: bytes) -> bytes:
    digest = hashlib.sha256(f"{_FORMAT}\n{key}\n".encode() + payload).hexdigest()
    return f"{_FORMAT} {digest}".encode()


def _distrust(folder: Path) -> str:
    """Return why what is in a folder is not to be trusted; "" if it is."""
    try:
        seen = os.stat(folder)
    except OSError as error:
        return f"{folder}: {error.strerror or error}"
    if not stat.S_ISDIR(seen.st_mode):
        return f"{folder} is no folder"
    if hasattr(os, "geteuid"):
        if seen.st_uid != os.geteuid():
            return f"{folder} belongs to another user"
        if seen.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
            return f"{folder} can be written to by others"
    return ""


def _elsewhere(folder: Path) -> str:
    """Return why a folder in a repository is not to be used: what is committed there came with the change.

    Whoever proposes a change must neither bring the answers along nor choose where they are written.
    """
    try:
        link, real = link_out(folder), real_path(folder)
        repository = enclosing_repository(real.parent)
    except TextError as error:
        return f"{folder}: {error.reason}"
    if link is not None:
        return f"{folder}: the symbolic link {link} leads out of the repository"
    if not real.is_dir() or repository is None or not os.path.lexists(repository / ".git"):
        return ""
    from driftgate.run.git import repository_of
    from driftgate.run.status import InputError

    try:
        committed = repository_of(real).holds_any(real)
    except InputError as error:
        return f"{folder} lies in a repository that cannot be asked whether it holds answers: {error}"
    return (
        f"{folder} holds files that are committed; answers are only used where none can be"
        if committed
        else ""
    )


def _read(place: Path) -> bytes | None:
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    flags |= getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
    try:
        handle = os.open(place, flags)
    except OSError:
        return None
    try:
        seen = os.fstat(handle)
        if not stat.S_ISREG(seen.st_mode) or seen.st_size > MOST_ENTRY_BYTES:
            return None
        with open(handle, "rb", closefd=False) as file:
            return file.read(MOST_ENTRY_BYTES)
    except OSError:
        return None
    finally:
        os.close(handle)
