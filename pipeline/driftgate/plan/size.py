"""How large a plan may be: what a file of strangers may ask of memory and time.

The work of the later stages grows with the number of instants, of readings, and of readings and ticks
times surfaces. `tests/bench/worst.py` measures what the largest plans cost that are let through.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np

from driftgate.plan.curve import CurveMotion
from driftgate.plan.values import PlanFinding, PlannedStep, Timeline
from driftgate.schema.case import Case
from driftgate.schema.fieldmap import surfaces_of

MOST_STEPS: Final = 10_000
# Nodes of the tables of all curves together: a kilometre of curves at the usual 5 mm.
MOST_NODES: Final = 200_000
# Instants: ticks, echoes and arrivals. Ten minutes of eight sensors at 10 Hz.
MOST_INSTANTS: Final = 100_000
# Readings, and ticks of motion, times the surfaces on the map: a routine of a minute with eight sensors at
# 20 Hz on a field of 100 surfaces has two thirds of them.
MOST_PAIRS: Final = 1_500_000
# How far the robot moves or turns for this, looked at every 10 mm for what it may touch, times surfaces.
MOST_LOOKED_AT: Final = 40_000_000
# Places of all things that the robot pushes along.
MOST_PUSHES: Final = 5_000


def nodes_of(steps: Iterable[PlannedStep]) -> int:
    """Return how many nodes the tables of the curves among some steps have."""
    return sum(step.motion.u.size for step in steps if isinstance(step.motion, CurveMotion))


def size_findings(case: Case, timeline: Timeline, looks: int) -> list[PlanFinding]:
    """Return DG210 if later stages would have too much to look at.

    Parameters
    ----------
    case : Case
        For both of its maps.
    timeline : Timeline
        The ticks and readings of its plan.
    looks : int
        At how many poses the outline of the robot is held against what it may touch.
    """
    surfaces = max(surfaces_of(case.believed), surfaces_of(case.true))
    readings, ticks = timeline.readings.knot.size, int(np.count_nonzero(timeline.moving))
    pairs = (readings + ticks) * surfaces
    if pairs > MOST_PAIRS:
        message = (
            f"{readings} readings and {ticks} ticks of motion on a map of {surfaces} surfaces are {pairs}"
            f" pairs to look at, more than {MOST_PAIRS}"
        )
        return [_too_much(message, "draw the map with fewer corners, or read less often")]
    if looks * surfaces > MOST_LOOKED_AT:
        message = (
            f"{looks} poses on the way and a map of {surfaces} surfaces are {looks * surfaces} pairs to look"
            f" at, more than {MOST_LOOKED_AT}"
        )
        return [_too_much(message, "draw the map with fewer corners, or split the routine")]
    return []


def _too_much(message: str, advice: str) -> PlanFinding:
    return PlanFinding("DG210", ("steps",), message, "error", advice)


def too_many_steps() -> PlanFinding:
    """Return DG209 for a routine of more steps than are planned."""
    message = (
        f"with its repetitions unrolled the routine has more than {MOST_STEPS} steps; no more are planned"
    )
    return PlanFinding("DG209", ("steps",), message)


def too_many_nodes(step: PlannedStep) -> PlanFinding:
    """Return DG209 for curves too long to be planned."""
    message = f"the routine's curves are too long: their tables have more than {MOST_NODES} nodes in all"
    return PlanFinding("DG209", step.doc_path, message, "error", "shorten the curves, or split the routine")


def too_many_instants(instants: float) -> PlanFinding:
    """Return DG209 for a plan of too many instants."""
    message = (
        f"the plan would have about {instants:.3g} instants, more than {MOST_INSTANTS}: it is too long for"
        " its tick and its sensors' rates"
    )
    return PlanFinding("DG209", ("steps",), message)


def too_many_pushes(thing: str) -> PlanFinding:
    """Return DG210 for things that are pushed too far."""
    message = f"the robot pushes '{thing}' on and on: things would have more than {MOST_PUSHES} places in all"
    return _too_much(message, "push less far, or use a longer tick")
