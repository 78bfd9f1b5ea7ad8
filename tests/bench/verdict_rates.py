"""How often the command's verdicts are false, and how many trials they take.

Runs `driftgate check`'s own path over many seeds on a routine whose success probability is known on
paper (tests/run/known_routine.py), at and around what is required, and prints for each truth how often
the verdict was pass, fail and undecided, how many trials that took, and what a fixed number of trials,
judged once by exact bounds, would need. The columns "exact" come from a recursion over the same looks
and share nothing with the run but the bounds.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections import Counter
from functools import cache
from pathlib import Path
from statistics import NormalDist

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path += [str(ROOT / "tests/run"), str(ROOT / "tests/judge")]

from crossing import binomial_pmf, crossings  # noqa: E402  (tests/judge)
from known_routine import write_known  # noqa: E402  (tests/run)

from driftgate.judge import anytime, bounds  # noqa: E402
from driftgate.judge.sampling import planned_looks  # noqa: E402
from driftgate.run.check import CheckSettings, check_routines  # noqa: E402

# Failures against what may fail: twice as many, ..., none to speak of.
RATIOS = (3.0, 2.0, 1.5, 1.2, 1.0, 0.8, 0.67, 0.5, 0.33, 0.1)
TOLERANCES = 2  # the end, and contact


def command_runs(folder: Path, required: float, truth: float, seeds: int, most: int) -> tuple[Counter, list]:
    """Return how often each verdict came out over the seeds, and the trials of each run."""
    os.chdir(folder)
    write_known(folder, required, NormalDist().inv_cdf(0.5 + 0.5 * truth))
    statuses: Counter = Counter()
    trials = []
    for seed in range(seeds):
        (case,) = check_routines(CheckSettings(trials=most, seed=seed)).cases
        statuses[case.verdict.moments[-1].status] += 1
        trials.append(case.verdict.success.trials)
    return statuses, trials


@cache
def edges(required: float, confidence: float, most: int) -> dict[int, tuple[int, int]]:
    """Return for each look the most successes that fail and the fewest that pass."""
    fail = 1.0 - (1.0 - confidence) / TOLERANCES
    found = {}
    for n in planned_looks(most):
        passing = anytime.bounding_rank(n, required, confidence) or n + 1
        failing = n - (anytime.bounding_rank(n, 1.0 - required, fail) or n + 1)
        found[n] = (failing, passing)
    return found


def exact(required: float, truth: float, confidence: float, most: int) -> tuple[float, float, float]:
    """Return the probabilities of pass and fail, and the mean number of trials."""
    at = edges(required, confidence, most)
    ended = crossings(truth, at, lambda n, s: (s <= at[n][0]) | (s >= at[n][1]))
    passing = sum(float(part[at[n][1] :].sum()) for n, part in ended)
    failing = sum(float(part[: at[n][0] + 1].sum()) for n, part in ended if at[n][0] >= 0)
    mean = sum(n * float(part.sum()) for n, part in ended) + most * (1.0 - passing - failing)
    return passing, failing, mean


def fixed_chance(required: float, truth: float, confidence: float, trials: int) -> float:
    """Return how likely a fixed number of trials, judged once by exact bounds, is to decide rightly."""
    pmf = binomial_pmf(trials, truth)
    if truth > required:
        least = bounds.bounding_rank(trials, required, confidence)
        return 0.0 if least is None else float(pmf[least:].sum())
    fail = 1.0 - (1.0 - confidence) / TOLERANCES
    most = bounds.bounding_rank(trials, 1.0 - required, fail)
    return 0.0 if most is None else float(pmf[: trials - most + 1].sum())


def fixed_trials(required: float, truth: float, confidence: float, chance: float) -> int:
    """Return about how many trials a fixed sample needs to be so likely to decide rightly."""
    trials = 50
    while fixed_chance(required, truth, confidence, trials) < chance:
        trials = int(trials * 1.04) + 1
    return trials


HEADER = (
    "required   truth    pass   exact    fail   exact  undecided  mean trials   exact  90 % below"
    "   fixed  fixed 4000"
)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=400)
    parser.add_argument("--most", type=int, default=20_000)
    parser.add_argument("--required", type=float, nargs="+", default=[0.9, 0.99])
    arguments = parser.parse_args()
    confidence, most = CheckSettings.confidence, arguments.most
    print(f"{arguments.seeds} seeds, at most {most} trials, confidence {confidence:.0%}")
    print(
        "fixed: trials with which one exact look decides rightly as often, or in 90 % of runs if that is less"
    )
    print("fixed 4000: how often 4000 trials and one exact look decide rightly")
    print(HEADER)
    with tempfile.TemporaryDirectory() as name:
        for required in arguments.required:
            for ratio in RATIOS:
                truth = 1.0 - ratio * (1.0 - required)
                statuses, trials = command_runs(Path(name), required, truth, arguments.seeds, most)
                passing, failing, mean = exact(required, truth, confidence, most)
                share = {s: statuses[s] / arguments.seeds for s in ("pass", "fail", "undecided")}
                words = (
                    f"{required:8.3f} {truth:7.4f}  {share['pass']:6.1%} {passing:7.2%}  "
                    f"{share['fail']:6.1%} {failing:7.2%}  {share['undecided']:9.1%}  "
                    f"{np.mean(trials):11.0f} {mean:7.0f}  {np.quantile(trials, 0.9):10.0f}"
                )
                if ratio != 1.0:
                    right = passing if truth > required else failing
                    words += f"  {fixed_trials(required, truth, confidence, min(0.9, right)):6}"
                    words += f"  {fixed_chance(required, truth, confidence, 4000):10.1%}"
                print(words, flush=True)


if __name__ == "__main__":
    main()
