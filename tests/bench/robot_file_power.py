"""What `backtest --robot` finds: files fitted from a few made-up runs, held against others of the same robot.

    python tests/bench/robot_file_power.py [--fitted N] [--judged N] [--sets N] [--first N] [--calibration]

Prints for each case in how many of the sets the constants' test says that something is off, and in how many
that it is the gyro's bias; and the verdict of the windows' scores alone. The robots are those of
tests/calibrate/test_other_runs.py, nine poses a run; with `--calibration` that of the calibration drive,
whose runs stand still before they start. In a sound set what is found is a false alarm: 2.5 % are allowed.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import yaml

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "calibrate"))
import test_other_runs as made
from closing import calibration_case
from file_sets import case_with, held, logs_of, ready, written_file

from driftgate.calibrate.backtest import score_reckoning
from driftgate.calibrate.chain import LoggedRun, logged_run
from driftgate.calibrate.drift_fit import fit_drift
from driftgate.calibrate.robot_model import as_uncertain, robot_model, with_reference_spread
from driftgate.calibrate.score import with_doubt, with_verdict, worst
from driftgate.calibrate.windows import Track
from driftgate.report.robot_section import Origin, robot_section
from driftgate.schema.drift import ErrorSources

# In each case: by how many of its spreads the gyro's bias is off, and how many times it differs as much.
CASES = {
    "sound": (0.0, 1.0),
    "off by 2 spreads": (2.0, 1.0),
    "off by 4 spreads": (4.0, 1.0),
    "off by 7 spreads": (7.0, 1.0),
    "twice the spread": (0.0, 2.0),
    "4 times the spread": (0.0, 4.0),
}


def _made_runs(seed: int, label: int, count: int, off: float, times: float) -> list[Track]:
    """Return made-up runs whose heading bias is drawn otherwise than its spread says."""
    usual = dict(made.SPREADS)
    size, drive = usual[made.BIAS], made.drive

    def moved(twist: np.ndarray, dt: float, constants: dict[str, float], *rest: object) -> Track:
        return drive(twist, dt, {**constants, made.BIAS: constants[made.BIAS] + off * size}, *rest)

    made.SPREADS[made.BIAS], made.drive = times * size, moved
    try:
        rng = np.random.default_rng([seed, label, count])
        return [made._run(rng, 1000 * seed + 100 * label + i) for i in range(count)]
    finally:
        made.SPREADS.update(usual)
        made.drive = drive


def _made_file(seed: int, count: int) -> SimpleNamespace:
    runs = [logged_run(track, made.STATED) for track in _made_runs(seed, 1, count, 0.0, 1.0)]
    found = fit_drift(runs, ErrorSources(), 0.95, slips=False)
    section = yaml.safe_load("\n".join(robot_section(found.sources, Origin(), 0.95)))
    return SimpleNamespace(errors=ErrorSources.model_validate(section["errors"]), sensors=[])


def _windows(robot: object, runs: list[LoggedRun]) -> str:
    """Return the verdict of the windows' scores, which share the false alarms with the constants."""
    model = robot_model(robot)
    unsure = as_uncertain(model, robot)
    models, doubted = (
        [with_reference_spread(one, run.spread) for run in runs] for one in (model, unsure or model)
    )
    rows = score_reckoning([run.track for run in runs], models, made.BETWEEN, None, doubted)
    words = []
    for row in rows:
        own = with_verdict(row.model, 2 * len(rows))
        doubt = None if row.doubted is None else with_verdict(row.doubted, 2 * len(rows))
        words.append(with_doubt(own, doubt).word)
    return worst(words)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fitted", type=int, default=6)
    parser.add_argument("--judged", type=int, default=6)
    parser.add_argument("--sets", type=int, default=40)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--calibration", action="store_true", help="the calibration drive")
    chosen = parser.parse_args()
    found: dict[str, Counter[str]] = {name: Counter() for name in CASES}
    for seed in range(chosen.first, chosen.first + chosen.sets):
        both = chosen.fitted + chosen.judged
        if chosen.calibration:
            robot = written_file(logs_of(seed, chosen.fitted))
        else:
            robot = _made_file(seed, chosen.fitted)
        for name, (off, times) in CASES.items():
            if chosen.calibration:
                size = calibration_case().case.robot.errors.heading_bias.spread
                case = case_with(heading_bias={"mean": off * size, "spread": times * size})
                runs = ready(logs_of(seed, both, case)[chosen.fitted :])
            else:
                tracks = _made_runs(seed, 2, chosen.judged, off, times)
                runs = [logged_run(track, made.STATED) for track in tracks]
            off_now = held(robot, runs).found
            found[name]["found"] += bool(off_now)
            found[name]["gyro"] += made.BIAS in [one.key for one in off_now]
            found[name][_windows(robot, runs)] += 1
    print(f"{chosen.sets} sets: a file from {chosen.fitted} runs, held against {chosen.judged} others")
    for name, count in found.items():
        words = ", ".join(f"{word} {n}" for word, n in count.items() if word not in ("found", "gyro"))
        print(f"  {name:<20} off {count['found']:3d}, the gyro's bias {count['gyro']:3d}; windows: {words}")


if __name__ == "__main__":
    main()
