"""How often the intervals of a calibration hold what was put in: known errors in, the same errors out.

    python tests/bench/calibration_coverage.py [--seeds N] [--first N] [--runs N] [--sideways]

Prints for each number of the calibration drive how often its 95 % interval held the truth, over seeds; with
`--sideways` for a robot with a wheel for each direction, on a drive with sidesteps. Chance makes some of so
many numbers look bad: one is below its bound if as few hits had a chance of less than 5 % in any of them,
were all intervals right (Bonferroni), and then the exit status is 1.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "calibrate"))
from closing import RUNS, closed_loop
from sidestepping import sideways_case


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=40)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--runs", type=int, default=RUNS)
    parser.add_argument("--sideways", action="store_true", help="the drive with sidesteps")
    chosen = parser.parse_args()
    case = sideways_case() if chosen.sideways else None
    held: dict[str, list[bool]] = defaultdict(list)
    width: dict[str, list[float]] = defaultdict(list)
    for seed in range(chosen.first, chosen.first + chosen.seeds):
        for found in closed_loop(seed, chosen.runs, of=case)[0]:
            held[found.name].append(found.held)
            width[found.name].append(found.high - found.low)
    print(f"{chosen.seeds} seeds of {chosen.runs} runs: share of 95 % intervals that hold the truth")
    below = 0
    for name, values in held.items():
        few = stats.binom(len(values), 0.95).cdf(sum(values)) < 0.05 / len(held)
        below += few
        mark = "  below its bound" if few else ""
        print(f"  {name:<32} {np.mean(values):6.3f}   mean width {np.mean(width[name]):.3g}{mark}")
    every = np.concatenate([np.array(values) for values in held.values()])
    print(
        f"  {'all together':<32} {every.mean():6.3f}   of {len(every)}, {below} of {len(held)} numbers below"
    )
    sys.exit(1 if below else 0)


if __name__ == "__main__":
    main()
