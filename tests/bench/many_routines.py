"""What a thousand routines cost: a check with nothing known, one with everything known, and a night.

The shipped routines are copied under other names, each copy with a time limit of its own, so that no answer
of one serves another. Two numbers of copies are run by one process each; what the second takes more, per
routine, is what a routine costs, and is scaled up. Processor time counts, not time on the clock: it hardly
depends on the number of cores, and divided by theirs it is about how long they take.

    python tests/bench/many_routines.py               # about five minutes of one core
    python tests/bench/many_routines.py --night       # a full night as well, about half an hour more
    python tests/bench/many_routines.py --price 0.05  # of one core for an hour, in any currency: yours

The figures are of the shipped routines, 2 to 60 s long; yours may be cheaper or dearer. Core-hours times the
price of one is the cost, and nobody but you knows that price.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
MANY = 1000
CORES = (2, 8, 32, 128)


@dataclass(frozen=True)
class Cost:
    """What a run took: routines, cases or cells, processor time and memory."""

    what: str
    routines: int
    parts: int
    core_s: float
    peak_mb: float


def lay_out(folder: Path, copies: int) -> int:
    """Lay out a repository of so many copies of the shipped routines; return how many routines."""
    (folder / "pyproject.toml").write_text("")
    shutil.copytree(ROOT / "fieldmaps", folder / "fieldmaps")
    shutil.copytree(ROOT / "routines/robots", folder / "routines/robots")
    shipped = sorted((ROOT / "routines").glob("*.yaml"))
    for copy in range(copies):
        for path in shipped:
            text, found = re.subn(
                r"^time_limit: (\d+) s", rf"time_limit: \1.{copy + 1:03d} s", path.read_text(), flags=re.M
            )
            assert found == 1, f"{path.name}: the time limit is not as this script expects it"
            (folder / f"routines/{path.stem}-{copy}.yaml").write_text(text)
    return copies * len(shipped)


def run(folder: Path, what: str, routines: int, *arguments: str) -> Cost:
    """Run a command in a folder by one worker, and return what it took."""
    report = folder / "report.json"
    process = subprocess.Popen(
        [sys.executable, "-m", "driftgate", *arguments, "--workers", "1", "--report", f"json={report}"],
        cwd=folder,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    _, status, used = os.wait4(process.pid, 0)
    assert os.waitstatus_to_exitcode(status) in (0, 1), f"{what} did not run"
    made = json.loads(report.read_text())
    cells = made["night"]["cases"] if "night" in made else None
    parts = len(made["cases"]) if cells is None else sum(len(case["cells"]) for case in cells)
    return Cost(what, routines, parts, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024.0)


def scaled(small: Cost, large: Cost) -> float:
    """Return what a thousand routines take: what a routine takes more, and what there is without any. [s]"""
    each = (large.core_s - small.core_s) / (large.routines - small.routines)
    return small.core_s + each * (MANY - small.routines)


def measured(few: int, many: int, night: bool) -> tuple[list[Cost], dict[str, float]]:
    """Return what was run, and what a thousand routines would take, by kind of run. [s]"""
    costs: list[Cost] = []
    for copies in (few, many):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            routines = lay_out(folder, copies)
            cache = ("--cache", str(folder / "cache"))
            costs.append(run(folder, "check, nothing known", routines, "check", *cache))
            costs.append(run(folder, "check, all known", routines, "check", *cache))
    first, known, first_more, known_more = costs
    thousand = {first.what: scaled(first, first_more), known.what: scaled(known, known_more)}
    if night:
        with tempfile.TemporaryDirectory() as name:
            routines = lay_out(Path(name), 1)
            found = run(Path(name), "night", routines, "nightly", "--night", "2026-11-26")
        costs.append(found)
        thousand[found.what] = found.core_s * MANY / found.routines
    return costs, thousand


def processor() -> str:
    """Return what the machine says of its processor."""
    try:
        text = Path("/proc/cpuinfo").read_text()
    except OSError:
        return platform.processor() or "unknown processor"
    found = re.search(r"^model name\s*: (.*)$", text, re.M)
    return found[1] if found else platform.machine()


def main() -> None:
    """Measure, scale, and print."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--copies", type=int, nargs=2, default=(1, 3), help="of every shipped routine")
    options.add_argument("--night", action="store_true", help="measure a full night too")
    options.add_argument("--price", type=float, default=None, help="of one core for an hour")
    chosen = options.parse_args()
    costs, thousand = measured(*sorted(chosen.copies), chosen.night)
    print(f"one process, {os.cpu_count()} x {processor()}, Python {platform.python_version()}")
    print(f"{'run':22}{'routines':>9}{'cases or cells':>16}{'core-seconds':>14}{'peak memory':>13}")
    for cost in costs:
        print(f"{cost.what:22}{cost.routines:9}{cost.parts:16}{cost.core_s:14.1f}{cost.peak_mb:10.0f} MB")
    print()
    price = "" if chosen.price is None else f"{f'price at {chosen.price:g}':>16}"
    hours = "".join(f"{f'on {cores} cores':>13}" for cores in CORES)
    print(f"{f'{MANY} routines':22}{'core-hours':>12}{hours}{price}")
    for what, seconds in thousand.items():
        core_h = seconds / 3600.0
        clock = "".join(f"{f'{core_h / cores:.2g} h':>13}" for cores in CORES)
        cost_words = "" if chosen.price is None else f"{core_h * chosen.price:16.2f}"
        print(f"{what:22}{f'{core_h:.2g}':>12}{clock}{cost_words}")


if __name__ == "__main__":
    main()
