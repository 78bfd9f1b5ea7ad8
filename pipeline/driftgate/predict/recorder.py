"""What happens in each of a few trials: kept while they run, for their story to be told.

A recorder looks on and changes nothing: a recorded trial is the same, bit for bit, as in a run of all.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.echoes import Echo
from driftgate.predict.trial_motion import Poses
from driftgate.predict.trial_world import TrueWorld
from driftgate.predict.values import BoolArray, Outcome

if TYPE_CHECKING:
    from driftgate.predict.prepared import Prepared

# A reading that the trial did not try.
NOT_TRIED = -1
# What came back: nothing, or what came from no surface. Else an edge, or edges + j for element j.
NO_ECHO, FALSE_RETURN = -2, -1
# What becomes of readings whose echo the robot listens to, or whose echo says whether it was refused wrongly.
_HEARD = (Outcome.ACCEPTED, Outcome.NO_SURFACE, Outcome.NO_ECHO, Outcome.GATE, Outcome.HELD_BACK)

DIFFERENCE, MEAN = 1, 2


class Recorder:
    """Keeps, for n trials, what became of every reading and where every step ended.

    Attributes
    ----------
    deviation : ndarray, shape (constants, n)
        Constants of the run as drawn, less their means; zero for what has no spread. [SI]
    strayed : tuple of (str, ndarray of bool, ndarray, ndarray)
        By element: its id, in which trials it strayed, and where it lies at the start. [m]
    belief, truth : ndarray, shape (steps, 3, n)
        Deviations from the plan at each planned step's end, field axes. [m, m, rad]
    clock_s : ndarray, shape (steps, n)
        The trials' own clocks there. [s]
    outcome : ndarray of int, shape (readings, n)
        `Outcome`, or `NOT_TRIED`.
    expected : ndarray of int, shape (readings, n)
        The believed edge that the reading was held to be of, -1 for none.
    origin : ndarray of int, shape (readings, n)
        The true edge or element that the echo came from; `FALSE_RETURN`; `NO_ECHO` also where no trial
        listened.
    innovation_m, predicted_m : ndarray, shape (readings, n)
        Innovation and its predicted standard deviation at the gate; nan where there was none.
    of_pair : ndarray of int, shape (readings, n)
        `DIFFERENCE` or `MEAN` where these are of what a pair made of two readings: the first has the
        difference, the second the mean; else 0.
    move : ndarray, shape (readings, 3, n)
        By how much the reading moved the belief; of a pair the first reading has it all. [m, m, rad]
    """

    def __init__(self, prepared: Prepared, count: int) -> None:
        readings, steps = len(prepared.plan.timeline.readings.knot), len(prepared.plan.steps)
        self.deviation: FloatArray = np.zeros((0, count))
        self.strayed: tuple[tuple[str, BoolArray, FloatArray, FloatArray], ...] = ()
        self.belief, self.truth = np.zeros((steps, 3, count)), np.zeros((steps, 3, count))
        self.clock_s = np.zeros((steps, count))
        self.outcome: IntArray = np.full((readings, count), NOT_TRIED, dtype=np.intp)
        self.expected: IntArray = np.full((readings, count), -1, dtype=np.intp)
        self.origin: IntArray = np.full((readings, count), NO_ECHO, dtype=np.intp)
        self.innovation_m = np.full((readings, count), np.nan)
        self.predicted_m = np.full((readings, count), np.nan)
        self.of_pair: IntArray = np.zeros((readings, count), dtype=np.intp)
        self.move = np.zeros((readings, 3, count))
        self._fixed = np.zeros((3, count))
        self._who: IntArray | None = None

    def started(self, deviation: Sequence[FloatArray | None], world: TrueWorld) -> None:
        """Keep what is drawn once a trial."""
        count = self._fixed.shape[1]
        self.deviation = np.array([np.zeros(count) if d is None else d for d in deviation])
        self.deviation = self.deviation.reshape(len(deviation), count)
        strayed = []
        for element in world.elements:
            did = np.zeros(count, dtype=bool)
            did[element.strayed] = True
            strayed.append((element.source.id, did, element.x, element.y))
        self.strayed = tuple(strayed)

    def moved(self, knot: int, p: Poses, clock_s: FloatArray) -> None:
        """Hear of the poses at a knot before anything is read there; of a contact step, at its end alone."""

    def corrected(self, knot: int, p: Poses) -> None:
        """Hear of the poses at a knot when all that arrives there has been read."""

    def touched(self, knot: IntArray) -> None:
        """Hear, when all is over, at which knot each trial first touched what it should not; -1: never."""

    def step_ended(self, step: int, p: Poses, clock_s: FloatArray) -> None:
        """Keep where a planned step ended."""
        for i, (belief, truth) in enumerate(((p.bx, p.xx), (p.by, p.xy), (p.bh, p.xh))):
            self.belief[step, i], self.truth[step, i] = belief, truth
        self.clock_s[step] = clock_s

    def reading(
        self,
        r: int,
        which: BoolArray,
        outcome: IntArray,
        expected: IntArray,
        echo_of: Callable[[], Echo],
        at_gate: tuple[FloatArray, FloatArray] | None,
        fixed: Sequence[FloatArray],
        of_pair: int = 0,
    ) -> None:
        """Keep what became of reading r in some trials.

        Parameters
        ----------
        r : int
            The reading.
        which : ndarray of bool
            The trials.
        outcome, expected : ndarray of int
            `Outcome`, and the believed edge that it should be of.
        echo_of : callable
            Gives what came back; asked only if some trial listened.
        at_gate : tuple of ndarray, optional
            Innovation and its predicted variance. [m, m^2]
        fixed : sequence of ndarray
            Sum of all fixes so far, this one included; field axes.
        of_pair : int
            `DIFFERENCE` or `MEAN` for the two readings of a pair.
        """
        at = np.flatnonzero(which)
        to = self._columns(at)
        self.outcome[r, to], self.expected[r, to] = outcome[at], expected[at]
        if np.isin(outcome[at], _HEARD).any():
            echo = echo_of()
            self.origin[r, to] = np.where(np.isnan(echo.reading_m), NO_ECHO, echo.surface)[at]
        self.of_pair[r, to] = of_pair
        if at_gate is not None:
            reached = (outcome[at] == Outcome.ACCEPTED) | (outcome[at] == Outcome.GATE)
            self.innovation_m[r, to[reached]] = at_gate[0][at[reached]]
            self.predicted_m[r, to[reached]] = np.sqrt(at_gate[1][at[reached]])
        now = np.array([np.broadcast_to(part, outcome.shape)[at] for part in fixed])
        self.move[r][:, to] = now - self._fixed[:, to]
        self._fixed[:, to] = now

    def _columns(self, at: IntArray) -> IntArray:
        """Return where trials of this part stand in the arrays."""
        return at if self._who is None else self._who[at]

    def part(self, who: IntArray) -> Recorder:
        """Return a recorder for readings that only some of the trials take, which are told alone."""
        own = copy.copy(self)
        own._who = who
        return own
