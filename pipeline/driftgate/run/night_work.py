"""What an interrupted night has got to: its cells, kept until it is complete, or until nobody comes back."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from driftgate.judge.night import Cell
from driftgate.run.cache import Cache
from driftgate.run.cache_codec import decode, encode
from driftgate.run.cache_key import judged_key, plan_key
from driftgate.run.cases import NamedCase

# A night has some hundred cells of a few kilobytes.
_MOST_WORK_BYTES: Final = 1024 * 1024 * 1024
_NOTHING: Final = b"no such place"
# Work that no run has touched for so long is of a night that nobody goes on with. [s]
LEFT_S: Final = 14 * 86400.0
_RUN: Final = re.compile(r"[0-9a-f]{32}")
_LEFT: Final = ".left-"


def work_folder(history: Path, run: str) -> Path:
    """Return where the cells of a night are kept until it is complete."""
    return history / "work" / run[:32]


def forget_work(history: Path, run: str) -> None:
    """Delete the cells of a night that is complete, and of others that nobody goes on with."""
    shutil.rmtree(work_folder(history, run), ignore_errors=True)
    with contextlib.suppress(OSError):
        _clear(history / "work")
    with contextlib.suppress(OSError):
        (history / "work").rmdir()


def _clear(work: Path) -> None:
    """Delete what no run has touched for `LEFT_S`, by the clock of the file system that it lies on.

    A run that comes back to it at this very moment loses cells that it will work out again, never more: a
    cell is read whole or not at all, and the folder is moved away in one go, so that a new one can be made.
    """
    if work.is_symlink() or not work.is_dir():
        return
    away = Path(tempfile.mkdtemp(prefix=_LEFT, dir=work))
    try:
        now_s = away.stat().st_mtime
        with os.scandir(work) as entries:
            found = [entry for entry in entries if entry.is_dir(follow_symlinks=False)]
        for entry in found:
            # Another run may have cleared it away meanwhile.
            with contextlib.suppress(OSError):
                old = now_s - entry.stat(follow_symlinks=False).st_mtime > LEFT_S
                # What a run that was killed was about to delete, too.
                if old and (_RUN.fullmatch(entry.name) or entry.name.startswith(_LEFT)):
                    os.rename(entry.path, away / entry.name)
    finally:
        shutil.rmtree(away, ignore_errors=True)


class KeptCells:
    """Cells of this very night that an interrupted run has left behind.

    Parameters
    ----------
    history : Path or None
        The history; None: nothing is kept.
    settings : dict
        What every cell depends on besides its case and its fault.
    cases : sequence of NamedCase
        All of the night.
    run : str
        Fingerprint of the night.
    """

    def __init__(
        self, history: Path | None, settings: dict[str, object], cases: Sequence[NamedCase], run: str
    ) -> None:
        self._cache = None
        if history is not None:
            folder = work_folder(history, run)
            with contextlib.suppress(OSError):
                if not folder.is_symlink():
                    os.utime(folder)  # somebody goes on with it
            self._cache = Cache(folder, _MOST_WORK_BYTES)
        self._settings = settings
        self._plans = [plan_key(named.case, named.written) for named in cases] if self._cache else []

    def _key(self, index: int, fault: str, tolerances: int) -> str:
        settings: dict[str, Any] = {**self._settings, "fault": fault, "tolerances": tolerances}
        return judged_key(self._plans[index], settings)

    def cell(self, index: int, fault: str, tolerances: int) -> tuple[bool, Cell | None]:
        """Return whether a cell is known, and the cell; None where the fault cannot happen."""
        data = None if self._cache is None else self._cache.get(self._key(index, fault, tolerances))
        if data is None or data == _NOTHING:
            return data is not None, None
        cell = decode(Cell, data)
        return cell is not None, cell

    def keep(self, index: int, fault: str, tolerances: int, cell: Cell | None) -> None:
        """Keep a cell."""
        if self._cache is not None:
            data = _NOTHING if cell is None else encode(cell)
            self._cache.put(self._key(index, fault, tolerances), data)
