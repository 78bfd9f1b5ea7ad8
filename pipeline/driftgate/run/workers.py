"""Work spread over processes of this machine.

Neither the number of workers, nor the order in which they finish, nor the death of one shows in any result.
Workers are clean processes that a server forks before this one starts threads; each keeps to one thread of
its own, ignores the interrupt key (this process answers it), and ends when this process does.
"""

from __future__ import annotations

import multiprocessing
import multiprocessing.util
import os
import shutil
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import forkserver
from typing import ClassVar, TypeVar, cast

from driftgate.core.held import held
from driftgate.core.threads import ONE_THREAD
from driftgate.run.pool import Pool, forget, without_pools
from driftgate.run.spread import Spread, Ticket
from driftgate.run.status import FaultError

T = TypeVar("T")
R = TypeVar("R")

# How long a worker that was told to end may take. [s]
_GRACE_S = 2.0
# How long to wait between a broken pool and the next try with a new one. [s]
_WAITS_S = (0.0, 0.1, 0.4, 1.0)
# How often it is looked whether those who are waited for are still there. [s]
_LOOK_S = 1.0


def _begin_worker(shared: str) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent, shared), daemon=True).start()


def _end_with(parent: multiprocessing.process.BaseProcess, shared: str) -> None:
    # A parent that is killed outright can neither tell its workers nor clear away their sockets' folder.
    parent.join()
    shutil.rmtree(shared, ignore_errors=True)
    os._exit(1)


def _start_server() -> None:
    """Start the process that forks workers so that it, and they, never hear the interrupt key."""
    # A signal that is held back stays so in a new program; one that comes meanwhile is not lost.
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        forkserver.ensure_running()
    except OSError as error:
        raise _cannot_start(error) from error
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _cannot_start(error: BaseException) -> FaultError:
    return FaultError(
        f"worker processes cannot be started ({error}); try --workers 1, or a folder for temporary files"
        " with a shorter name (TMPDIR)"
    )


class Workers(Spread):
    """A pool of worker processes; with one worker everything runs in this process.

    Parameters
    ----------
    count : int
        How many.
    """

    most_deaths: ClassVar[int] = 3

    def __init__(self, count: int) -> None:
        self._count = max(1, count)
        self._pool: Pool | None = None
        self._children_before: set[int | None] = set()
        self._environment: dict[str, str | None] = {}
        self._says = threading.excepthook

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

    def _start(self) -> Pool:
        methods = multiprocessing.get_all_start_methods()
        context = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
        if sys.platform != "win32":
            context.set_forkserver_preload(["driftgate.run.tasks"])
        if not self._environment:
            self._children_before = {child.pid for child in multiprocessing.active_children()}
            self._set_environment()
            self._says, threading.excepthook = threading.excepthook, without_pools(threading.excepthook)
        if "forkserver" in methods:
            _start_server()
        shared = multiprocessing.util.get_temp_dir()
        return Pool(self._count, context, _begin_worker, (shared,))

    def _set_environment(self) -> None:
        settings = dict(ONE_THREAD)
        # Python starts these processes with a program on its command line, and would look for modules in the
        # current folder first: a file multiprocessing.py in somebody's repository would be run.
        settings["PYTHONSAFEPATH"] = "1"
        # What an interrupted run leaves behind is cleared away by a process that need not say so.
        warnings = os.environ.get("PYTHONWARNINGS")
        settings["PYTHONWARNINGS"] = ",".join(filter(None, (warnings, "ignore:resource_tracker")))
        for name, value in settings.items():
            self._environment[name] = os.environ.get(name)
            os.environ[name] = value

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: object) -> None:
        """Wait for the workers after success; end them at once after an error or an interrupt."""
        try:
            if self._pool is None:
                return
            if kind is None:
                self._pool.shutdown(wait=True)
                threading.excepthook = self._says
            else:
                # Its threads may go on for a while: their words stay held back.
                self._pool.shutdown(wait=False, cancel=True)
                self._end_children()
        finally:
            self._pool = None
            for name, value in self._environment.items():
                if value is None:
                    os.environ.pop(name, None)
                else:
                    os.environ[name] = value
            self._environment = {}

    def _end_children(self) -> None:
        """End the workers and see them gone: what they share is taken away when this process ends."""
        mine = self._children()
        for child in mine:
            child.terminate()
        for child in mine:
            child.join(_GRACE_S)
            if child.is_alive():
                child.kill()

    def _children(self) -> list[multiprocessing.process.BaseProcess]:
        return [c for c in multiprocessing.active_children() if c.pid not in self._children_before]

    def map(self, function: Callable[[T], R], items: Iterable[T]) -> Iterator[R]:
        """Yield the function of each item, in order.

        Raises
        ------
        FaultError
            If a task goes on killing its worker.
        """
        if self._count == 1:
            return map(function, items)
        return super().map(function, items)

    @property
    def _width(self) -> int:
        # One more than there are workers, so that none waits for the next.
        return 1 if self._count == 1 else self._count + 1

    def _here(self, waiting: int) -> bool:
        # Starting processes for a lone item takes longer than most items do.
        return self._count == 1 or (self._pool is None and waiting == 1)

    def _send(self, function: Callable[[T], R], item: T) -> Ticket[R]:
        if self._pool is None:
            self._pool = self._start()
        for wait_s in (*_WAITS_S, None):
            try:
                # A worker that is just being started would escape its ending.
                with held():
                    return self._pool.submit(function, item)
            except (BrokenProcessPool, OSError) as error:
                # Those under way will say so themselves; this one was not.
                fault = error
            if wait_s is None:
                break
            with held():
                self._pool.shutdown(wait=False)
                # One that was being started just then would wait for ever, and be waited for.
                self._end_children()
                self._pool = self._start()
            # The process that forks them ends if it gets half a message: it takes a moment until it is seen
            # to be gone, and is started anew.
            time.sleep(wait_s)
        raise _cannot_start(fault) from fault

    def _done(self, flying: Sequence[Ticket[R]]) -> Iterable[Ticket[R]]:
        # The judge needs it, and it takes a while to import: while the workers are waited for. Interrupted in
        # an extension that runs source code of its own, the interpreter ends by the signal, caught or not.
        with held():
            import scipy.special  # noqa: F401

        tickets = cast("Sequence[Future[R]]", flying)
        missing = False
        while not (done := wait(tickets, _LOOK_S, FIRST_COMPLETED).done):
            # A pool sees at once that one of its own died, unless just that made it stumble.
            before, missing = missing, len(self._children()) < self._count
            forget(
                t for t in tickets if (before and missing) or self._pool is None or not self._pool.holds(t)
            )
        return done

    def _lost(self, ticket: Ticket[R]) -> bool:
        return isinstance(cast("Future[R]", ticket).exception(), BrokenProcessPool)


@dataclass(frozen=True)
class Scheduler:
    """A cluster, by the address of its scheduler, such as "tcp://10.0.0.5:8786"."""

    address: str


# Who works: so many processes of this machine, or the workers of a cluster. Changes no number.
Crew = int | Scheduler


def open_workers(crew: Crew, useful: int | None = None) -> Spread:
    """Return who does the work of a run.

    Parameters
    ----------
    crew : int or Scheduler
        Who is asked for.
    useful : int, optional
        More processes of this machine than that would have nothing to do.

    Raises
    ------
    InputError
        If a cluster is asked for and what that takes is not installed.
    """
    if isinstance(crew, Scheduler):
        from driftgate.run.cluster import Cluster

        return Cluster(crew.address)
    return Workers(crew if useful is None else min(crew, useful))
