"""The robot's correction model in every trial: association, then the stages in the robot's own order.

Each trial has its own belief and its own filter. The stages look at the belief and at the map that the
robot carries, never at the truth; the truth is used only to count what was wrongly accepted or refused.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.acceptance import Acceptance
from driftgate.predict.echoes import Echo
from driftgate.predict.filter import (
    ReadingVariance,
    reading_variances,
)
from driftgate.predict.filter_model import FilterModel
from driftgate.predict.prepared import Prepared
from driftgate.predict.recorder import DIFFERENCE, MEAN
from driftgate.predict.trial_expect import Expected, Looks
from driftgate.predict.trial_memory import CorrectionState, Tally, empty_tally
from driftgate.predict.trial_motion import Poses
from driftgate.predict.trial_update import (
    Scalar,
    Terms,
    one_reading,
    start_memory,
    terms_of,
    two_readings,
)
from driftgate.predict.values import BoolArray, Outcome
from driftgate.sight.pairs import Partner, Slots, partners, slots
from driftgate.sight.stages import Stage
from driftgate.sight.values import Reason
from driftgate.world.footprint import footprint_reach_m

Belief = tuple[FloatArray, FloatArray, FloatArray]
_NOBODY: BoolArray = np.zeros(1, dtype=bool)


class Corrector:
    """The correction model of a case, for any batch of trials."""

    def __init__(self, prepared: Prepared, model: FilterModel, knots: IntArray) -> None:
        robot = prepared.case.robot
        self._prepared = prepared
        self._variances: tuple[ReadingVariance, ...] = reading_variances(model)
        self._looks = Looks(prepared, knots)
        readings = prepared.plan.timeline.readings
        self._places: list[tuple[int, int]] = list(
            zip(readings.sensor.tolist(), readings.step.tolist(), strict=True)
        )
        self._all: BoolArray = np.ones(0, dtype=bool)
        untried = (int(Reason.SWITCHED_OFF), int(Reason.IN_CONTACT))
        self._skips = [Outcome(v) if v in untried else None for v in prepared.sight.reason.tolist()]
        self._acceptance = Acceptance(robot.correction, footprint_reach_m(robot.footprint))
        self._stages: tuple[Stage, ...] = self._acceptance.stages
        self._slots: Slots = slots(robot)
        self._partners: dict[int, Partner] = partners(robot, prepared.plan.timeline.readings)
        index = {e.id: i for i, e in enumerate(prepared.true.edges)}
        self._true_index = np.array([index[e.id] for e in prepared.believed.edges], dtype=np.intp)

    def tally(self) -> Tally:
        """Return empty counts."""
        prepared = self._prepared
        sensors, slots = len(prepared.case.robot.sensors), len(self._slots.names)
        return empty_tally(sensors, slots, len(prepared.plan.steps), len(prepared.moments))

    def memory(self, model: FilterModel, count: int) -> CorrectionState:
        """Return the robot's memory before the first reading."""
        return start_memory(model, count, len(self._slots.names))

    def slot(self, r: int) -> int:
        """Return the slot of a reading that is taken alone: its sensor."""
        return self._places[r][0]

    def skips(self, r: int) -> Outcome | None:
        """Return the outcome of a reading that no trial tries, None if it is tried."""
        return self._skips[r]

    def skip(self, r: int, outcome: Outcome, memory: CorrectionState, tally: Tally) -> None:
        """Count a reading that no trial tries."""
        readings = self._prepared.plan.timeline.readings
        sensor = int(readings.sensor[r])
        tally.counts[sensor, readings.step[r], outcome] += len(memory.refusals)
        memory.interrupt(sensor)
        if r in self._partners:
            self._break_pair(self._partners[r], memory)

    def partner(self, r: int) -> int:
        """Return the reading that may make a pair with this one, the first of two at an instant; else -1."""
        partner = self._partners.get(r)
        return -1 if partner is None or self.skips(partner.reading) is not None else partner.reading

    def read(
        self,
        r: int,
        echo_of: Callable[[], Echo],
        p: Poses,
        then: Belief,
        memory: CorrectionState,
        tally: Tally,
        partner_echo: Callable[[], Echo] | None = None,
    ) -> None:
        """Put one reading of every trial through the stages; fixes move the belief in place.

        Trials in which the reading is taken together with its partner are left to `_read_pair`.

        Parameters
        ----------
        r : int
            The reading.
        echo_of : callable
            Gives what came back; asked only if some trial needs it.
        p : Poses
            The poses at arrival.
        then : tuple of ndarray
            The belief's deviation that the reading is compared with: now, or where latency is
            compensated that of the echo, corrected by the fixes since.
        memory, tally
            The robot's memory, and the counts.
        partner_echo : callable, optional
            For the first of two readings of a pair what came back to the second, see `partner`.
        """
        if partner_echo is not None:
            self._read_pair(r, (echo_of, partner_echo), p, then, memory, tally)
        sensor, step = self._places[r]
        taken = memory.paired.pop(r, None)
        mine = self._everyone(len(memory.refusals)) if taken is None else ~taken
        if taken is None and r in self._partners:
            self._break_pair(self._partners[r], memory)
        if taken is not None and not mine.any():
            memory.interrupt(sensor)
            return
        if taken is None and self._stages[0] is Stage.VALIDITY and tally.recorder is None:
            settled = self._looks.settled(r, then)
            if settled is not None and settled is not Outcome.ACCEPTED:
                memory.interrupt(sensor)
                tally.counts[sensor, step, settled] += len(mine)
                return
        expected = self._looks.expect(r, sensor, then)
        alive, lost = mine, _NOBODY
        if expected.sure < 0:
            met = expected.surface >= 0
            alive, lost = mine & met, mine & ~met
            tally.count(sensor, step, Outcome.NO_SURFACE, lost)
        # By trial only where somebody asks for it.
        outcome = None if tally.recorder is None else np.where(alive, Outcome.ACCEPTED, Outcome.NO_SURFACE)
        squared = np.zeros(1)

        def heard(listening: BoolArray) -> tuple[BoolArray, Scalar]:
            echo = echo_of()
            passed = listening & np.equal(echo.reading_m, echo.reading_m)  # nan is not itself
            return passed, one_reading(sensor, self._variances[sensor], expected, echo, passed)

        def at_gate(scalar: Scalar, terms: Terms, tried: BoolArray) -> None:
            nonlocal squared
            squared = tally.watch.innovation(
                sensor, step, scalar.innovation, terms.predicted, scalar.own, tried
            )

        def refuse(found: IntArray | Outcome, which: BoolArray) -> None:
            nonlocal outcome
            tally.count(sensor, step, found, which)
            outcome = outcome if outcome is None else np.where(which, found, outcome)

        passage = self._acceptance.passage(
            sensor, alive, expected.surface, memory,
            lambda: self._looks.validity(r, sensor, expected), heard, at_gate, refuse,
        )  # fmt: skip
        used, scalar, terms = passage.used, passage.scalar, passage.terms
        tally.count(sensor, step, Outcome.ACCEPTED, used)
        self._count_wrong(r, passage.refused, lost, used, expected, echo_of, tally)
        if used.any() and scalar is not None and terms is not None:
            tally.watch.taken(sensor, step, squared, used)
            tally.moved(sensor, step, self._acceptance.update(scalar, terms, used, p, memory))
        if tally.recorder is not None and outcome is not None:
            seen = None if scalar is None or terms is None else (scalar.innovation, terms.predicted)
            tally.recorder.reading(r, mine, outcome, expected.surface, echo_of, seen, memory.fixed)

    def _everyone(self, count: int) -> BoolArray:
        """Return a mask of so many trials, all of them in it; nobody may write to it."""
        if len(self._all) != count:
            self._all = np.ones(count, dtype=bool)
            self._all.flags.writeable = False
        return self._all

    def _read_pair(
        self,
        r: int,
        echo_of: tuple[Callable[[], Echo], Callable[[], Echo]],
        p: Poses,
        then: Belief,
        memory: CorrectionState,
        tally: Tally,
    ) -> None:
        """Use a reading and its partner together in the trials in which both are tried on one surface.

        Both must be valid and echoed, whatever the order of the stages. First their difference, then
        their mean goes through gate and persistence of its own. Each reading counts as accepted where
        either was used. In all other trials `read` takes each alone.
        The belief to compare with is the same for both.
        """
        sensors, partner = self._prepared.plan.timeline.readings.sensor, self._partners[r]
        both = [(q, int(sensors[q])) for q in (r, partner.reading)]
        seen = [self._looks.expect(q, sensor, then) for q, sensor in both]
        alive = (seen[0].surface >= 0) & (seen[0].surface == seen[1].surface)
        for (q, sensor), expected in zip(both, seen, strict=True):
            if alive.any():
                alive &= self._looks.validity(q, sensor, expected) == Outcome.ACCEPTED
        memory.paired[r] = memory.paired[partner.reading] = alive
        if not alive.any():
            self._break_pair(partner, memory)
            return
        echoes = [take() for take in echo_of]
        # A new array: what was kept above must know it, too.
        alive = alive & ~np.isnan(echoes[0].reading_m) & ~np.isnan(echoes[1].reading_m)
        memory.paired[r] = memory.paired[partner.reading] = alive
        variances = [self._variances[sensor] for _, sensor in both]
        watch, step = tally.watch, int(self._prepared.plan.timeline.readings.step[r])
        squared = np.zeros(1)
        used = [np.zeros_like(alive), np.zeros_like(alive)]
        refused, moved = np.zeros_like(alive), np.zeros(len(alive))
        at_gate = []
        for turns in (True, False):
            looks = [self._looks.model(q, sensor, then, seen[0].surface) for q, sensor in both]
            models, axes = [look[0] for look in looks], [look[1] for look in looks]
            slot = self._slots.difference(partner.pair) if turns else self._slots.mean(partner.pair)
            sensors_of = [sensor for _, sensor in both]
            scalar = two_readings(
                slot, sensors_of, variances, seen[0], models, axes, looks[0][2], echoes, alive, turns
            )
            terms = terms_of(scalar, memory)
            passed = alive
            for stage in self._stages:
                if stage is Stage.GATE:
                    squared = watch.innovation(
                        slot, step, scalar.innovation, terms.predicted, scalar.own, passed
                    )
                    kept = self._acceptance.gate(scalar, terms, passed, memory)
                    refused = refused | (passed & ~kept)
                    passed = kept
                elif stage is Stage.PERSISTENCE:
                    passed = self._acceptance.persists(slot, passed, scalar.surface, memory)
            used[turns] = passed
            at_gate.append((scalar.innovation, terms.predicted))
            watch.taken(slot, step, squared, passed)
            if passed.any():
                before = p.bx, p.by, p.bh
                moved = moved + self._acceptance.update(scalar, terms, passed, p, memory)
                # The mean is compared with the belief that the difference has left.
                then = (then[0] + p.bx - before[0], then[1] + p.by - before[1], then[2] + p.bh - before[2])
        pair = [q for q, _ in both]
        outcome = self._count_pair(pair, alive, used[0] | used[1], refused, moved, seen, echoes, tally)
        if tally.recorder is not None:
            parts = zip(pair, seen, echo_of, at_gate, (DIFFERENCE, MEAN), strict=True)
            for q, expected, take, gated, part in parts:
                tally.recorder.reading(q, alive, outcome, expected.surface, take, gated, memory.fixed, part)

    def _break_pair(self, partner: Partner, memory: CorrectionState) -> None:
        memory.interrupt(self._slots.difference(partner.pair))
        memory.interrupt(self._slots.mean(partner.pair))

    def _count_wrong(
        self,
        r: int,
        refused: BoolArray,
        lost: BoolArray,
        used: BoolArray,
        expected: Expected,
        echo_of: Callable[[], Echo],
        tally: Tally,
    ) -> None:
        """Count what was wrongly accepted, and wrongly refused by association or gate.

        A belief that sees no surface at all has no expected one: there it is the one of the plan.
        """
        planned = int(self._prepared.sight.surface[r])
        lost = lost if planned >= 0 and lost.any() else _NOBODY
        wronged = refused if lost is _NOBODY else refused | lost
        if not (wronged.any() or used.any()):
            return
        place = self._places[r]
        if expected.sure >= 0:
            right = echo_of().surface == self._true_index[expected.sure]
        else:
            surface = expected.surface if lost is _NOBODY else np.where(lost, planned, expected.surface)
            right = echo_of().surface == self._true_index[surface]
        tally.wrongly_accepted[place] += int(np.count_nonzero(used & ~right))
        tally.wrongly_refused[place] += int(np.count_nonzero(wronged & right))

    def _count_pair(
        self,
        pair: list[int],
        taken: BoolArray,
        used: BoolArray,
        refused: BoolArray,
        moved_m: FloatArray,
        seen: list[Expected],
        echoes: list[Echo],
        tally: Tally,
    ) -> IntArray:
        """Count both readings of a pair alike and return what became of them; each has half of the move.

        One echo from elsewhere makes both wrong.
        """
        refused = taken & refused & ~used
        outcome = np.where(used, Outcome.ACCEPTED, np.where(refused, Outcome.GATE, Outcome.HELD_BACK))
        right = np.ones_like(taken)
        for expected, echo in zip(seen, echoes, strict=True):
            right &= echo.surface == self._true_index[expected.surface]
        readings = self._prepared.plan.timeline.readings
        for r in pair:
            place = int(readings.sensor[r]), int(readings.step[r])
            tally.count(*place, outcome, taken)
            tally.moved(*place, np.where(used, 0.5 * moved_m, 0.0))
            tally.wrongly_accepted[place] += int(np.count_nonzero(used & ~right))
            tally.wrongly_refused[place] += int(np.count_nonzero(refused & right))
        return outcome
