"""One mutant against its tests, in a process of its own; no file is changed.

The process is forked from one that has imported what does not change (numpy, pytest and their like) and
nothing of the package: a mutant costs no start of an interpreter, and none sees what another left behind.
"""

from __future__ import annotations

import contextlib
import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import os
import resource
import select
import signal
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from types import CodeType, ModuleType

PRELOADED = (
    "numpy",
    "numpy.random",
    "scipy.special",
    "scipy.linalg",
    "scipy.optimize",
    "scipy.stats",
    "shapely",
    "pydantic",
    "yaml",
    "click",
    "click.testing",
    "pytest",
    "_pytest.assertion.rewrite",
    "hypothesis",
    "hypothesis.strategies",
    "hypothesis.extra.numpy",
)
NOTHING = "no test was found"
KILLED, OUT_OF_TIME, SURVIVED = "killed", "killed by time limit", "survived"


class MutantLoader(importlib.abc.Loader):
    """Runs code that was compiled before, in place of a module's file."""

    def __init__(self, code: CodeType) -> None:
        self._code = code

    def exec_module(self, module: ModuleType) -> None:
        """Run the changed code as the module."""
        exec(self._code, module.__dict__)


class MutantFinder(importlib.abc.MetaPathFinder):
    """Answers for one module, and for no other."""

    def __init__(self, name: str, path: str, code: CodeType) -> None:
        self._name, self._path, self._code = name, path, code

    def find_spec(self, fullname: str, path: object = None, target: object = None) -> object:
        """Return the spec of the changed module, None for any other."""
        if fullname != self._name:
            return None
        folder = [str(Path(self._path).parent)] if Path(self._path).name == "__init__.py" else None
        return importlib.util.spec_from_file_location(
            fullname, self._path, loader=MutantLoader(self._code), submodule_search_locations=folder
        )


def module_name(package: str, name: str) -> str:
    """Return the dotted name of a file below the root of a package."""
    parts = [package, *name.removesuffix(".py").split("/")]
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def preload() -> None:
    """Import what no mutant changes; what is not installed is left to the tests."""
    for name in PRELOADED:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)


def in_fork(task: Callable[[], int], cpu_s: float) -> tuple[str, float]:
    """Run a task in a fork with a limit on its CPU time, and on idle waiting at ten times that.

    Returns
    -------
    outcome : str
        "survived" where the task returned 0, "killed by time limit", or "killed".
    seconds : float
        CPU time of the fork. [s]
    """
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            os.setpgid(0, 0)
            limit = max(1, int(cpu_s + 1.0))
            resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 5))
            quiet = os.open(os.devnull, os.O_RDWR)
            for stream in (0, 1, 2):
                os.dup2(quiet, stream)
            code = task()
        finally:
            os._exit(code)
    waited = os.pidfd_open(pid)
    ready, _, _ = select.select([waited], [], [], 10.0 * cpu_s + 60.0)
    os.close(waited)
    if not ready:
        os.kill(pid, signal.SIGKILL)
    _, status, used = os.wait4(pid, 0)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(pid, signal.SIGKILL)  # workers that a test started and a mutant never ended
    seconds = used.ru_utime + used.ru_stime
    if not ready or (os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL)):
        return OUT_OF_TIME, seconds
    return (SURVIVED if os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0 else KILLED), seconds


def run_tests(tests: Iterable[str], said: Path | None = None) -> int:
    """Run tests in the order given until one fails; 0 if all pass.

    Parameters
    ----------
    tests : iterable of str
        Ids of the tests, as pytest gives them.
    said : Path, optional
        Where the first test that failed is written.
    """
    import pytest

    class Chosen:
        """Keeps the chosen tests of the files, in their order, and notes the first that fails."""

        def __init__(self, order: dict[str, int]) -> None:
            self._order = order

        def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
            """Choose and order."""
            items[:] = sorted(
                (item for item in items if item.nodeid in self._order), key=lambda i: self._order[i.nodeid]
            )

        def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
            """Note the test that kills."""
            if report.failed and said is not None:
                said.write_text(report.nodeid)

    order = {test: place for place, test in enumerate(tests)}
    files = list(dict.fromkeys(test.split("::")[0] for test in order))
    options = ["-x", "-q", "--tb=no", "-p", "no:cacheprovider", "-p", "no:xdist"]
    # Said of plugins that were imported before the fork.
    options += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
    code = int(pytest.main([*options, *files], plugins=[Chosen(order)]))
    if code == pytest.ExitCode.NO_TESTS_COLLECTED and said is not None:
        said.write_text(NOTHING)
    return code


def try_mutant(
    module: str, path: Path, code: CodeType | None, tests: list[str], cpu_s: float, said: Path
) -> tuple[str, str, float]:
    """Run tests on a changed module.

    Parameters
    ----------
    module : str
        Dotted name of the module.
    path : Path
        Its file.
    code : CodeType or None
        What is run in its place; None leaves it as it is.
    tests : list of str
        Ids of the tests, in order.
    cpu_s : float
        Limit on CPU time. [s]
    said : Path
        Scratch file.

    Returns
    -------
    outcome : str
        Killed, killed by time limit, or survived.
    by : str
        The test that failed, "" where none did or none could be loaded.
    seconds : float
        CPU time. [s]

    Raises
    ------
    RuntimeError
        If none of the tests exists.
    """
    said.unlink(missing_ok=True)

    def task() -> int:
        if code is not None:
            sys.meta_path.insert(0, MutantFinder(module, str(path), code))
        return run_tests(tests, said)

    outcome, seconds = in_fork(task, cpu_s)
    by = said.read_text() if said.exists() else ""
    if by == NOTHING:
        raise RuntimeError(f"none of these tests was found: {tests[:3]}")
    return outcome, by, seconds
