"""Time a cold check and the trials engine.

Figures depend on the machine; what carries over is the ratio against the peer, which is the same
engine with one trial at a time: a plain Python loop over trials.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from pathlib import Path

from driftgate.load import load_project
from driftgate.predict import covariance, prepare, run_trials
from driftgate.schema.case import Case

ROOT = Path(__file__).resolve().parents[2]


def cold_check(path: Path) -> float:
    """Return the wall time of one `driftgate check` in a fresh process. [s]"""
    command = [sys.executable, "-m", "driftgate", "check", str(path), "--quiet"]
    begin = time.perf_counter()
    subprocess.run(command, cwd=ROOT, check=False, capture_output=True)
    return time.perf_counter() - begin


def timed(work: object) -> float:
    """Return how long a call takes, the better of two. [s]"""
    best = float("inf")
    for _ in range(2):
        begin = time.perf_counter()
        work()  # type: ignore[operator]
        best = min(best, time.perf_counter() - begin)
    return best


def main() -> None:
    """Print one line per routine."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=4096)
    parser.add_argument("--loop", type=int, default=4, help="trials of the one-at-a-time peer")
    arguments = parser.parse_args()
    project = load_project([ROOT / "routines"], ROOT)
    print("one core but for the cold check; peer: the same engine, one trial at a time")
    print(
        f"{'routine':34} {'cold check':>10} {'plan':>8} {'covariance':>10} {'trials/s':>9} "
        f"{'ns/trial/tick':>13} {'over peer':>9}"
    )
    for loaded in project.routines:
        field = loaded.field.model
        case = Case(loaded.document.model, loaded.robot.model, field, field)
        prepared = prepare(case)
        ticks = len(prepared.plan.timeline.twist)
        plan_s = timed(lambda case=case: prepare(case))
        covariance_s = timed(lambda prepared=prepared: covariance(prepared))
        trial_s = timed(lambda prepared=prepared: run_trials(prepared, arguments.trials, 1))
        loop_s = timed(lambda prepared=prepared: run_trials(prepared, arguments.loop, 1, batch=1))
        per_trial = trial_s / arguments.trials
        print(
            f"{loaded.document.path:34} {cold_check(ROOT / loaded.document.path):8.2f} s "
            f"{plan_s * 1e3:5.0f} ms "
            f"{covariance_s * 1e3:7.0f} ms {1.0 / per_trial:9.0f} {per_trial / ticks * 1e9:13.0f} "
            f"{loop_s / arguments.loop / per_trial:8.0f}x"
        )


if __name__ == "__main__":
    main()
