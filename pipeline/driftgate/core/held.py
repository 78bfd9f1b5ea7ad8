"""A few moments in which an interrupt has to wait."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

# What ends a process and leaves it a choice of how; not every system has them all.
ENDING: Final = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)


@contextmanager
def held() -> Iterator[None]:
    """Hold back interrupts; one that came takes effect at the end.

    Masking the signals is not enough, since another thread would take them; so the handlers are
    exchanged for ones that remember. Handlers run in the main
    thread: in any other nothing is held back.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    before = {number: signal.getsignal(number) for number in ENDING}
    for number, handler in before.items():
        # What is ignored stays so, as under nohup; None is a handler that was not set from Python.
        if handler not in (signal.SIG_IGN, None):
            signal.signal(number, lambda signum, frame: came.append(signum))
    try:
        yield
    finally:
        for number, handler in before.items():
            if handler is not None:
                signal.signal(number, handler)
    if came:
        signal.raise_signal(came[0])
