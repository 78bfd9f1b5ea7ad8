"""Work spread over processes."""

from __future__ import annotations

import math
import multiprocessing
import os

import pytest

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
        assert list(workers.map(os.getenv, ["OPENBLAS_NUM_THREADS"])) == ["1"]
    assert dict(os.environ) == before


def test_err_worker_that_dies():
    """A worker that dies ends the run with a clear line instead of a wait without end."""
    with pytest.raises(FaultError, match="a worker process died"), Workers(2) as workers:
        list(workers.map(os._exit, [9]))


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


def test_err_worker_that_dies_out_of_order():
    """A worker that dies ends the run here as well."""
    ready = [9, 9]
    with pytest.raises(FaultError, match="a worker process died"), Workers(2) as workers:
        list(workers.as_done(os._exit, lambda: ready.pop() if ready else None))
