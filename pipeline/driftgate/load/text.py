"""Read one file from the repository, safely: hostile files give a reason, never a surprise."""

from __future__ import annotations

import codecs
import os
import re
import stat
from pathlib import Path
from typing import Final

LARGEST_BYTES: Final = 1024 * 1024
LONGEST_LINE: Final = 2000

# What a text may hold: tab, line ends and visible characters. Left out on purpose: control
# characters, line ends that editors do not count (NEL, LS, PS), half surrogates, and the marks
# that reorder a line on screen (Unicode technical report 36, "bidirectional text spoofing").
UNWANTED: Final = re.compile(
    "[^\t\n\r\x20-\x7e\xa0-\u2027\u202f-\u2065\u206a-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]"
)
_UTF_16_MARKS: Final = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_LINE_END: Final = re.compile(r"\r\n|\r|\n")


class TextError(Exception):
    """Why a file was not read, with the place in it where there is one.

    Attributes
    ----------
    reason : str
        What is wrong, in words for the user.
    missing : bool
        There is no such file.
    line, column : int
        Counted from 1; 0 when the reason concerns the whole file.
    excerpt : str
        That line, if it may be shown.
    """

    def __init__(
        self, reason: str, *, missing: bool = False, line: int = 0, column: int = 0, excerpt: str = ""
    ) -> None:
        super().__init__(reason)
        self.reason, self.missing = reason, missing
        self.line, self.column, self.excerpt = line, column, excerpt


def real_path(path: str | os.PathLike[str]) -> Path:
    """Return the path with every symbolic link followed; TextError if it is no path at all."""
    try:
        return Path(os.path.realpath(path))
    except (OSError, ValueError) as error:
        raise TextError("not a usable path") from error


def is_inside(path: Path, root: Path) -> bool:
    """Say whether the path is the root or lies below it; both without symbolic links."""
    return path == root or root in path.parents


def enclosing_repository(real: Path) -> Path | None:
    """Return the nearest folder from here upwards with `.git`, else with `pyproject.toml`, if any."""
    for mark in (".git", "pyproject.toml"):
        for folder in (real, *real.parents):
            if os.path.lexists(folder / mark):
                return folder
    return None


def link_out(path: Path) -> Path | None:
    """Return the symbolic link on the way to a path that leads out of the repository that it lies in, if any.

    A link that somebody put into a repository does not decide where on a machine files are written; one
    outside of any repository is the machine's own affair.
    """
    whole = Path(os.path.join(Path.cwd(), path))
    for part in reversed((whole, *whole.parents)):
        if not part.is_symlink():
            continue
        repository = enclosing_repository(real_path(part.parent))
        if repository is not None and not is_inside(real_path(part), repository):
            return part
    return None


def shown_path(path: Path, root: Path) -> str:
    """Return how findings name a file: relative to the repository, by its bare name outside it."""
    return path.relative_to(root).as_posix() if is_inside(path, root) else path.name


def is_plain_path(path: str) -> bool:
    """Say whether a path names something inside the folder it is relative to, on any system."""
    parts = path.split("/")
    return (
        0 < len(path) <= 1000
        and "\\" not in path
        and "\0" not in path
        and ":" not in path
        and all(part not in ("", ".", "..") and part.lower() != ".git" for part in parts)
    )


def read_text(
    path: Path, root: Path, most_bytes: int = LARGEST_BYTES, longest_line: int = LONGEST_LINE
) -> str:
    """Return the text of a file inside the repository.

    Parameters
    ----------
    path : Path
        The file.
    root : Path
        The repository root.
    most_bytes, longest_line : int
        What a larger file, or one with a longer line, is refused at.

    Raises
    ------
    TextError
        If the file leaves the repository, is not a regular file, is too large, is not UTF-8, or
        holds characters or lines that no such file needs.
    """
    return decoded_text(read_bytes(path, root, most_bytes), longest_line)


def read_bytes(path: Path, root: Path, most_bytes: int = LARGEST_BYTES) -> bytes:
    """Return the bytes of a file inside the repository; see `read_text`.

    Raises
    ------
    TextError
        If the file leaves the repository, is not a regular file, or is too large.
    """
    real = real_path(path)
    if not is_inside(real, real_path(root)):
        raise TextError("the file lies outside the repository")
    raw = _read_bytes(real, most_bytes)
    if len(raw) > most_bytes:
        raise TextError(f"the file is larger than {most_bytes // 1024} KiB")
    return raw


def read_named(path: Path, most_bytes: int = LARGEST_BYTES) -> bytes:
    """Return the bytes of a file that whoever types the command named, wherever it lies.

    Raises
    ------
    TextError
        If it is not a regular file, or is too large.
    """
    real = real_path(path)
    return read_bytes(real, real.parent, most_bytes)


def decoded_text(raw: bytes, longest_line: int = LONGEST_LINE) -> str:
    """Return the text that some bytes hold, without a byte order mark; see `read_text`.

    Raises
    ------
    TextError
        If they are not UTF-8, or hold characters or lines that no such file needs.
    """
    text = _decoded(raw)
    _refuse_unwanted(text, longest_line)
    return text


def split_lines(text: str) -> tuple[str, ...]:
    """Return the lines without their ends, split where editors and YAML split them."""
    return tuple(_LINE_END.split(text))


def shorten(text: str, most: int = 40) -> str:
    """Return the text in one line, cut to a length that a message can carry."""
    line = " ".join(text.split())
    return line if len(line) <= most else line[: most - 1] + "…"


def _read_bytes(real: Path, most_bytes: int) -> bytes:
    # Without O_NONBLOCK, opening a named pipe would wait for ever; O_NOFOLLOW closes the gap between
    # following the links and opening.
    flags = os.O_RDONLY
    for name in ("O_NONBLOCK", "O_NOFOLLOW", "O_CLOEXEC", "O_NOCTTY", "O_BINARY"):
        flags |= getattr(os, name, 0)
    try:
        if not stat.S_ISREG(os.stat(real).st_mode):
            raise TextError("not a regular file")
        descriptor = os.open(real, flags)
    except FileNotFoundError:
        raise TextError("there is no such file", missing=True) from None
    except NotADirectoryError:
        raise TextError("there is no such file", missing=True) from None
    except (OSError, ValueError) as error:
        raise TextError(_system_reason(error)) from None
    with os.fdopen(descriptor, "rb") as stream:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise TextError("not a regular file")
        try:
            return stream.read(most_bytes + 1)
        except OSError as error:
            raise TextError(_system_reason(error)) from None


def _system_reason(error: OSError | ValueError) -> str:
    reason = error.strerror if isinstance(error, OSError) else None
    return f"the file cannot be read: {(reason or 'not a usable path').lower()}"


def _decoded(raw: bytes) -> str:
    if _is_utf_16(raw):
        reason = "the file is UTF-16 text, as some spreadsheets and editors save it; save it as UTF-8"
        raise TextError(reason, line=1, column=1)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = raw[: error.start].decode("utf-8-sig", "replace")
        lines = split_lines(before)
        raise TextError(
            "the file is not UTF-8 text; save it as UTF-8",
            line=len(lines),
            column=len(lines[-1]) + 1,
            excerpt=lines[-1][:LONGEST_LINE],
        ) from None


def _is_utf_16(raw: bytes) -> bool:
    """Return whether bytes begin with UTF-16's mark, or as Latin letters do in it: every other one zero."""
    evens, odds = raw[:16:2], raw[1:16:2]
    return raw.startswith(_UTF_16_MARKS) or (len(odds) > 1 and any(evens) != any(odds))


def _refuse_unwanted(text: str, longest_line: int) -> None:
    lines = split_lines(text)
    if UNWANTED.search(text) is None and max(map(len, lines)) <= longest_line:
        return
    for number, line in enumerate(lines, start=1):
        bad = UNWANTED.search(line)
        if bad is not None:
            raise TextError(
                f"the character U+{ord(bad.group()):04X} does not belong in a text file",
                line=number,
                column=bad.start() + 1,
                excerpt=line[:LONGEST_LINE],
            )
        if len(line) > longest_line:
            raise TextError(
                f"the line has more than {longest_line} characters",
                line=number,
                column=longest_line + 1,
                excerpt=line[:LONGEST_LINE],
            )
