"""Which tests run which lines: one run of the cheap tests under coverage, a context for each test."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Generator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
# CPU seconds under coverage after which a test is not cheap, and is left out.
CHEAP_S = 2.5
# Tests of one file that build their scenes once and share them stand for each other: what one of them ran
# first, all of them judge.
SHARING = ("@cache", "@lru_cache", "functools.cache", 'scope="module"', 'scope="session"')


class TooDearError(BaseException):
    """A test has used its CPU time; not an Exception, so that no test takes it for its own."""


class LineRecorder:
    """Plugin of pytest: tells coverage the test that runs, and stops one that is not cheap."""

    def __init__(self, measured: Any) -> None:
        self.measured = measured
        self.seconds: dict[str, float] = {}
        self.left_out: dict[str, str] = {}

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, object, object]:
        """Run a test in a context of its own."""
        self.measured.switch_context(item.nodeid)
        started = time.process_time()
        try:
            return (yield)
        finally:
            self.seconds[item.nodeid] = round(time.process_time() - started, 4)
            self.measured.switch_context("")

    # Next to the test itself: what pytest does around it is not to be interrupted.
    @pytest.hookimpl(wrapper=True, trylast=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Generator[None, object, object]:
        """Turn the end of a test's time into a failure."""
        signal.setitimer(signal.ITIMER_PROF, CHEAP_S, 0.5)
        try:
            return (yield)
        except TooDearError:
            pytest.fail("not cheap")
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0.0)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Remember tests that did not pass: they can kill nothing."""
        if report.outcome != "passed":
            self.left_out[report.nodeid] = f"{report.outcome} in {report.when}"


def _out_of_time(_signal: int, _frame: object) -> None:
    raise TooDearError


def measure(map_file: Path, source: Path, packages: tuple[str, ...], paths: list[str]) -> None:
    """Run tests and write which of them ran which lines; called in a process of its own."""
    import coverage  # needed to measure alone

    folders = [str(source / package) for package in packages]
    data_file = map_file.with_suffix(".coverage")
    measured = coverage.Coverage(data_file=str(data_file), source=folders, config_file=False, messages=False)
    signal.signal(signal.SIGPROF, _out_of_time)
    recorder = LineRecorder(measured)
    measured.start()
    pytest.main(["-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--no-header", *paths], plugins=[recorder])
    measured.stop()
    measured.save()
    data = measured.get_data()
    lines = {
        str(Path(name).relative_to(source)): {
            line: [test for test in tests if test] for line, tests in data.contexts_by_lineno(name).items()
        }
        for name in sorted(data.measured_files())
    }
    kept = {"seconds": recorder.seconds, "left_out": recorder.left_out, "lines": lines}
    map_file.write_text(json.dumps(kept))
    data_file.unlink()


def run_measure(map_file: Path, source: Path, packages: tuple[str, ...], paths: list[str]) -> None:
    """Measure in a fresh process, so that modules are imported under coverage."""
    arguments = [str(map_file), str(source), ",".join(packages), *paths]
    subprocess.run([sys.executable, __file__, *arguments], check=True, cwd=ROOT)


def join(map_file: Path, extra: Path) -> None:
    """Add what a second run measured to a map; what it says of a test replaces what stood there."""
    old, new = json.loads(map_file.read_text()), json.loads(extra.read_text())
    again = set(new["seconds"])
    for part in ("seconds", "left_out"):
        old[part] = {test: was for test, was in old[part].items() if test not in again} | new[part]
    for name, of_line in new["lines"].items():
        kept = old["lines"].setdefault(name, {})
        for line in set(kept) | set(of_line):
            others = [test for test in kept.get(line, []) if test not in again]
            kept[line] = others + of_line.get(line, [])
    map_file.write_text(json.dumps(old))
    extra.unlink()


@dataclass(frozen=True)
class Covering:
    """What the run of the cheap tests left.

    Attributes
    ----------
    seconds : dict
        CPU time of each test that passed. [s]
    lines : dict
        File below the source root, to line number, to the tests that ran it.
    """

    seconds: dict[str, float]
    lines: dict[str, dict[int, frozenset[str]]]

    @classmethod
    def read(cls, map_file: Path) -> Covering:
        """Read the map, let tests that share scenes stand for each other, drop what did not pass."""
        kept = json.loads(map_file.read_text())
        seconds = {test: s for test, s in kept["seconds"].items() if test not in kept["left_out"]}
        of_file: dict[str, set[str]] = {}
        for test in seconds:
            of_file.setdefault(test.split("::")[0], set()).add(test)
        sharing = {name for name in of_file if any(word in (ROOT / name).read_text() for word in SHARING)}

        def spread(tests: list[str]) -> frozenset[str]:
            files = {test.split("::")[0] for test in tests} & sharing
            return frozenset(set(tests) & set(seconds)).union(*(of_file[name] for name in files))

        lines = {
            name: {int(line): spread(tests) for line, tests in of_line.items()}
            for name, of_line in kept["lines"].items()
        }
        return cls(seconds, lines)

    def tests_of(self, name: str, first: int, last: int) -> list[str]:
        """Return the tests that run any of the lines, the quickest first.

        What is run at import alone has no test of its own: every test that runs anything else of the
        module counts.
        """
        of_line = self.lines.get(name, {})
        found = frozenset().union(*(of_line.get(line, frozenset()) for line in range(first, last + 1)))
        if not found and any(line in of_line for line in range(first, last + 1)):
            found = frozenset().union(*of_line.values())
        return sorted(found, key=lambda test: (self.seconds[test], test))


if __name__ == "__main__":
    measure(Path(sys.argv[1]), Path(sys.argv[2]), tuple(sys.argv[3].split(",")), sys.argv[4:])
