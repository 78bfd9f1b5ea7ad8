"""Work spread over a Dask cluster that somebody else has started.

Dask is an extra: nothing of it is imported unless a scheduler's address is given. Its scheduler gives a task
whose worker dies to another one; after a few deaths it gives all tasks up that were there (`KilledWorker`),
innocent ones among them, and these are sent once more, each alone. What a result hangs on is compared at the
start and with every task (`driftgate.run.cluster_worker`), so that the cluster changes no digit.

Whoever reaches a Dask scheduler can run programs on its workers and, through what they send back, on this
machine. Addresses, certificates and all else are Dask's own configuration.
"""

from __future__ import annotations

import contextlib
import logging
import re
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import CancelledError
from typing import Any, ClassVar, Final, TypeVar, cast

from driftgate.run.cluster_worker import Stamp, Stranger, differences, run_task, stamp
from driftgate.run.spread import Spread, Ticket
from driftgate.run.status import FaultError, InputError, counted

T = TypeVar("T")
R = TypeVar("R")

# How long an address may take to answer, and then the first worker to be there. [s]
_PATIENCE_S: Final = 10
_WORKERS_S: Final = 10
# How often it is looked which workers there are, and after how many looks without any it is given up.
_LOOK_S: Final = 5
_LOOKS_ALONE: Final = 24
# For errors that pass, such as a full disk of a worker.
_RETRIES: Final = 2
_MOST_NAMED: Final = 3
# Dask compares these too: nothing of driftgate hangs on the first two, and numpy is in the stamp.
_NO_MATTER: Final = frozenset({"pandas", "lz4", "numpy"})
# Host names, IPv4, and IPv6 in brackets.
_ADDRESS: Final = re.compile(
    r"(?:(?:tcp|tls|ws|wss|ucx)://)?(?:[A-Za-z0-9_][A-Za-z0-9_.-]*|\[[0-9A-Fa-f:.]+\]):[0-9]{1,5}", re.ASCII
)
INSTALL: Final = "pip install distributed"


class Cluster(Spread):
    """The workers of a scheduler.

    Parameters
    ----------
    address : str
        Such as "tcp://10.0.0.5:8786".

    Raises
    ------
    InputError
        If Dask is not installed, or this is no address.
    """

    # Each of them is some deaths already.
    most_deaths: ClassVar[int] = 2

    def __init__(self, address: str) -> None:
        try:
            import distributed
        except ImportError as error:
            raise InputError(f"--scheduler needs the extra 'cluster': {INSTALL}") from error
        if not _ADDRESS.fullmatch(address):
            raise InputError(f"'{address}' is no scheduler's address; write for example tcp://10.0.0.5:8786")
        self._dask = distributed
        self._address = address
        self._client: Any = None
        self._stack = contextlib.ExitStack()
        self._count = 1
        self._here_stamp: Stamp = {}

    @property
    def count(self) -> int:
        """How many workers there were at the last look; at least 1."""
        return self._count

    def __enter__(self) -> Cluster:
        """Connect, and see that the workers would find what this machine would.

        Raises
        ------
        InputError
            If there is no scheduler, if it has no workers, or if they have other software.
        """
        with contextlib.ExitStack() as stack:
            stack.enter_context(_quiet())
            self._client = stack.enter_context(self._connected())
            self._look_over()
            self._stack = stack.pop_all()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: object) -> None:
        """Let go of the cluster; what is still under way there is cancelled."""
        self._stack.close()
        self._client = None

    @contextlib.contextmanager
    def _connected(self) -> Iterator[Any]:
        secured = self._address.startswith(("tls://", "wss://"))
        if secured and not self._dask.Security().get_connection_args("client").get("ssl_context"):
            where = "distributed.comm.tls in Dask's configuration"
            raise InputError(f"no certificates for '{self._address}': {where} has to name them")
        try:
            client = self._dask.Client(
                self._address, timeout=_PATIENCE_S, set_as_default=False, name="driftgate"
            )
        except (OSError, ValueError, TypeError, ImportError) as error:
            raise InputError(f"no scheduler at '{self._address}': {_first_line(error)}") from error
        try:
            yield client
        finally:
            client.close(timeout=_PATIENCE_S)

    def _look_over(self) -> None:
        """Compare software with all workers.

        Raises
        ------
        InputError
            If there are none, or some have other software.
        """
        self._here_stamp = self._own_stamp()
        try:
            with contextlib.suppress(TimeoutError):
                self._client.wait_for_workers(1, timeout=_WORKERS_S)
            self._count_workers()
            with warnings.catch_warnings(record=True) as told:
                warnings.simplefilter("always")
                versions = self._client.get_versions(check=True)
            answers = self._client.run(stamp, on_error="return")
        except OSError as error:
            raise InputError(f"the scheduler at '{self._address}' went away: {_first_line(error)}") from error
        if not answers:
            raise InputError(f"the scheduler at '{self._address}' has no workers; start some first")
        strangers = _strangers(self._here_stamp, answers)
        if not strangers and any("Mismatched versions" in str(one.message) for one in told):
            strangers = _other_versions(versions)
        if strangers:
            raise InputError(
                f"the cluster at '{self._address}' has other software, results would not be the same: "
                + strangers
            )

    @staticmethod
    def _own_stamp() -> Stamp:
        return stamp()

    def _count_workers(self) -> int:
        now = len(self._client.nthreads())
        self._count = max(1, now)
        return now

    @property
    def _width(self) -> int:
        # One more each than is being worked at, so that none waits for the network.
        return 2 * self._count

    def _send(self, function: Callable[[T], R], item: T) -> Ticket[R]:
        # Not pure: no result that an earlier run has left behind is taken for this one's.
        found = self._client.submit(run_task, function, item, self._here_stamp, pure=False, retries=_RETRIES)
        return cast("Ticket[R]", _Sent(found))

    def _done(self, flying: Sequence[Ticket[R]]) -> Iterable[Ticket[R]]:
        futures = {sent.future: sent for sent in cast("Sequence[_Sent]", flying)}
        alone = 0
        while True:
            with contextlib.suppress(TimeoutError, CancelledError), self._client.as_current():
                self._dask.wait(list(futures), timeout=_LOOK_S, return_when="FIRST_COMPLETED")
            done = [sent for future, sent in futures.items() if future.done()]
            if done:
                return cast("list[Ticket[R]]", done)
            alone = self._alone(alone)

    def _alone(self, looks: int) -> int:
        """Return at how many looks in a row no worker was there.

        Raises
        ------
        FaultError
            If the scheduler is gone, or there has been no worker for two minutes.
        """
        try:
            workers = self._count_workers()
        except OSError as error:
            raise _gone(self._address) from error
        if workers:
            return 0
        if looks + 1 >= _LOOKS_ALONE:
            raise FaultError(f"the cluster at '{self._address}' has lost all its workers")
        return looks + 1

    def _lost(self, ticket: Ticket[R]) -> bool:
        future = cast("_Sent", ticket).future
        if future.status in ("cancelled", "lost"):
            raise _gone(self._address)
        return future.status == "error" and isinstance(future.exception(), self._dask.KilledWorker)


class _Sent:
    """A task that the cluster has; its result may turn out to be a stranger's."""

    def __init__(self, future: Any) -> None:
        self.future = future

    def result(self) -> object:
        found = self.future.result()
        if isinstance(found, Stranger):
            raise InputError(
                f"a worker that joined later has other software, its results would differ: {found.why}"
            )
        return found


def _gone(address: str) -> FaultError:
    return FaultError(f"the scheduler at '{address}' went away; the work in hand is lost")


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep Dask's own log off stderr: what matters is said by an error, and the rest is no news."""
    # Each of Dask's loggers has a level and a handler of its own.
    names = [name for name in logging.root.manager.loggerDict if name.partition(".")[0] == "distributed"]
    before = {name: logging.getLogger(name).level for name in names}
    for name in names:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    with warnings.catch_warnings():
        # Versions that differ are one clear error below; advice on large tasks is for authors.
        warnings.filterwarnings("ignore", module="distributed")
        warnings.filterwarnings("ignore", message="(?s).*Mismatched versions")
        warnings.filterwarnings("ignore", message="(?s)Sending large graph")
        try:
            yield
        finally:
            for name, level in before.items():
                logging.getLogger(name).setLevel(level)


def _first_line(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    return lines[0] if lines else type(error).__name__


def _strangers(here: Stamp, answers: Mapping[str, object]) -> str:
    """Return which workers would find other digits, and why; empty if none."""
    found: dict[str, list[str]] = {}
    for address, answer in answers.items():
        if isinstance(answer, ImportError):
            why = f"driftgate cannot be imported there: {_first_line(answer)}"
        elif isinstance(answer, dict):
            why = differences(here, answer)
        else:
            why = f"it does not answer: {answer!r:.200}"
        if why:
            found.setdefault(why, []).append(address)
    return "; ".join(f"{why} ({_named(addresses)})" for why, addresses in found.items())


def _named(addresses: Sequence[str]) -> str:
    if len(addresses) <= _MOST_NAMED:
        return ", ".join(addresses)
    return f"{counted(len(addresses), 'worker')}, such as {addresses[0]}"


def _other_versions(versions: Mapping[str, Any]) -> str:
    """Return in words what differs in what Dask itself compares."""
    here = versions["client"]["packages"]
    others = {"the scheduler": versions["scheduler"], **versions["workers"]}
    found: dict[str, list[str]] = {}
    for name, other in others.items():
        there = other["packages"]
        for package in sorted(here.keys() - _NO_MATTER):
            if here[package] != there.get(package):
                words = f"{package}: {here[package] or 'none'} here, {there.get(package) or 'none'} there"
                found.setdefault(words, []).append(name)
    return "; ".join(f"{words} ({_named(names)})" for words, names in found.items())
