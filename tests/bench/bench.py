"""Time the trials engine, its peers and a cold start; `nox -s bench`.

Absolute figures depend on the machine and on what else it does. What carries over are the ratios, which
are taken between runs of one process, in turns, in processor time.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any
from unittest.mock import patch

import casters
import numpy as np
import processes
from plain_loop import PlainLoop, draw
from workload import (
    DIFFERS,
    ROOT,
    case_of,
    more_rooms,
    own_features,
    own_variants,
    rounder_pillars,
    surfaces,
    variants,
    workload,
)

from driftgate.predict import Prepared, covariance, prepare, run_trials
from driftgate.predict.trials_engine import DEFAULT_BATCH as BATCH
from driftgate.predict.trials_engine import TrialsPlan, trials_plan

SEED = 1
FEW = 64


def best(work: Callable[[], Any], rounds: int = 3) -> float:
    """Return the processor time of a call, the best of a few. [s]"""
    found = float("inf")
    for _ in range(rounds):
        begin = time.process_time()
        work()
        found = min(found, time.process_time() - begin)
    return found


def shipped(quick: bool) -> list[str]:
    """Return the shipped routines' lines."""
    lines = [
        f"  {'routine':26} {'plan':>6} {'covariance':>11} {'trials/s':>9} {'ns a tick':>10} "
        f"{'ns a reading':>13}"
    ]
    for path in sorted((ROOT / "routines").glob("*.yaml")):
        prepared = prepare(case_of(ROOT, f"routines/{path.name}"))
        timeline = prepared.plan.timeline
        case = prepared.case
        plan_s = best(lambda case=case: prepare(case), 1)
        covariance_s = best(lambda prepared=prepared: covariance(prepared), 1)
        run = best(lambda prepared=prepared: run_trials(prepared, BATCH, SEED), 1 if quick else 2) / BATCH
        lines.append(
            f"  {path.name:26} {plan_s * 1e3:3.0f} ms {covariance_s * 1e3:8.0f} ms {1.0 / run:9.0f} "
            f"{run / len(timeline.twist) * 1e9:10.0f} {run / len(timeline.readings.knot) * 1e9:13.0f}"
        )
    return lines


@contextmanager
def nothing_culled() -> Iterator[None]:
    """Keep every surface a candidate for every beam."""

    def everything(*arguments: Any) -> Any:
        return np.ones((len(np.atleast_1d(arguments[0])), len(arguments[7])), dtype=bool)

    def nothing(*arguments: Any) -> Any:
        return np.zeros((len(np.atleast_1d(arguments[0])), len(arguments[3])), dtype=bool)

    changed = {
        "candidates_for_beam": everything,
        "candidates_for_disc": everything,
        "seen_from_behind": nothing,
    }
    patches = [
        patch.object(module, name, instead)
        for key, module in sorted(sys.modules.items())
        if key.startswith("driftgate.predict")
        for name, instead in changed.items()
        if hasattr(module, name)
    ]
    for change in patches:
        change.start()
    try:
        yield
    finally:
        for change in patches:
            change.stop()


def against_peers(prepared: Prepared, quick: bool) -> list[str]:
    """Return W's lines: the engine, the same with nothing culled, and the plain loop."""
    timeline = prepared.plan.timeline
    loops, trials = (3, BATCH) if quick else (12, 2 * BATCH)
    luck = draw(prepared, loops, SEED)
    eager, lazy = PlainLoop(prepared, luck), PlainLoop(prepared, luck, eager=False)
    own = own_features()
    own_loop = PlainLoop(own, luck)
    engine_s = eager_s = lazy_s = every_s = own_s = own_loop_s = float("inf")
    ends: list[Any] = []
    with nothing_culled():
        every_s = best(lambda: run_trials(prepared, BATCH // 4, SEED), 1) / (BATCH // 4)
    for turn in range(2 if quick else 3):  # in turns, so that all see the same machine
        engine_s = min(engine_s, best(lambda: run_trials(prepared, trials, SEED), 1) / trials)
        eager_s = min(eager_s, best(lambda: ends.extend(map(eager.run, range(loops))), 1) / loops)
        lazy_s = min(lazy_s, best(lambda: [lazy.run(t) for t in range(loops)], 1) / loops) if turn else lazy_s
        own_s = min(own_s, best(lambda: run_trials(own, trials, SEED), 1) / trials)
        own_loop_s = min(own_loop_s, best(lambda: [own_loop.run(t) for t in range(loops)], 1) / loops)
    result = run_trials(prepared, BATCH, SEED)
    theirs, same = np.array(ends[:loops]), result.moments[-1].error[:loops]
    off = np.hypot(*(theirs - same)[:, :2].T)
    counts = result.counts.sum(axis=(0, 1)) / BATCH
    lines = [
        f"  {len(timeline.twist)} ticks, {len(timeline.readings.knot)} readings, {surfaces(prepared)} "
        f"surfaces; {counts[0]:.0f} readings accepted a trial",
        f"  {'':44} {'us a trial':>10} {'ns a tick':>10} {'ns a reading':>13} {'engine is':>10}",
    ]
    for name, taken in (
        ("driftgate, one thread", engine_s),
        ("the same, every surface for every beam", every_s),
        ("Python loop, shapely, both casts a reading", eager_s),
        ("the same, no cast that is refused unseen", lazy_s),
    ):
        lines.append(
            f"  {name:44} {taken * 1e6:10.0f} {taken / len(timeline.twist) * 1e9:10.0f} "
            f"{taken / len(timeline.readings.knot) * 1e9:13.0f} {taken / engine_s:9.0f}x"
        )
    fixes = run_trials(own, BATCH, SEED).counts.sum(axis=(0, 1))[0] / BATCH
    lines.append(
        f"  W's own features ({fixes:.0f} accepted): {own_s * 1e6:.0f} us a trial, "
        f"the loop {own_loop_s * 1e6:.0f}: {own_loop_s / own_s:.0f}x"
    )
    lines.append(
        f"  {1.0 / engine_s:.0f} trials/s. The loop draws the engine's numbers: of {loops} trials half end"
    )
    lines.append(
        f"  within {np.median(off):.0e} m of the engine's, the worst {off.max():.0e} m; standard deviations "
        + ", ".join(
            f"{a * 1e3:.2f} and {b * 1e3:.2f}" for a, b in zip(theirs.std(0), same.std(0), strict=True)
        )
        + " (mm, mm, mrad)."
    )
    return lines


def curve(quick: bool) -> list[str]:
    """Return the cost by the number of surfaces on the map: of a trial, and of what a run does once."""
    heads = f"{'once, ms':>9} {'us a trial':>10} {'ns a reading':>13} {'over first':>10}"
    lines = [f"  {'map':30} {'surfaces':>9} {heads}"]
    maps = [(f"{n} rooms, drives in one", more_rooms(n)) for n in (1, 2, 4, 8)]
    maps += [(f"one room, pillars of {n} sides", rounder_pillars(n)) for n in (12, 24, 60)]
    first, times = [float("inf")] * len(maps), [float("inf")] * len(maps)
    for _ in range(2 if quick else 4):
        for i, (_, prepared) in enumerate(maps):
            shared = trials_plan(prepared)
            # What may be met is worked out when a first batch asks for it.
            first[i] = min(first[i], _of_few(prepared, None) - _of_few(prepared, shared, 2))
            times[i] = min(
                times[i], best(lambda p=prepared, s=shared: run_trials(p, BATCH, SEED, shared=s), 1) / BATCH
            )
    for (name, prepared), once, taken in zip(maps, first, times, strict=True):
        lines.append(
            f"  {name:30} {surfaces(prepared):9} {once * 1e3:9.0f} {taken * 1e6:10.0f} "
            f"{taken / len(prepared.plan.timeline.readings.knot) * 1e9:13.0f} {taken / times[0]:9.2f}x"
        )
    return lines


def _of_few(prepared: Prepared, shared: TrialsPlan | None, rounds: int = 1) -> float:
    """Return the time of a few trials; with a plan that was used before, nothing is left to do once. [s]"""
    return best(lambda: run_trials(prepared, FEW, SEED, shared=shared), rounds)


def dearer(prepared: Prepared, quick: bool) -> list[str]:
    """Return what W costs with more in it, as a ratio to W, in turns."""
    trials = BATCH // 2 if quick else BATCH
    lines = [f"  {'W with':34} {'us a trial':>10} {'over W':>8}"]
    for cases in ({"W": prepared, **variants()}, own_variants()):
        times = dict.fromkeys(cases, float("inf"))
        for _ in range(2 if quick else 3):
            for name, case in cases.items():
                times[name] = min(times[name], best(lambda c=case: run_trials(c, trials, SEED), 1) / trials)
        plain = next(iter(times.values()))
        lines += [f"  {name:34} {taken * 1e6:10.0f} {taken / plain:7.2f}x" for name, taken in times.items()]
    return lines


def main() -> None:
    """Print one section after the other."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer trials: about a minute")
    parser.add_argument("--only", nargs="*", help="sections to run, by their first word")
    arguments = parser.parse_args()
    quick = arguments.quick
    w = workload()
    sections: list[tuple[str, Callable[[], list[str]]]] = [
        ("W: one core, peers in the same process", lambda: against_peers(w, quick)),
        ("curve: W on maps with more surfaces", lambda: curve(quick)),
        ("dearer: W with more in it", lambda: dearer(w, quick)),
        ("rays: casting alone, one core", lambda: casters.compare(w, quick)),
        ("routines: those that are shipped, one core", lambda: shipped(quick)),
        (f"memory: {processes.SHORT}, one process each", lambda: processes.memory(quick)),
        ("workers: two processes against one", lambda: processes.workers(quick)),
        ("cold start, in fresh processes", lambda: processes.cold_start(quick)),
    ]
    for title, lines in sections:
        if arguments.only and title.split()[0].rstrip(":") not in arguments.only:
            continue
        print(f"\n{title}", flush=True)
        for line in lines():
            print(line, flush=True)
        if title.startswith("W:"):
            print("\n".join(f"  {line}" for line in DIFFERS.splitlines()))


if __name__ == "__main__":
    main()
