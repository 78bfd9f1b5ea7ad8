"""Work on a Dask cluster: the same digits, whoever runs it and whoever dies; clear words for what is wrong.

One scheduler in this process serves all tests but one; only that one starts processes, and kills one.
"""

from __future__ import annotations

import importlib.util
import os
import signal
import socket
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import pytest
from small_project import write_project

from driftgate.cli import main
from driftgate.report.as_json import render_json
from driftgate.run import cluster as cluster_module
from driftgate.run import cluster_worker
from driftgate.run.check import CheckSettings, check_routines
from driftgate.run.cluster import Cluster
from driftgate.run.night import NightSettings
from driftgate.run.nightly import nightly
from driftgate.run.status import FaultError, InputError
from driftgate.run.workers import Scheduler

HAVE_DASK = importlib.util.find_spec("distributed") is not None
if not HAVE_DASK and os.environ.get("DRIFTGATE_CLUSTER") == "required":
    raise RuntimeError("the extra 'cluster' is to be tested, and is not installed")
needs_dask = pytest.mark.skipif(not HAVE_DASK, reason="the extra 'cluster' is not installed")


def silent(done, total, what):
    """Show no progress."""


@pytest.fixture(scope="module")
def scheduler():
    """Return the address of a scheduler with two workers, all threads of this process."""
    from distributed import LocalCluster

    # Not by the name of a process: addresses are what the command takes.
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=False, protocol="tcp://", dashboard_address=":0"
    ) as local:
        yield local.scheduler_address


@pytest.fixture(autouse=True)
def patient(monkeypatch):
    """Wait for as long as a busy machine may take; those that wait for nothing say so themselves."""
    monkeypatch.setattr(cluster_module, "_PATIENCE_S", 60)


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    return tmp_path


def settings(**changes):
    """Return settings of a tiny night."""
    return replace(NightSettings(date(2026, 11, 1), trials=60, fault_trials=30, scout_trials=10), **changes)


def square_of(number):
    """Return a square."""
    return number * number


@needs_dask
def test_law_a_night_on_a_cluster_is_the_same(project, scheduler):
    """A night by two workers of a cluster is that of one process, figure for figure."""
    here = nightly(settings(), silent).night
    there = nightly(settings(workers=Scheduler(scheduler)), silent).night
    assert there == here


@needs_dask
def test_law_a_check_on_a_cluster_is_the_same(project, scheduler):
    """The JSON of a check is the same byte for byte: batches, looks and causes included."""
    here = render_json(check_routines(CheckSettings(trials=3000)))
    assert render_json(check_routines(CheckSettings(trials=3000, workers=Scheduler(scheduler)))) == here


@needs_dask
def test_law_a_cluster_keeps_order_and_raises_what_a_task_raises(scheduler):
    """Results come in the order of the items, and an error of a task is the caller's."""
    with Cluster(scheduler) as workers:
        assert workers.count == 2
        assert list(workers.map(square_of, range(30))) == [n * n for n in range(30)]
        with pytest.raises(ZeroDivisionError):
            list(workers.map(one_over, [1, 0]))


def one_over(number):
    """Return one over a number."""
    return 1 / number


_DEATHS: dict[str, int] = {}


def given_up(item):
    """Be given up with all that were there: so often as the item says, then return its name."""
    from distributed import KilledWorker

    name, times = item
    _DEATHS[name] = _DEATHS.get(name, 0) + 1
    if _DEATHS[name] <= times:
        raise KilledWorker(name, SimpleNamespace(address="nowhere"), 3)
    return name


# A task that raises this is tried three times before Dask tells: two retries.
@needs_dask
def test_law_an_innocent_task_is_sent_once_more(scheduler):
    """What Dask gave up because its workers died with another task is sent again, alone, and done."""
    _DEATHS.clear()
    with Cluster(scheduler) as workers:
        found = list(workers.map(given_up, [("a", 0), ("b", 3), ("c", 0), ("d", 3)]))
    assert found == ["a", "b", "c", "d"]
    assert _DEATHS == {"a": 1, "b": 4, "c": 1, "d": 4}


@needs_dask
def test_err_a_task_that_kills_its_workers_again(scheduler):
    """What is given up alone, too, is named; nothing is waited for without end."""
    _DEATHS.clear()
    with pytest.raises(FaultError, match='the task "given_up" died'), Cluster(scheduler) as workers:
        list(workers.map(given_up, [("a", 0), ("b", 99)]))
    assert _DEATHS == {"a": 1, "b": 6}


@needs_dask
def test_law_a_killed_process_costs_no_result(project):
    """One of two worker processes is killed in the middle of a night: the night is the same."""
    from distributed import LocalCluster

    here = nightly(settings(), silent).night
    killed = []
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0") as local:

        def kills(done, total, what):
            if what == "cases and faults worked out" and not killed:
                killed.append(next(iter(local.workers.values())).pid)
                os.kill(killed[0], signal.SIGKILL)

        there = nightly(settings(workers=Scheduler(local.scheduler_address)), kills).night
    assert len(killed) == 1
    assert there == here


@needs_dask
def test_err_other_software_is_refused(project, scheduler, monkeypatch):
    """Workers with another source, or whose arithmetic rounds otherwise, are named before anything is run."""
    mine = cluster_worker.stamp()
    for name, says in (
        ("driftgate's source", "driftgate's source: other here"),
        ("numpy", "numpy: other here"),
        ("arithmetic", "rounds otherwise"),
    ):
        monkeypatch.setattr(Cluster, "_own_stamp", lambda self, name=name: {**mine, name: "other"})
        with pytest.raises(InputError, match=says) as error, Cluster(scheduler):
            pass
        assert "\n" not in str(error.value)
        assert scheduler in str(error.value)


@needs_dask
def test_err_a_worker_that_joins_late_is_held_against_the_rest(scheduler, monkeypatch):
    """A worker with other software that came after the look at the start gives no result."""
    with Cluster(scheduler) as workers:
        monkeypatch.setitem(workers._here_stamp, "numpy", "0")
        with pytest.raises(InputError, match=r"joined later .* numpy: 0 here"):
            list(workers.map(square_of, [1]))


@needs_dask
def test_err_other_versions_of_dask_are_refused(scheduler, monkeypatch):
    """What Dask itself finds different is one line; Dask's own table is not shown."""
    from distributed import client, versions

    def told(packages=()):
        found = versions.get_versions(packages)
        return {**found, "packages": {**found["packages"], "msgpack": "0.1"}}

    # What the client says of itself, and nobody else.
    shown = {**vars(versions), "get_versions": told}
    monkeypatch.setattr(client, "version_module", SimpleNamespace(**shown))
    with pytest.raises(InputError, match=r"other software.*: msgpack: 0.1 here") as error, Cluster(scheduler):
        pass
    assert "\n" not in str(error.value)


@needs_dask
def test_err_a_scheduler_without_workers(monkeypatch):
    """A scheduler alone is one line, after a short wait."""
    from distributed import LocalCluster

    monkeypatch.setattr(cluster_module, "_WORKERS_S", 1)
    with (
        LocalCluster(n_workers=0, processes=False, protocol="tcp://", dashboard_address=":0") as local,
        pytest.raises(InputError, match="has no workers"),
        Cluster(local.scheduler_address),
    ):
        pass


@needs_dask
def test_err_nobody_answers(project, monkeypatch, capsys):
    """An address at which nobody listens is one clear line and status 2."""
    monkeypatch.setattr(cluster_module, "_PATIENCE_S", 1)
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{unused.getsockname()[1]}"
        assert main.run(["nightly", "--scheduler", address, "--no-faults"]) == 2
    out, err = capsys.readouterr()
    assert err.splitlines()[-1].startswith(f"driftgate: status 2: no scheduler at '{address}': ")
    assert "Traceback" not in out + err


@needs_dask
@pytest.mark.parametrize(
    ("address", "says"),
    [
        ("10.0.0.5", "is no scheduler's address; write for example tcp://"),
        ("http://10.0.0.5:80", "is no scheduler's address"),
        ("tcp://a b:1", "is no scheduler's address"),
        ("tls://127.0.0.1:9", "no certificates"),
        ("", "wants an address"),
    ],
)
def test_err_addresses(project, capsys, address, says):
    """What is no address is said so at once."""
    assert main.run(["nightly", "--scheduler", address]) == 2
    assert says in capsys.readouterr().err


def test_err_the_extra_is_not_installed(project, monkeypatch, capsys):
    """Without Dask there is one line that says what to install."""
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert main.run(["nightly", "--scheduler", "tcp://127.0.0.1:9"]) == 2
    assert capsys.readouterr().err.splitlines()[-1] == (
        "driftgate: status 2: --scheduler needs the extra 'cluster': pip install distributed"
    )


def test_err_workers_and_a_scheduler(project, capsys):
    """Processes here and a cluster exclude each other."""
    assert main.run(["check", "--scheduler", "tcp://127.0.0.1:9", "--workers", "2"]) == 2
    assert "--workers is for processes here" in capsys.readouterr().err


def test_law_the_stamp_says_what_differs():
    """Each entry that differs is named with both values; nothing is said where nothing does."""
    mine = cluster_worker.stamp()
    assert cluster_worker.differences(mine, dict(mine)) == ""
    other = {**mine, "numpy": "1.0", "Python": "3.0"}
    assert cluster_worker.differences(mine, other) == (
        f"Python: {mine['Python']} here, 3.0 there, numpy: {mine['numpy']} here, 1.0 there"
    )


def test_law_nothing_of_dask_is_imported_without_a_scheduler(project):
    """An extra that is installed costs nothing where it is not asked for."""
    import subprocess

    code = (
        "import sys; from driftgate.cli import main; main.run(['check', '--no-cache', '--trials', '50']); "
        "print([name for name in sys.modules if name.partition('.')[0] in ('dask', 'distributed')])"
    )
    path = os.pathsep.join(filter(None, (str(Path(main.__file__).parents[2]), os.environ.get("PYTHONPATH"))))
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": path},
    )
    assert done.stdout.splitlines()[-1] == "[]"
