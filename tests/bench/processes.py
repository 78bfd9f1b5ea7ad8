"""What takes a process of its own: memory, worker processes, cold start."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SHORT = "routines/corner-dash.yaml"

_MEMORY = """
import resource, sys
sys.path.insert(0, {bench!r})
from workload import ROOT, case_of
from driftgate.predict import prepare, run_trials
prepared = prepare(case_of(ROOT, {routine!r}))
result = run_trials(prepared, {trials}, 1)
held = sum(a.nbytes for m in result.moments for a in vars(m).values())
held += sum(a.nbytes for a in (result.touch_step, result.touch_obstacle, result.lost))
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, held / 2**20)
"""

_WORKERS = """
import sys, time
sys.path.insert(0, {bench!r})
from workload import workload
from driftgate.run.predict import predictions
from driftgate.run.tasks import Planned
from driftgate.run.workers import Workers
if __name__ == "__main__":
    prepared = workload()
    planned = Planned(prepared.plan, prepared, ())
    for count in {counts}:
        begin = time.perf_counter()
        with Workers(count) as workers:
            list(predictions(workers, [planned], 1, {trials}, lambda done, total, words: None))
        print(count, time.perf_counter() - begin)
"""


def memory(quick: bool) -> list[str]:
    """Return peak memory by number of trials, each measured in a process of its own."""
    sizes = (2_000, 8_000, 32_000) if quick else (5_000, 50_000, 200_000)
    lines = [f"  {'trials':>8} {'peak MB':>8} {'of it in the result':>20} {'bytes a trial held':>19}"]
    peaks = []
    for trials in sizes:
        code = _MEMORY.format(bench=str(Path(__file__).parent), routine=SHORT, trials=trials)
        peak, held = (float(v) for v in _python("-c", code).split())
        peaks.append((peak, held))
        lines.append(f"  {trials:8} {peak:8.0f} {held:17.1f} MB {held * 2**20 / trials:19.0f}")
    rise = (peaks[-1][0] - peaks[0][0]) * 2**20 / (sizes[-1] - sizes[0])
    engine = peaks[-1][0] - peaks[-1][1] * 2 - (peaks[0][0] - peaks[0][1] * 2)
    lines.append(f"  {rise:.0f} bytes a trial; without the result, held twice while merged: {engine:+.0f} MB")
    return lines


def workers(quick: bool) -> list[str]:
    """Return two worker processes against one, starting them included, and what the machine gives."""
    trials = 8 * 4096 if quick else 24 * 4096
    bench = str(Path(__file__).parent)
    script = _WORKERS.format(bench=bench, counts=(1, 2, 1, 2), trials=trials)
    found: dict[int, list[float]] = {1: [], 2: []}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "workers.py"
        path.write_text(script)  # worker processes import the main module from its file
        for line in _python(str(path)).splitlines():
            count, taken = line.split()
            found[int(count)].append(float(taken))
        path.write_text(_WORKERS.format(bench=bench, counts=(1,), trials=trials))
        both = [
            subprocess.Popen([sys.executable, str(path)], cwd=ROOT, stdout=subprocess.PIPE, text=True)
            for _ in range(2)
        ]
        at_once = max(float(run.communicate()[0].split()[1]) for run in both)
    one, two = min(found[1]), min(found[2])
    return [
        f"  {trials} trials of W: one {one:.2f} s, two {two:.2f} s: {one / two:.2f} times as fast",
        f"  two runs that know nothing of each other, at once: {2.0 * one / at_once:.2f} times one",
    ]


def cold_start(quick: bool) -> list[str]:
    """Return the wall time of commands in fresh processes; no cache is used."""
    commands = (["--version"], ["validate", SHORT], ["check", SHORT, "--quiet"])
    rounds = 2 if quick else 5
    return [
        f"  {'driftgate ' + ' '.join(command):54} {statistics.median(_wall(command, rounds)):6.2f} s"
        for command in commands
    ]


def _wall(command: list[str], rounds: int) -> list[float]:
    taken = []
    uncached = {**os.environ, "DRIFTGATE_CACHE": "off"}
    for _ in range(rounds):
        begin = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "driftgate", *command],
            cwd=ROOT,
            check=False,
            capture_output=True,
            env=uncached,
        )
        taken.append(time.perf_counter() - begin)
    return taken


def _python(*arguments: str) -> str:
    done = subprocess.run(
        [sys.executable, *arguments], cwd=ROOT, check=True, stdout=subprocess.PIPE, text=True
    )
    return done.stdout
