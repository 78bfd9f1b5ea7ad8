"""Tasks spread over workers that may die, with what is known of each.

Whoever runs the tasks, and however often one has to be run, the result is the same: a task is a function of
plain values, and every random draw in it has an address of its own. So a worker that dies costs time only.
It takes with it all tasks that were under way: these *suspects* are run again one at a time, with nothing
beside them, and only a task that goes on killing its worker is given up, by name.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import ClassVar, Generic, Protocol, TypeVar

from driftgate.report.text import plain
from driftgate.run.status import FaultError

T = TypeVar("T")
R = TypeVar("R")
R_co = TypeVar("R_co", covariant=True)

# Enough waiting tasks that no worker idles, few enough that results do not pile up.
_AHEAD = 3


class Ticket(Protocol[R_co]):
    """What is given for a task that is under way."""

    def result(self) -> R_co:
        """Return the result, or raise what the task raised."""


@dataclass(eq=False)
class Task(Generic[T]):
    """An item, its number, and how many workers have died while it was under way."""

    item: T
    number: int = 0
    deaths: int = 0


class Spread(ABC):
    """Who runs tasks; a context, since workers have to be ended."""

    # So many deaths with a task under way, all but the first with nothing beside it, are its own doing.
    most_deaths: ClassVar[int]

    @property
    @abstractmethod
    def count(self) -> int:
        """How many workers there are."""

    @abstractmethod
    def __enter__(self) -> Spread:
        """Begin."""

    @abstractmethod
    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: object) -> None:
        """Wait for the workers after success; end them at once after an error or an interrupt."""

    def start(self) -> None:  # noqa: B027 - not all have something to get ready
        """Get ready now, while this process does something else."""

    @property
    @abstractmethod
    def _width(self) -> int:
        """How many tasks are under way at most."""

    @abstractmethod
    def _send(self, function: Callable[[T], R], item: T) -> Ticket[R]:
        """Give a task to the workers."""

    @abstractmethod
    def _done(self, flying: Sequence[Ticket[R]]) -> Iterable[Ticket[R]]:
        """Wait until some tasks are no longer under way, and return them."""

    @abstractmethod
    def _lost(self, ticket: Ticket[R]) -> bool:
        """Say whether a worker died with this task."""

    def _here(self, waiting: int) -> bool:
        """Say whether so few tasks are better done in this process."""
        return False

    def map(self, function: Callable[[T], R], items: Iterable[T]) -> Iterator[R]:
        """Yield the function of each item, in order.

        Raises
        ------
        FaultError
            If a task goes on killing its worker.
        """
        numbered = enumerate(items)
        results: dict[int, Ticket[R]] = {}
        drawn = given = 0

        def pull() -> Task[T] | None:
            nonlocal drawn
            if drawn - given >= _AHEAD * self.count or (found := next(numbered, None)) is None:
                return None
            drawn += 1
            return Task(found[1], found[0])

        for task, ticket in self._spread(function, pull, _AHEAD * self.count):
            results[task.number] = ticket
            while given in results:
                # An error is raised in its turn, whatever was done first.
                found = results.pop(given).result()
                given += 1
                yield found

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
            If a task goes on killing its worker.
        """

        def next_task() -> Task[T] | None:
            item = pull()
            return None if item is None else Task(item)

        for task, ticket in self._spread(function, next_task, self._width, self._here):
            yield task.item, ticket.result()

    def _spread(
        self,
        function: Callable[[T], R],
        pull: Callable[[], Task[T] | None],
        width: int,
        here: Callable[[int], bool] = lambda waiting: False,
    ) -> Iterator[tuple[Task[T], Ticket[R]]]:
        """Yield tasks that have been done, or have raised an error of their own."""
        ready: deque[Task[T]] = deque()
        suspects: deque[Task[T]] = deque()
        flying: dict[Ticket[R], Task[T]] = {}
        while True:
            if suspects:
                # With anything beside it, nobody could tell which of them did it.
                if not flying:
                    task = suspects.popleft()
                    flying[self._send(function, task.item)] = task
            else:
                while len(flying) + len(ready) < width and (found := pull()) is not None:
                    ready.append(found)
                if not flying and not ready:
                    return
                if not flying and here(len(ready)):
                    task = ready.popleft()
                    yield task, _Done(function(task.item))
                    continue
                while ready:
                    task = ready.popleft()
                    flying[self._send(function, task.item)] = task
            for ticket in self._done(list(flying)):
                task = flying.pop(ticket)
                if not self._lost(ticket):
                    yield task, ticket
                    continue
                task.deaths += 1
                if task.deaths >= self.most_deaths:
                    raise _death(function, task)
                suspects.append(task)


@dataclass(frozen=True)
class _Done(Generic[R]):
    found: R

    def result(self) -> R:
        return self.found


def _death(function: Callable[[T], R], task: Task[T]) -> FaultError:
    name = getattr(task.item, "task_name", "") or getattr(function, "__name__", "unnamed")
    what = f'each worker that was given the task "{plain(name)}" died'
    return FaultError(f"{what}, perhaps for want of memory; try fewer trials")
