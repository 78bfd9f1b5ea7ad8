"""The way of a reading from the expectation to the fix: the stages in the robot's own order.

It is the same for every kind of reading and whoever asks: the trials, in which the truth is drawn, and the
replay of a log, in which it was measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.trial_memory import CorrectionState
from driftgate.predict.trial_update import Belief, Scalar, Terms, passes_gate, terms_of, update_with
from driftgate.predict.values import BoolArray, Outcome
from driftgate.schema.correction import Correction
from driftgate.sight.stages import Stage, stages


@dataclass(frozen=True)
class Passage:
    """What became of one reading in every trial.

    Attributes
    ----------
    used : ndarray of bool
        Passed every stage.
    refused : ndarray of bool
        Refused by the gate.
    scalar, terms
        What came to the gate; None where no trial got so far.
    """

    used: BoolArray
    refused: BoolArray
    scalar: Scalar | None
    terms: Terms | None


class Acceptance:
    """Gate, persistence, way back and update of a robot, for any batch of trials.

    `reach_m` is how far its outline reaches, for the largest move of a fix.
    """

    def __init__(self, correction: Correction, reach_m: float = 0.0) -> None:
        self.stages: tuple[Stage, ...] = stages(correction)
        self._correction = correction
        self._reach_m = reach_m

    def passage(
        self,
        slot: int,
        alive: BoolArray,
        surface: IntArray,
        memory: CorrectionState,
        valid: Callable[[], IntArray | Outcome],
        heard: Callable[[BoolArray], tuple[BoolArray, Scalar]],
        at_gate: Callable[[Scalar, Terms, BoolArray], None],
        refuse: Callable[[IntArray | Outcome, BoolArray], None],
    ) -> Passage:
        """Put one reading of every trial through the stages, in the robot's order.

        Parameters
        ----------
        slot : int
            Whose reading it is.
        alive : ndarray of bool
            The trials that expect something.
        surface : ndarray of int
            What they expect it to be of.
        memory : CorrectionState
            The robot's memory.
        valid : callable
            Gives the validity test that fails, by trial or for all.
        heard : callable
            Given the trials that listen, those in which something came back and what it is.
        at_gate : callable
            Told what comes to the gate, and in which trials.
        refuse : callable
            Told what each stage refuses, and in which trials, where it refuses any.
        """
        left = np.count_nonzero(alive)
        refused = np.zeros(1, dtype=bool)
        scalar: Scalar | None = None
        terms: Terms | None = None
        counted = False
        for stage in self.stages:
            found: IntArray | Outcome
            if stage is Stage.PERSISTENCE:
                counted = True
                passed = self.persists(slot, alive, surface, memory)
                found = Outcome.HELD_BACK
            elif left == 0:
                break
            elif stage is Stage.VALIDITY:
                found = valid()
                if found is Outcome.ACCEPTED:
                    continue
                passed = alive & np.equal(found, int(Outcome.ACCEPTED))
            elif stage is Stage.ECHO:
                passed, scalar = heard(alive)
                terms = terms_of(scalar, memory)
                found = Outcome.NO_ECHO
            else:
                assert scalar is not None  # the gate comes after the echo
                assert terms is not None
                at_gate(scalar, terms, alive)
                passed = self.gate(scalar, terms, alive, memory)
                refused = alive & ~passed
                found = Outcome.GATE
            before, left = left, np.count_nonzero(passed)
            if left < before:
                refuse(found, alive & ~passed)
            alive = passed
        if not counted:
            memory.interrupt(slot)
        return Passage(alive, refused, scalar, terms)

    def gate(self, scalar: Scalar, terms: Terms, tried: BoolArray, memory: CorrectionState) -> BoolArray:
        """Return which trials pass the gate; refusals in a row lead to the way back."""
        passed = passes_gate(self._correction.gate, scalar, terms, tried)
        memory.way_back(self._correction.way_back, tried & ~passed, passed)
        return passed

    def persists(self, slot: int, passed: BoolArray, surface: IntArray, memory: CorrectionState) -> BoolArray:
        """Return which trials have had enough passes in a row."""
        rule = self._correction.persistence
        return passed if rule is None else memory.persists(slot, passed, surface, rule.readings)

    def update(
        self, scalar: Scalar, terms: Terms, used: BoolArray, p: Belief, memory: CorrectionState
    ) -> FloatArray:
        """Move belief and filter of the trials that use the reading; return by how far. [m]"""
        return update_with(self._correction.update, scalar, terms, used, p, memory, self._reach_m)
