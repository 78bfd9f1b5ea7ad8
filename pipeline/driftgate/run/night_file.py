"""A night as a file of its own: written once and never again."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import os
import tempfile
from pathlib import Path
from typing import Final

from driftgate.core.findings import Finding
from driftgate.judge.night import Night
from driftgate.report.write import WriteError
from driftgate.run.cache_codec import decode, encode

FORMAT: Final = 1
MOST_BYTES: Final = 64 * 1024 * 1024
_FORMAT_KEY: Final = "driftgate_night"


def night_text(night: Night) -> str:
    """Return a night as JSON, with a hash by which damage shows."""
    whole = {_FORMAT_KEY: FORMAT, "sha256": _digest(encode(night)), "night": dataclasses.asdict(night)}
    return json.dumps(whole, indent=1, ensure_ascii=True, allow_nan=True) + "\n"


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def read_night(path: Path) -> Night | Finding:
    """Return the night of a file, or what is wrong with the file."""
    try:
        if path.is_symlink() or not path.is_file():
            return _damaged(path, "is no regular file")
        if path.stat().st_size > MOST_BYTES:
            return _damaged(path, "is larger than 64 MiB")
        whole = json.loads(path.read_bytes())
    except OSError as error:
        return _damaged(path, f"cannot be read: {error.strerror}")
    except (ValueError, RecursionError):
        return _damaged(path, "is not JSON")
    if not isinstance(whole, dict) or _FORMAT_KEY not in whole:
        return _damaged(path, "is no night of driftgate")
    if whole[_FORMAT_KEY] != FORMAT:
        return _damaged(path, f"has another format than {FORMAT}: a later driftgate wrote it")
    try:
        text = json.dumps(whole.get("night"), ensure_ascii=True, separators=(",", ":"), allow_nan=True)
        night = decode(Night, text.encode("ascii"))
    except (ValueError, RecursionError):
        night = None
    if night is None or whole.get("sha256") != _digest(encode(night)):
        return _damaged(path, "was changed after it was written: its content and its hash differ")
    if path.stem != night.night:
        return _damaged(path, f"holds the night {night.night}")
    return night


def _damaged(path: Path, what: str) -> Finding:
    return Finding(
        path=path.as_posix(),
        line=0,
        column=0,
        code="DG802",
        message=f"the night's file {what}",
        suggestion="bring it back from a backup, or move it away to do without this night",
    )


def write_once(path: Path, text: str) -> bool:
    """Write a file that is not there yet, whole or not at all; return False where it is there already.

    Raises
    ------
    WriteError
        If the file system refuses.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    except OSError as error:
        raise WriteError(f"{path}: {error.strerror}") from error
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, 0o444)
        # A link, unlike a move, never replaces what is there.
        os.link(name, path)
    except FileExistsError:
        return False
    except OSError as error:
        raise WriteError(f"{path}: {error.strerror}") from error
    finally:
        with contextlib.suppress(OSError):
            os.unlink(name)
    return True
