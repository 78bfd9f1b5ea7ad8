"""A night as a file of its own: written once and never again."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from pathlib import Path
from typing import Final

from driftgate.core.findings import Finding
from driftgate.judge.night import Night
from driftgate.load.text import TextError, read_named
from driftgate.run.cache_codec import decode, encode

FORMAT: Final = 1
MOST_BYTES: Final = 64 * 1024 * 1024
MOST_VALUES: Final = 4_000_000
INPUTS: Final = ("routine", "robot", "carried map", "field")
# More trials, or places tried, than any night has.
_MOST: Final = 10**12
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
        if path.is_symlink():
            return _damaged(path, "is no regular file")
        raw = read_named(path, MOST_BYTES)
        # Empty objects take twenty times their text in memory.
        if sum(map(raw.count, (b",", b"{", b"["))) > MOST_VALUES:
            return _damaged(path, f"holds more than {MOST_VALUES} values")
        whole = json.loads(raw)
    except TextError as error:
        return _damaged(path, f"cannot be read: {error.reason}")
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
    if not _possible(night):
        return _damaged(path, "says what no night can have found")
    if path.stem != night.night:
        return _damaged(path, f"holds the night {night.night}")
    return night


def _possible(night: Night) -> bool:
    """Say whether counts and names are what a night gives: a hash can be made for any."""
    for case in night.cases:
        if tuple(name for name, _ in case.inputs) != INPUTS:
            return False
        for cell in case.cells:
            counts = [(one.half, one.successes, one.trials) for one in cell.tolerances]
            counts.append((0, cell.together, cell.trials))
            if not all(0 <= half <= good <= trials and 1 <= trials <= _MOST for half, good, trials in counts):
                return False
            if not 0 <= cell.tried <= _MOST:
                return False
    return True


def _damaged(path: Path, what: str) -> Finding:
    return Finding(
        path=path.as_posix(),
        line=0,
        column=0,
        code="DG802",
        message=f"the night's file {what}",
        suggestion="bring it back from a backup, or move it away to do without this night",
    )
