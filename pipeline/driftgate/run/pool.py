"""A pool of processes that are all started before any of them has a task.

The standard library's pool starts its processes one by one, as tasks come. If one dies just while another is
being started, the new one may be left waiting for ever, the process that forks them gets half a message and
ends, and a task may be taken that nobody will do. Here a pool has all its processes, waiting at a gate,
before the first task is given; and a task that a broken pool has forgotten is told apart from one under way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import Future, InvalidStateError, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from multiprocessing.context import BaseContext
from multiprocessing.synchronize import Semaphore
from threading import ExceptHookArgs
from typing import Any, TypeVar

T = TypeVar("T")
R = TypeVar("R")

# How long a process waits for the others to be started; then it works without them. [s]
_GATE_S = 60.0
# Where the thread of a pool is from.
_POOLS = "concurrent.futures.process"


class Pool:
    """Processes that do tasks; broken for good once one of them dies.

    Parameters
    ----------
    count : int
        How many processes.
    context : BaseContext
        How they are started.
    begin : callable
        What each does first.
    with_ : tuple
        What `begin` is given.
    """

    def __init__(
        self, count: int, context: BaseContext, begin: Callable[..., None], with_: tuple[Any, ...]
    ) -> None:
        self._count = count
        self._gate = context.Semaphore(0)
        self._whole = False
        self._own: set[Future[Any]] = set()
        self._processes = ProcessPoolExecutor(
            count, mp_context=context, initializer=_begin, initargs=(self._gate, begin, with_)
        )

    def submit(self, function: Callable[[T], R], item: T) -> Future[R]:
        """Give a task; the first one waits until all processes are started.

        Raises
        ------
        BrokenProcessPool
            If a process died.
        OSError
            If a process cannot be started.
        """
        if not self._whole:
            # None of them gets past the gate to be found idle, so each of these starts one more.
            for _ in range(self._count):
                self._processes.submit(_nothing)
            for _ in range(self._count):
                self._gate.release()
            self._whole = True
        ticket = self._processes.submit(function, item)
        self._own.add(ticket)
        ticket.add_done_callback(self._own.discard)
        return ticket

    def holds(self, ticket: Future[Any]) -> bool:
        """Say whether a task was given to this pool and is not done."""
        return ticket in self._own

    def shutdown(self, wait: bool, cancel: bool = False) -> None:
        """Let the processes go: after what is under way, or also without what waits."""
        self._processes.shutdown(wait=wait, cancel_futures=cancel)


def forget(tickets: Iterable[Future[Any]]) -> None:
    """Mark tasks as lost that no pool will do any more."""
    for ticket in tickets:
        # Done just now, after all.
        with suppress(InvalidStateError):
            ticket.set_exception(BrokenProcessPool("the pool broke while it was given this task"))


def without_pools(says: Callable[[ExceptHookArgs], object]) -> Callable[[ExceptHookArgs], object]:
    """Return a hook for errors in threads that keeps back those of pools.

    What these say of pipes that end, and of a task that came while they gave up, is no news.
    """

    def hook(found: ExceptHookArgs) -> object:
        return None if type(found.thread).__module__ == _POOLS else says(found)

    return hook


def _begin(gate: Semaphore, begin: Callable[..., None], with_: tuple[Any, ...]) -> None:
    begin(*with_)
    gate.acquire(timeout=_GATE_S)


def _nothing() -> None:
    pass
