"""How often the intervals of a calibration hold what was put in: known errors in, the same errors out.

    python tests/bench/calibration_coverage.py [--seeds N] [--runs N]

Prints for each number of the calibration drive how often its 95 % interval held the truth, over seeds.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "calibrate"))
from closing import RUNS, closed_loop


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=40)
    parser.add_argument("--runs", type=int, default=RUNS)
    chosen = parser.parse_args()
    held: dict[str, list[bool]] = defaultdict(list)
    width: dict[str, list[float]] = defaultdict(list)
    for seed in range(chosen.seeds):
        for found in closed_loop(seed, chosen.runs)[0]:
            held[found.name].append(found.held)
            width[found.name].append(found.high - found.low)
    print(f"{chosen.seeds} seeds of {chosen.runs} runs: share of 95 % intervals that hold the truth")
    for name, values in held.items():
        print(f"  {name:<32} {np.mean(values):6.3f}   mean width {np.mean(width[name]):.3g}")
    every = np.concatenate([np.array(values) for values in held.values()])
    print(f"  {'all together':<32} {every.mean():6.3f}   of {len(every)}")


if __name__ == "__main__":
    main()
