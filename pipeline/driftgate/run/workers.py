"""Work spread over processes, with results in the order of the tasks.

Neither the number of workers nor the order in which they finish shows in any result. Workers are
clean processes that a server forks before this one starts threads; each keeps to one thread of its
own, ignores the interrupt key (this process answers it), and ends when this process does.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import forkserver
from types import TracebackType
from typing import TypeVar

from driftgate.run.status import FaultError

T = TypeVar("T")
R = TypeVar("R")

_THREAD_LIMITS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
# Enough waiting tasks that no worker idles, few enough that results do not pile up.
_AHEAD = 3
# How long a worker that was told to end may take. [s]
_GRACE_S = 2.0


def _begin_worker() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: multiprocessing.process.BaseProcess) -> None:
    # A parent that is killed outright cannot tell its workers.
    parent.join()
    os._exit(1)


@contextmanager
def _uninterrupted() -> Iterator[None]:
    """Hold back interrupts: a worker that is just being started would escape its ending.

    Masking the signal is not enough, since the pool's own thread would take it; so the handlers are
    exchanged for ones that remember.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    for number in before:
        signal.signal(number, lambda signum, frame: came.append(signum))
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    if came:
        signal.raise_signal(came[0])


def _start_server() -> None:
    """Start the process that forks workers so that it, and they, never hear the interrupt key."""
    # A signal that is held back stays so in a new program; one that comes meanwhile is not lost.
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        forkserver.ensure_running()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class Workers:
    """A pool of worker processes; with one worker everything runs in this process.

    Parameters
    ----------
    count : int
        How many.
    """

    def __init__(self, count: int) -> None:
        self._count = max(1, count)
        self._pool: ProcessPoolExecutor | None = None
        self._children_before: set[int | None] = set()
        self._environment: dict[str, str | None] = {}

    @property
    def count(self) -> int:
        """How many there are."""
        return self._count

    def __enter__(self) -> Workers:
        """Begin; processes start with the first tasks that are worth it."""
        return self

    def start(self) -> None:
        """Start the pool now: it gets ready while this process does something else."""
        if self._count > 1 and self._pool is None:
            self._pool = self._start()

    def _start(self) -> ProcessPoolExecutor:
        methods = multiprocessing.get_all_start_methods()
        context = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
        if sys.platform != "win32":
            context.set_forkserver_preload(["driftgate.run.tasks"])
        self._children_before = {child.pid for child in multiprocessing.active_children()}
        settings = dict.fromkeys(_THREAD_LIMITS, "1")
        # What an interrupted run leaves behind is cleared away by a process that need not say so.
        warnings = os.environ.get("PYTHONWARNINGS")
        settings["PYTHONWARNINGS"] = ",".join(filter(None, (warnings, "ignore:resource_tracker")))
        for name, value in settings.items():
            self._environment[name] = os.environ.get(name)
            os.environ[name] = value
        if "forkserver" in methods:
            _start_server()
        return ProcessPoolExecutor(self._count, mp_context=context, initializer=_begin_worker)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Wait for the workers after success; end them at once after an error or an interrupt."""
        if self._pool is None:
            return
        try:
            if kind is None:
                self._pool.shutdown(wait=True)
            else:
                # What the pool's own threads say of pipes that end is no news.
                threading.excepthook = lambda _: None
                self._pool.shutdown(wait=False, cancel_futures=True)
                self._end_children()
        finally:
            self._pool = None
            for name, value in self._environment.items():
                if value is None:
                    os.environ.pop(name, None)
                else:
                    os.environ[name] = value

    def _end_children(self) -> None:
        """End the workers and see them gone: what they share is taken away when this process ends."""
        mine = [c for c in multiprocessing.active_children() if c.pid not in self._children_before]
        for child in mine:
            child.terminate()
        for child in mine:
            child.join(_GRACE_S)
            if child.is_alive():
                child.kill()

    def map(self, function: Callable[[T], R], items: Iterable[T]) -> Iterator[R]:
        """Yield the function of each item, in order.

        Raises
        ------
        FaultError
            If a worker process dies.
        """
        if self._count == 1:
            yield from map(function, items)
            return
        waiting: deque[Future[R]] = deque()
        try:
            for item in items:
                waiting.append(self._submit(function, item))
                if len(waiting) >= _AHEAD * self._count:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        except BrokenProcessPool as error:
            raise _death() from error

    def as_done(self, function: Callable[[T], R], pull: Callable[[], T | None]) -> Iterator[tuple[T, R]]:
        """Yield items with the function of each, in the order in which they get done.

        Parameters
        ----------
        function : callable
            What to do.
        pull : callable
            Gives the next item, or None when none is ready: what is done with results may make more
            ready. The work ends when none is ready and none is under way.

        Raises
        ------
        FaultError
            If a worker process dies.
        """
        if self._count == 1:
            while (item := pull()) is not None:
                yield item, function(item)
            return
        ready: deque[T] = deque()
        flying: dict[Future[R], T] = {}
        try:
            while True:
                # One more than there are workers, so that none waits for the next.
                while len(flying) + len(ready) <= self._count and (item := pull()) is not None:
                    ready.append(item)
                if not flying and not ready:
                    return
                if self._pool is None and len(ready) == 1:
                    # Starting processes for a lone item takes longer than most items do.
                    item = ready.popleft()
                    yield item, function(item)
                    continue
                while ready:
                    item = ready.popleft()
                    flying[self._submit(function, item)] = item
                done, _ = wait(flying, return_when=FIRST_COMPLETED)
                for future in done:
                    yield flying.pop(future), future.result()
        except BrokenProcessPool as error:
            raise _death() from error

    def _submit(self, function: Callable[[T], R], item: T) -> Future[R]:
        if self._pool is None:
            self._pool = self._start()
        with _uninterrupted():
            return self._pool.submit(function, item)


def _death() -> FaultError:
    return FaultError("a worker process died, perhaps for want of memory; try --workers 1 or fewer --trials")
