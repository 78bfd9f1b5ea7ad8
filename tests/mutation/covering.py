"""Which tests run which lines: each test once under coverage, in a fork of its own, within a time.

In a fork no test runs what another has left behind: scenes that tests share are built for each of them, and
count for each.
"""

from __future__ import annotations

import fnmatch
import functools
import json
import os
import resource
import subprocess
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
# A test that takes more CPU time than this, under coverage, is not cheap, and is left out. [s]
CHEAP_S = 3


class LineRecorder:
    """Plugin of pytest: runs each test in a fork, and keeps the lines of some files that it runs.

    Attributes
    ----------
    seconds, lines : dict
        By test that passed in time: CPU time, and by file the lines. [s]
    left_out : list of str
        The other tests.
    """

    def __init__(self, source: Path, packages: list[str], scratch: Path) -> None:
        self._include = [f"{source / package}/*" for package in packages]
        self._source, self._scratch = source, scratch
        self.seconds: dict[str, float] = {}
        self.lines: dict[str, dict[str, list[int]]] = {}
        self.left_out: list[str] = []

    def pytest_runtest_protocol(self, item: pytest.Item) -> bool:
        """Run a test."""
        self._scratch.unlink(missing_ok=True)
        pid = os.fork()
        if pid == 0:
            try:
                resource.setrlimit(resource.RLIMIT_CPU, (CHEAP_S, CHEAP_S + 1))
                self._run(item)
            finally:
                os._exit(0)
        _, status, used = os.wait4(pid, 0)
        if status == 0 and self._scratch.exists():
            self.seconds[item.nodeid] = round(used.ru_utime + used.ru_stime, 3)
            self.lines[item.nodeid] = json.loads(self._scratch.read_text())
        else:
            self.left_out.append(item.nodeid)
        return True

    def _run(self, item: pytest.Item) -> None:
        """Write down the lines that a test runs, if it passes."""
        import coverage
        from _pytest.runner import runtestprotocol

        measured = coverage.Coverage(data_file=None, include=self._include, config_file=False, messages=False)
        measured.set_option("run:disable_warnings", ["no-data-collected"])
        measured.start()
        reports = runtestprotocol(item, log=False, nextitem=None)
        measured.stop()
        if all(report.passed for report in reports):
            data = measured.get_data()
            files = sorted(data.measured_files())
            lines = {Path(f).relative_to(self._source).as_posix(): sorted(data.lines(f) or []) for f in files}
            self._scratch.write_text(json.dumps(lines))


def measure(map_file: Path, source: Path, packages: list[str], paths: list[str]) -> None:
    """Run tests and add to a map which of them runs which lines; called in a process of its own."""
    scratch = map_file.with_suffix(".scratch")
    recorder = LineRecorder(source, packages, scratch)
    pytest.main(["-q", "-p", "no:cacheprovider", "-p", "no:xdist", *paths], plugins=[recorder])
    kept = json.loads(map_file.read_text()) if map_file.exists() else {"seconds": {}, "lines": {}}
    kept["seconds"].update(recorder.seconds)
    kept["lines"].update(recorder.lines)
    map_file.write_text(json.dumps(kept))
    scratch.unlink(missing_ok=True)
    print(f"{len(recorder.seconds)} tests measured, {len(recorder.left_out)} left out: {recorder.left_out}")


def run_measure(map_file: Path, source: Path, packages: tuple[str, ...], paths: list[str]) -> None:
    """Measure in a fresh process, so that this one imports nothing of the package."""
    arguments = [str(map_file), str(source), ",".join(packages), *paths]
    subprocess.run([sys.executable, __file__, *arguments], check=True, cwd=ROOT)


@dataclass(frozen=True)
class Covering:
    """Which tests run which lines.

    Attributes
    ----------
    seconds : dict
        CPU time of each test. [s]
    lines : dict
        File below the source root, to line number, to the tests that run it.
    """

    seconds: dict[str, float]
    lines: dict[str, dict[int, set[str]]]

    @functools.cached_property
    def breadth(self) -> Counter[str]:
        """How many lines each test runs."""
        return Counter(test for of in self.lines.values() for tests in of.values() for test in tests)

    @classmethod
    def read(cls, map_file: Path) -> Covering:
        """Read a map."""
        kept = json.loads(map_file.read_text())
        lines: dict[str, dict[int, set[str]]] = {}
        for test, files in kept["lines"].items():
            for name, numbers in files.items():
                of_line = lines.setdefault(name, {})
                for number in numbers:
                    of_line.setdefault(number, set()).add(test)
        return cls(kept["seconds"], lines)

    def without(self, patterns: list[str]) -> Covering:
        """Return the map without the tests of some files."""
        gone = {t for t in self.seconds if any(fnmatch.fnmatch(t.split("::")[0], p) for p in patterns)}
        lines = {name: {n: tests - gone for n, tests in of.items()} for name, of in self.lines.items()}
        return Covering(self.seconds, lines)

    def tests_of(self, name: str, first: int, last: int, at_import: bool = False) -> list[str]:
        """Return the tests that run any of the lines, first those that run the fewest lines in all.

        Such a test is about these lines; one that runs nearly everything seldom looks closely.
        What runs at import has no test of its own: every test that runs anything else of the module counts;
        of a module that has nothing else, of its package.
        """
        of_line = self.lines.get(name, {})
        numbers = of_line if at_import else range(first, last + 1)
        found: set[str] = set().union(*(of_line.get(line, set()) for line in numbers))
        if at_import and not of_line:
            folder = name.rpartition("/")[0]
            rest = (of for other, of in self.lines.items() if other.rpartition("/")[0] == folder)
            found = found.union(*(tests for of in rest for tests in of.values()))
        return sorted(found, key=lambda test: (self.breadth[test], self.seconds[test], test))


if __name__ == "__main__":
    measure(Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3].split(","), sys.argv[4:])
