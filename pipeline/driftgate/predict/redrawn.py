"""The same trials several times over, each time with other luck in some error sources, as one batch.

A batch costs nearly as much with two thousand trials as with four thousand, and of the draws of most sources
all of them have the same: they are made once.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.predict.prepared import Prepared
from driftgate.predict.sources import TITLES, source_of
from driftgate.predict.streams import Streams
from driftgate.predict.trials_engine import run_recorded
from driftgate.predict.values import TrialsResult


class RedrawnStreams(Streams):
    """The draws of trials first .. first + count - 1, once for each set of redrawn sources, in one row.

    Parameters
    ----------
    seed, first, count : int
        As `Streams`.
    redrawn : sequence of frozenset of str
        Error sources that draw from the second stream, each time.
    """

    def __init__(self, seed: int, first: int, count: int, redrawn: Sequence[frozenset[str]]) -> None:
        self._plain = Streams(seed, first, count)
        self._again = Streams(seed, first, count, frozenset(TITLES))
        self._sets = tuple(redrawn)

    def uniforms(self, source: str, place: str, index: int) -> tuple[FloatArray, FloatArray]:
        """Return two independent uniforms per trial of every run."""
        plain, again = self._which(source)
        none = np.empty(0), np.empty(0)
        one = self._plain.uniforms(source, place, index) if plain else none
        other = self._again.uniforms(source, place, index) if again else none
        return self._told(source, one[0], other[0]), self._told(source, one[1], other[1])

    def normals(self, source: str, place: str, index: int) -> FloatArray:
        """Return one standard normal per trial of every run, to be read only."""
        plain, again = self._which(source)
        one = self._plain.normals(source, place, index) if plain else np.empty(0)
        other = self._again.normals(source, place, index) if again else np.empty(0)
        found = self._told(source, one, other)
        found.flags.writeable = False
        return found

    def _which(self, source: str) -> tuple[bool, bool]:
        """Return whether any run takes the first stream of a source, and whether any takes the second."""
        redrawn = [source_of(source) in each for each in self._sets]
        return not all(redrawn), any(redrawn)

    def _told(self, source: str, plain: FloatArray, again: FloatArray) -> FloatArray:
        own = source_of(source)
        return np.concatenate([again if own in each else plain for each in self._sets])


def run_redrawn(
    prepared: Prepared, trials: int, seed: int, first: int, redrawn: Sequence[frozenset[str]]
) -> TrialsResult:
    """Return the outcome of trials first .. first + trials - 1 for each set of redrawn sources, in one row.

    What stands of each trial is as `run_trials` has it with that set; what is counted is of all of them.

    Parameters
    ----------
    prepared : Prepared
        The case with plan, geometry and sight lines.
    trials, seed, first : int
        As `run_trials`.
    redrawn : sequence of frozenset of str
        Error sources that draw from a second stream, each time.
    """
    streams = RedrawnStreams(seed, first, trials, redrawn)
    return run_recorded(prepared, np.arange(trials * len(redrawn)), seed, None, streams=streams)
