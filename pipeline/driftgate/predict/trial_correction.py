"""The robot's correction model in every trial: association, validity, gate, persistence, update.

Each trial has its own belief and its own filter. The stages look at the belief and at the map that the
robot carries, never at the truth; the truth is used only to count what was wrongly accepted or refused.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.echoes import Echo
from driftgate.predict.filter import (
    ReadingVariance,
    Six,
    Three,
    gain_of,
    joseph,
    reading_variances,
    times_h,
)
from driftgate.predict.filter_model import FilterModel
from driftgate.predict.prepared import Prepared
from driftgate.predict.trial_expect import Expected, Looks
from driftgate.predict.trial_motion import Poses
from driftgate.predict.values import BoolArray, Outcome
from driftgate.schema.correction import Correction
from driftgate.sight.values import Reason

_OUTCOMES = len(Outcome)
# A filter that has run away is not counted beyond this. [m]
_LONGEST_MOVE_M = 1e3


@dataclass
class Tally:
    """What became of the readings, over all trials of a batch."""

    counts: np.ndarray
    wrongly_accepted: np.ndarray
    wrongly_refused: np.ndarray
    fix_move_nm: np.ndarray


@dataclass
class CorrectionState:
    """The robot's memory between readings, per trial."""

    filter: Six
    streak: list[IntArray]
    streak_surface: list[IntArray]
    refusals: IntArray
    lost: BoolArray
    # Sum of all fixes so far, field axes: an old reading is compared with the belief of its echo,
    # corrected by what has been fixed since.
    fixed: list[FloatArray] = field(default_factory=lambda: [np.zeros(1), np.zeros(1), np.zeros(1)])


class Corrector:
    """The correction model of a case, for any batch of trials."""

    def __init__(self, prepared: Prepared, model: FilterModel, knots: IntArray) -> None:
        case = prepared.case
        self._prepared = prepared
        self._correction: Correction = case.robot.correction
        self._variances: tuple[ReadingVariance, ...] = reading_variances(model)
        self._looks = Looks(prepared, knots)
        index = {e.id: i for i, e in enumerate(prepared.true.edges)}
        self._true_index = np.array([index[e.id] for e in prepared.believed.edges], dtype=np.intp)

    def tally(self) -> Tally:
        """Return empty counts."""
        shape = (len(self._prepared.case.robot.sensors), len(self._prepared.plan.steps))
        return Tally(
            np.zeros((*shape, _OUTCOMES), dtype=np.int64),
            np.zeros(shape, dtype=np.int64),
            np.zeros(shape, dtype=np.int64),
            np.zeros(shape, dtype=np.int64),
        )

    def memory(self, start: Six, count: int) -> CorrectionState:
        """Return the robot's memory before the first reading."""
        sensors = len(self._prepared.case.robot.sensors)
        return CorrectionState(
            filter=start,
            streak=[np.zeros(count, dtype=np.intp) for _ in range(sensors)],
            streak_surface=[np.full(count, -1, dtype=np.intp) for _ in range(sensors)],
            refusals=np.zeros(count, dtype=np.intp),
            lost=np.zeros(count, dtype=bool),
        )

    def skips(self, r: int) -> Outcome | None:
        """Return the outcome of a reading that no trial tries, None if it is tried."""
        reason = self._prepared.sight.reason[r]
        if reason in (Reason.SWITCHED_OFF, Reason.IN_CONTACT):
            return Outcome(int(reason))
        return None

    def skip(self, r: int, outcome: Outcome, memory: CorrectionState, tally: Tally) -> None:
        """Count a reading that no trial tries."""
        readings = self._prepared.plan.timeline.readings
        sensor = int(readings.sensor[r])
        tally.counts[sensor, readings.step[r], outcome] += len(memory.refusals)
        memory.streak[sensor] = np.zeros(len(memory.refusals), dtype=np.intp)

    def read(
        self,
        r: int,
        echo_of: Callable[[], Echo],
        p: Poses,
        then: tuple[FloatArray, FloatArray, FloatArray],
        memory: CorrectionState,
        tally: Tally,
    ) -> None:
        """Put one reading of every trial through the stages; fixes move the belief in place.

        Parameters
        ----------
        r : int
            The reading.
        echo_of : callable
            Gives what came back; asked only if some trial tries the reading.
        p : Poses
            The poses at arrival.
        then : tuple of ndarray
            The belief's deviation that the reading is compared with: now, or where latency is
            compensated that of the echo, corrected by the fixes since.
        memory, tally
            The robot's memory, and the counts.
        """
        readings = self._prepared.plan.timeline.readings
        sensor, step = int(readings.sensor[r]), int(readings.step[r])
        expected = self._looks.expect(r, sensor, then)
        outcome = self._looks.validity(r, sensor, expected)
        tried = outcome == Outcome.ACCEPTED
        if tried.any():
            echo = echo_of()
            outcome = np.where(tried & np.isnan(echo.reading_m), Outcome.NO_ECHO, outcome)
            tried = outcome == Outcome.ACCEPTED
        if not tried.any():
            memory.streak[sensor] = np.zeros(len(tried), dtype=np.intp)
            tally.counts[sensor, step] += np.bincount(outcome, minlength=_OUTCOMES)
            return
        range_m = np.where(tried, expected.model.range_m, 1.0)
        h: Three = (
            np.where(tried, expected.model.d_x, 0.0),
            np.where(tried, expected.model.d_y, 0.0),
            np.where(tried, expected.model.d_heading, 0.0),
        )
        innovation = np.where(tried, echo.reading_m - range_m, 0.0)
        ph = times_h(memory.filter, h)
        predicted = h[0] * ph[0] + h[1] * ph[1] + h[2] * ph[2] + self._variances[sensor].at(range_m)
        gate = self._correction.gate
        refused = np.zeros(len(tried), dtype=bool)
        if gate is not None:
            refused = tried & (np.square(innovation) > gate.sigmas**2 * predicted)
        passed = tried & ~refused
        used = passed & self._persists(sensor, passed, expected.surface, memory)
        outcome = np.where(refused, Outcome.GATE, outcome)
        outcome = np.where(passed & ~used, Outcome.HELD_BACK, outcome)
        self._count(sensor, step, outcome, used, refused, echo, expected, tally)
        self._way_back(memory, refused, passed)
        if used.any():
            moved = self._update(expected, innovation, (h, ph, predicted), used, p, memory)
            # Whole nanometres, so that the sum does not depend on the order of the trials.
            whole = np.rint(np.minimum(moved, _LONGEST_MOVE_M) * 1e9).astype(np.int64)
            tally.fix_move_nm[sensor, step] += int(whole.sum())

    def _persists(
        self, sensor: int, passed: BoolArray, surface: IntArray, memory: CorrectionState
    ) -> BoolArray:
        """Count passes in a row on one surface; the n-th and later ones are used."""
        streak, last = memory.streak[sensor], memory.streak_surface[sensor]
        same = passed & (surface == last)
        memory.streak[sensor] = np.where(same, streak + 1, passed.astype(np.intp))
        memory.streak_surface[sensor] = surface
        persistence = self._correction.persistence
        if persistence is None:
            return passed
        return np.asarray(memory.streak[sensor] >= persistence.readings)

    def _count(
        self,
        sensor: int,
        step: int,
        outcome: IntArray,
        used: BoolArray,
        refused: BoolArray,
        echo: Echo,
        expected: Expected,
        tally: Tally,
    ) -> None:
        tally.counts[sensor, step] += np.bincount(outcome, minlength=_OUTCOMES)
        right = echo.surface == self._true_index[expected.surface]
        tally.wrongly_accepted[sensor, step] += int(np.count_nonzero(used & ~right))
        tally.wrongly_refused[sensor, step] += int(np.count_nonzero(refused & right))

    def _way_back(self, memory: CorrectionState, refused: BoolArray, passed: BoolArray) -> None:
        """Widen the filter after every so many refusals in a row; flag the robot as lost after more."""
        memory.refusals = np.where(refused, memory.refusals + 1, np.where(passed, 0, memory.refusals))
        rule = self._correction.way_back
        if rule is None:
            return
        widen = refused & (memory.refusals % rule.refusals == 0)
        if widen.any():
            factor = np.where(widen, rule.factor, 1.0)
            xx, xy, xh, yy, yh, hh = memory.filter
            memory.filter = (
                xx * factor,
                xy * factor,
                xh * factor,
                yy * factor,
                yh * factor,
                hh * factor,
            )
        memory.lost |= memory.refusals >= rule.refusals + rule.lost_after

    def _update(
        self,
        expected: Expected,
        innovation: FloatArray,
        terms: tuple[Three, Three, FloatArray],
        used: BoolArray,
        p: Poses,
        memory: CorrectionState,
    ) -> FloatArray:
        """Move belief and filter of the trials that use the reading; return by how far. [m]"""
        h, ph, predicted = terms
        update = self._correction.update
        safe: Three = (np.where(used, h[0], 1.0), np.where(used, h[1], 1.0), h[2])
        nx = np.where(used, expected.normal_x, 1.0)
        ny = np.where(used, expected.normal_y, 1.0)
        kx, ky, kh = gain_of(update, ph, predicted, nx, ny, safe)
        factor = used.astype(np.float64)
        move = np.hypot(kx, ky) * np.abs(innovation)
        if update.largest_move is not None:
            over = move > update.largest_move
            factor = np.where(over, factor * update.largest_move / np.where(over, move, 1.0), factor)
        kx, ky, kh = kx * factor, ky * factor, kh * factor
        memory.filter = joseph(memory.filter, (kx, ky, kh), ph, predicted)
        dx, dy, dh = kx * innovation, ky * innovation, kh * innovation
        p.bx, p.by, p.bh = p.bx + dx, p.by + dy, p.bh + dh
        memory.fixed = [memory.fixed[0] + dx, memory.fixed[1] + dy, memory.fixed[2] + dh]
        return np.hypot(dx, dy)
