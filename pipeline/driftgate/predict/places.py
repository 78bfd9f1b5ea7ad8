"""Where the strayed elements of each trial lie, beside what the trials come to."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.prepared import Prepared
from driftgate.predict.recorder import Recorder
from driftgate.predict.trial_motion import Poses
from driftgate.predict.trial_world import TrueWorld
from driftgate.predict.trials_engine import run_recorded
from driftgate.predict.values import BoolArray, TrialsResult


class _Places(Recorder):
    """Keeps what is drawn once a trial and nothing else."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.strayed = ()

    def started(self, deviation: Sequence[FloatArray | None], world: TrueWorld) -> None:
        """Keep where the elements lie at the start; they may be pushed later."""
        found = []
        for element in world.elements:
            did = np.zeros(self.count, dtype=bool)
            did[element.strayed] = True
            found.append((element.source.id, did, element.x.copy(), element.y.copy()))
        self.strayed = tuple(found)

    def step_ended(self, step: int, p: Poses, clock_s: FloatArray) -> None:
        """Keep nothing."""

    def reading(self, *of_reading: Any, **more: Any) -> None:
        """Keep nothing."""


def places_of_strays(
    prepared: Prepared, element_id: str, numbers: IntArray, seed: int
) -> tuple[TrialsResult, FloatArray, FloatArray, BoolArray]:
    """Return chosen trials, and where an element lies in each of them.

    Parameters
    ----------
    prepared : Prepared
        The case.
    element_id : str
        The element, one of the true map.
    numbers : ndarray of int, shape (n,)
        Numbers of the trials, rising.
    seed : int
        Of the run.

    Returns
    -------
    TrialsResult
        As in a run of all.
    x, y : ndarray, shape (n,)
        Where the element lies at the start. [m]
    strayed : ndarray of bool, shape (n,)
        In which trials it strayed.
    """
    places = _Places(len(numbers))
    trials = run_recorded(prepared, numbers, seed, places)
    _, strayed, x, y = next(row for row in places.strayed if row[0] == element_id)
    return trials, x, y, strayed
