"""The evidence table: every check against something outside, with its source and how it came out.

A test that compares with a standard, a paper, a data set, a reference library or a result worked out by hand
carries the mark `evidence`, which says so beside the check::

    @pytest.mark.evidence(source="Wilks 1941", compares="sample sizes", tolerance="exact")

Tests with the same three texts make one row. Run as a script this prints the table, with results from
running the tests; with `--collect` it only finds them, and the results read "4 cases". pytest's own output
goes to stderr. The exit status is 1 if a test failed, so that no table is made of failures.
"""

from __future__ import annotations

import contextlib
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
_TEXTS = ("source", "compares", "tolerance")
# What comes after what others have published.
_LATER = ("library ", "common practice", "worked on paper")


@dataclass
class Row:
    """One row: the texts of a mark, the files of the tests that carry it, and the outcomes of their cases."""

    source: str
    compares: str
    tolerance: str
    files: set[str] = field(default_factory=set)
    cases: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)

    @property
    def where(self) -> str:
        """Return the files of the tests."""
        return ", ".join(f"`{name}`" for name in sorted(self.files))

    def result(self) -> str:
        """Return what became of the cases; their number alone if none has run."""
        if not self.outcomes:
            return f"{self.cases} case{'s' * (self.cases != 1)}"
        told = f"{self.outcomes['passed']} of {self.cases} passed"
        others = (f"{n} {what}" for what, n in sorted(self.outcomes.items()) if what != "passed")
        return ", ".join([told, *others])


class Evidence:
    """A plug-in of pytest that keeps the marked tests alone and hears how they come out."""

    def __init__(self) -> None:
        self.rows: dict[tuple[str, ...], Row] = {}
        self._of: dict[str, Row] = {}

    def pytest_collection_modifyitems(self, config: pytest.Config, items: list[pytest.Item]) -> None:
        """Leave out what carries no mark, and put the rest into rows."""
        for item in items:
            mark = item.get_closest_marker("evidence")
            if mark is None:
                continue
            if mark.args or sorted(mark.kwargs) != sorted(_TEXTS):
                raise pytest.UsageError(f"{item.nodeid}: evidence takes {', '.join(_TEXTS)}, by name")
            texts = tuple(mark.kwargs[name] for name in _TEXTS)
            row = self.rows.setdefault(texts, Row(*texts))
            row.files.add(item.path.relative_to(ROOT / "tests").with_suffix("").as_posix())
            row.cases += 1
            self._of[item.nodeid] = row
        others = [item for item in items if item.nodeid not in self._of]
        config.hook.pytest_deselected(items=others)
        items[:] = [item for item in items if item.nodeid in self._of]

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Count a case once: by its call, or by a set-up that kept it from one."""
        if report.when == "call" or (report.when == "setup" and not report.passed):
            self._of[report.nodeid].outcomes[report.outcome] += 1


def _order(row: Row) -> tuple[int, str, str, str]:
    later = next((i for i, start in enumerate(_LATER, 1) if row.source.startswith(start)), 0)
    return later, row.source.lower(), row.compares, row.tolerance


def table(rows: list[Row]) -> Iterator[str]:
    """Yield the lines of the table, published sources first."""
    yield "| source | what is compared | tolerance | tests | result |"
    yield "| --- | --- | --- | --- | --- |"
    for row in sorted(rows, key=_order):
        yield f"| {row.source} | {row.compares} | {row.tolerance} | {row.where} | {row.result()} |"


def _files() -> list[str]:
    """Return the files with a mark: most have none, and reading them all takes a while."""
    everything = sorted((ROOT / "tests").rglob("test_*.py"))
    return [str(path) for path in everything if "mark.evidence(" in path.read_text(encoding="utf-8")]


def main(arguments: list[str]) -> int:
    """Find the tests, run them unless told not to, and print the table."""
    found = Evidence()
    options = ["-q", "-p", "no:cacheprovider", f"--rootdir={ROOT}", *_files()]
    if "--collect" in arguments:
        options.append("--collect-only")
    with contextlib.redirect_stdout(sys.stderr):
        status = pytest.main(options, plugins=[found])
    if status == pytest.ExitCode.OK:
        print("\n".join(table(list(found.rows.values()))))
    return int(status != pytest.ExitCode.OK)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
