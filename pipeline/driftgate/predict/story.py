"""Chosen trials run again, with everything that happens in them kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.prepared import Prepared
from driftgate.predict.recorder import Recorder
from driftgate.predict.sources import SourceTable, source_table
from driftgate.predict.trials_engine import TrialsPlan, run_recorded
from driftgate.predict.values import BoolArray, TrialsResult


@dataclass(frozen=True)
class Replay:
    """Trials run again.

    Attributes
    ----------
    numbers : ndarray of int, shape (n,)
        Which, rising.
    trials : TrialsResult
        What came of them: the same, bit for bit, as in a run of all.
    record : Recorder
        What happened in them.
    table : SourceTable
        The error sources, whose constants `record.deviation` follows.
    true_index : ndarray of int
        Index of the true edge of each believed one.
    """

    numbers: IntArray
    trials: TrialsResult
    record: Recorder
    table: SourceTable
    true_index: IntArray

    def drawn(self) -> FloatArray:
        """Return the constants as multiples of their spread, shape (constants, n)."""
        spread = np.array([c.spread for c in self.table.constants])
        return self.record.deviation / np.where(spread > 0.0, spread, 1.0)[:, None]

    def right(self) -> BoolArray:
        """Return which readings came from the surface that they were held to be of, shape (readings, n)."""
        expected = self.record.expected
        return np.asarray((expected >= 0) & (self.record.origin == self.true_index[expected]))


def replay(
    prepared: Prepared,
    numbers: IntArray,
    seed: int,
    shared: TrialsPlan | None = None,
    recorder: Recorder | None = None,
) -> Replay:
    """Run chosen trials of a run again and keep what happens in them.

    Parameters
    ----------
    prepared : Prepared
        The case.
    numbers : ndarray of int, shape (n,)
        Numbers of the trials, rising, at least one.
    seed : int
        Seed of the run.
    shared : TrialsPlan, optional
        What `trials_plan` gave for this case.
    recorder : Recorder, optional
        One that keeps more, for as many trials.

    Raises
    ------
    ModelError
        If the numbers do not rise from 0 or more.
    """
    numbers = np.asarray(numbers, dtype=np.intp)
    record = Recorder(prepared, len(numbers)) if recorder is None else recorder
    trials = run_recorded(prepared, numbers, seed, record, shared)
    index = {e.id: i for i, e in enumerate(prepared.true.edges)}
    true_index = np.array([index[e.id] for e in prepared.believed.edges], dtype=np.intp)
    return Replay(numbers, trials, record, source_table(prepared.case), true_index)
