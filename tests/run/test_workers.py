"""Work spread over processes."""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
import sys
import time
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from types import SimpleNamespace

import pytest

from driftgate.core.threads import ONE_THREAD
from driftgate.run.pool import Pool
from driftgate.run.status import FaultError
from driftgate.run.workers import Workers


@pytest.mark.parametrize("count", [1, 2])
def test_law_results_keep_their_order(count):
    """Results come in the order of the items, with one worker and with two."""
    with Workers(count) as workers:
        assert list(workers.map(math.sqrt, [float(n * n) for n in range(40)])) == list(range(40))


def test_law_environment_is_put_back():
    """The thread limits that workers start under are gone afterwards."""
    before = dict(os.environ)
    with Workers(2) as workers:
        assert list(workers.map(os.getenv, ONE_THREAD)) == ["1"] * len(ONE_THREAD)
    assert dict(os.environ) == before


def dies_once(item):
    """Return the square of a number, but end the worker of the first to come to a marked one."""
    number, mark = item
    if mark is not None:
        try:
            mark.touch(exist_ok=False)
        except FileExistsError:
            pass
        else:
            os.kill(os.getpid(), signal.SIGKILL)
    return number * number


def counts_and_dies(mark):
    """End the worker, and leave a letter for it; or do nothing without a mark."""
    if mark:
        with open(mark, "a") as file:
            file.write("x")
        os.kill(os.getpid(), signal.SIGKILL)


@pytest.mark.parametrize("ordered", [True, False])
def test_law_a_worker_that_dies_costs_no_result(tmp_path, ordered):
    """Workers that are killed, two of them in 20 tasks, leave all 20 results right and in place."""
    marks = {3: tmp_path / "a", 11: tmp_path / "b"}
    items = [(number, marks.get(number)) for number in range(20)]
    with Workers(2) as workers:
        if ordered:
            found = list(workers.map(dies_once, items))
        else:
            ready = iter(items)
            done = workers.as_done(dies_once, lambda: next(ready, None))
            found = [square for _, square in sorted(done)]
    assert found == [number * number for number in range(20)]
    assert all(mark.exists() for mark in marks.values())


@pytest.mark.parametrize(
    "fault", [OSError("handle is closed"), ConnectionRefusedError(), BrokenProcessPool()]
)
def test_law_a_pool_that_breaks_while_it_starts_a_worker_costs_no_result(monkeypatch, fault):
    """Whatever the pool says then, also of the new one while what forks the workers is still going down."""
    submit, faults = ProcessPoolExecutor.submit, [fault, fault]

    def breaks(self, *work):
        if faults:
            raise faults.pop()
        return submit(self, *work)

    monkeypatch.setattr(ProcessPoolExecutor, "submit", breaks)
    with Workers(2) as workers:
        assert list(workers.map(math.sqrt, [1.0, 4.0, 9.0])) == [1.0, 2.0, 3.0]
    assert not faults


def test_law_all_workers_are_there_before_the_first_task():
    """None is started later, when one that dies could take it along."""
    with Workers(3) as workers:
        before = set(multiprocessing.active_children())
        found = workers.map(math.sqrt, [1.0, 4.0, 9.0])
        assert next(found) == 1.0
        assert len(set(multiprocessing.active_children()) - before) == 3
        assert list(found) == [2.0, 3.0]


def test_law_a_task_that_a_broken_pool_forgot_is_lost_and_done_again(monkeypatch):
    """A pool that breaks just when it is given a task may take it and never do it."""
    monkeypatch.setattr("driftgate.run.workers._LOOK_S", 0.01)
    submit, forgotten = Pool.submit, []

    def forgets(self, function, item):
        if item == 4.0 and not forgotten:
            forgotten.append(Future())
            return forgotten[0]
        return submit(self, function, item)

    monkeypatch.setattr(Pool, "submit", forgets)
    with Workers(2) as workers:
        assert list(workers.map(math.sqrt, [1.0, 4.0, 9.0])) == [1.0, 2.0, 3.0]
    assert isinstance(forgotten[0].exception(), BrokenProcessPool)


@pytest.mark.skipif(
    sys.version_info >= (3, 12), reason="a pool keeps others out while it gives up, since 3.12"
)
def test_law_a_pool_that_stumbles_over_a_task_costs_no_result(tmp_path, monkeypatch, capsys):
    """Given a task just as it gives up, its own thread may end and leave all as it is."""
    monkeypatch.setattr("driftgate.run.workers._LOOK_S", 0.05)

    def stumbles(self, cause):
        self.executor_reference()._broken = "a process ended"
        raise RuntimeError("dictionary changed size during iteration")

    monkeypatch.setattr("concurrent.futures.process._ExecutorManagerThread.terminate_broken", stumbles)
    with Workers(2) as workers:
        found = workers.map(dies_once, [(1, None), (2, tmp_path / "mark"), (3, None)])
        assert list(found) == [1, 4, 9]
        workers._end_children()
    assert capsys.readouterr().err == ""


def test_err_a_pool_that_cannot_start_a_worker_says_so(monkeypatch):
    """A fault that stays is told in the end, with what to try."""
    done = []
    monkeypatch.setattr("driftgate.run.workers._WAITS_S", (0.0, 0.2))
    monkeypatch.setattr("driftgate.run.workers.time", SimpleNamespace(sleep=done.append))

    def breaks(self, *work):
        done.append("try")
        raise BlockingIOError("no process can be started")

    monkeypatch.setattr(ProcessPoolExecutor, "submit", breaks)
    with (
        pytest.raises(FaultError, match=r"cannot be started \(no process can be started\); try --workers 1"),
        Workers(2) as workers,
    ):
        list(workers.map(math.sqrt, [1.0, 4.0]))
    # There is a wait between two tries, and none after the last.
    assert done == ["try", 0.0, "try", 0.2, "try"]


def test_err_a_task_that_kills_every_worker(tmp_path):
    """It is tried three times, the last two alone, and named; what was beside it is done."""
    mark, done = tmp_path / "deaths", []
    ready = [str(mark), *[""] * 5]

    def do_all():
        with Workers(2) as workers:
            for item, _ in workers.as_done(counts_and_dies, lambda: ready.pop() if ready else None):
                done.append(item)

    with pytest.raises(FaultError, match='given the task "counts_and_dies" died'):
        do_all()
    assert mark.read_text() == "xxx"
    assert done == [""] * 5


def test_err_errors_are_raised_in_their_turn():
    """The first item's error is raised, although the second's comes sooner."""
    with pytest.raises(ZeroDivisionError), Workers(2) as workers:
        list(workers.map(slow_or_wrong, [0.3, 0.0]))


def slow_or_wrong(wait_s):
    """Divide by nothing after a while, or raise another error at once."""
    if not wait_s:
        raise ValueError(wait_s)
    time.sleep(wait_s)
    return 1 / 0


def test_err_error_in_a_task_is_passed_on():
    """An error raised by a task is raised where its result is asked for, and no worker stays."""
    before = set(multiprocessing.active_children())
    with pytest.raises(ValueError, match=r"math domain|nonnegative"), Workers(2) as workers:
        list(workers.map(math.sqrt, [1.0, -1.0]))
    for child in set(multiprocessing.active_children()) - before:
        child.join(20)
        assert child.exitcode is not None


def test_law_items_are_drawn_as_they_are_needed():
    """No more than a few items are drawn ahead of the results."""
    drawn = []

    def items():
        for number in range(30):
            drawn.append(number)
            yield float(number)

    with Workers(2) as workers:
        results = workers.map(math.sqrt, items())
        next(results)
        assert len(drawn) < 10
        list(results)


def test_law_done_in_any_order_and_fed_by_results():
    """Every item comes with its result, those made ready by results too, with one worker and with more."""
    for count in (1, 2):
        ready, found = [4.0], {}
        with Workers(count) as workers:
            for item, root in workers.as_done(math.sqrt, lambda ready=ready: ready.pop() if ready else None):
                found[item] = root
                if item == 4.0:
                    ready += [9.0, 16.0, 25.0, 36.0, 49.0]
        assert found == {n * n: n for n in (2.0, 3.0, 4.0, 5.0, 6.0, 7.0)}


def test_law_lone_items_start_no_process():
    """A lone item is done here, and two at a time are not."""
    for many, here in ((1, True), (2, False)):
        ready = ["PATH"] * many
        with Workers(2) as workers:
            list(workers.as_done(os.getenv, lambda ready=ready: ready.pop() if ready else None))
            assert (workers._pool is None) == here
