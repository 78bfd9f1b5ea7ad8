"""How far a long run is, on stderr: one line that is overwritten on a terminal, now and then elsewhere."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from types import TracebackType

_TERMINAL_EVERY_S = 0.1
_LOG_EVERY_S = 30.0


class ProgressLine:
    """Tells progress; a context manager that leaves no half line behind."""

    def __init__(self, quiet: bool = False) -> None:
        self._quiet = quiet or sys.stderr is None
        self._terminal = not self._quiet and sys.stderr.isatty() and not os.environ.get("CI")
        self._every_s = _TERMINAL_EVERY_S if self._terminal else _LOG_EVERY_S
        self._last = time.monotonic()
        self._width = 0

    def __call__(self, done: int, total: int, what: str) -> None:
        """Say that so many of so many are done."""
        now = time.monotonic()
        if self._quiet or now - self._last < self._every_s:
            return
        self._last = now
        text = f"driftgate: {what} {done} of {total}"
        if self._terminal:
            _tell("\r" + text.ljust(self._width))
            self._width = len(text)
        else:
            _tell(text + "\n")

    def __enter__(self) -> ProgressLine:
        """Begin."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Wipe the line."""
        if self._width:
            _tell("\r" + " " * self._width + "\r")


def _tell(text: str) -> None:
    # Whether anyone still reads it changes no verdict.
    with contextlib.suppress(OSError, ValueError):
        sys.stderr.write(text)
        sys.stderr.flush()
