"""What went wrong with the readings of one trial: wrong ones taken, the gate shut, the sight blocked."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.judge.misplaced import misplaced
from driftgate.judge.reason import DIFFERS, DescribeStep, axis_words
from driftgate.judge.variance import direction_of
from driftgate.plan.values import IntArray
from driftgate.predict.prepared import Prepared
from driftgate.predict.recorder import FALSE_RETURN, NO_ECHO
from driftgate.predict.story import Replay
from driftgate.predict.values import BoolArray, CovarianceResult, Moment, Outcome

# So many refusals at the gate in a row, with nothing taken after them, lock a sensor out.
LOCKED_OUT = 5
# Wrong readings that moved the belief by such a part of the error have made it.
_MOVED_PART = 0.3
# A step in which less than this share of the planned fixes came has lost its fixes.
_FIXES_LEFT = 0.5


@dataclass(frozen=True)
class Mishap:
    """One thing that went wrong with a sensor's readings in a step, in plain words."""

    kind: str
    words: str


class Mishaps:
    """What went wrong with the readings of replayed trials."""

    def __init__(
        self, prepared: Prepared, covariance: CovarianceResult, replay: Replay, describe: DescribeStep
    ) -> None:
        self._prepared = prepared
        self._replay, self._record = replay, replay.record
        self._planned: BoolArray = covariance.accepted
        self.right: BoolArray = replay.right()
        self._describe = describe
        self._sensors = [sensor.id for sensor in prepared.case.robot.sensors]
        self._strayed = {name: did for name, did, _, _ in self._record.strayed}

    def expected_name(self, r: int, trial: int) -> str:
        """Return the name of the surface that a reading was held to be of."""
        edge = int(self._record.expected[r, trial])
        return self._prepared.believed.edges[edge].owner if edge >= 0 else "no surface"

    def origin_name(self, r: int, trial: int) -> str:
        """Return what a reading came from: "pot-a", "strayed pot-a", "a false return", "nothing"."""
        origin, edges = int(self._record.origin[r, trial]), self._prepared.true.edges
        if origin in (NO_ECHO, FALSE_RETURN):
            return "nothing" if origin == NO_ECHO else "a false return"
        if origin < len(edges):
            return edges[origin].owner
        name = self._prepared.true.elements[origin - len(edges)].id
        return f"strayed {name}" if self._strayed[name][trial] else name

    def wrong(self, moment: Moment, trial: int) -> IntArray:
        """Return the readings until a moment that were taken though they came from elsewhere."""
        taken = self._record.outcome[:, trial] == Outcome.ACCEPTED
        return np.flatnonzero(taken & ~self.right[:, trial] & self._until(moment))

    def _until(self, moment: Moment) -> BoolArray:
        return np.asarray(self._prepared.plan.timeline.readings.knot <= moment.knot)

    def wrong_surface(self, moment: Moment, axis: str, error: float, trial: int) -> Mishap | None:
        """Return the wrong readings that were taken, if they moved the belief far enough to matter."""
        which = self.wrong(moment, trial)
        effect = self._effect(which, moment, axis, trial)
        if effect.sum() < _MOVED_PART * abs(error):
            return None
        readings = self._prepared.plan.timeline.readings
        by_group: Counter[tuple[int, int, str, str]] = Counter()
        for r, moved in zip(which.tolist(), effect.tolist(), strict=True):
            step, sensor = int(readings.step[r]), int(readings.sensor[r])
            by_group[step, sensor, self.origin_name(r, trial), self.expected_name(r, trial)] += moved
        (step, sensor, origin, expected), _ = min(by_group.items(), key=lambda item: (-item[1], item[0]))
        words = f"{self._sensors[sensor]} took {origin} for {expected} in {self._describe(step)}"
        return Mishap("wrong surface", words)

    def _effect(self, which: IntArray, moment: Moment, axis: str, trial: int) -> FloatArray:
        """Return by how much readings moved the belief, as seen at a moment: a turn has its lever."""
        timeline = self._prepared.plan.timeline
        dx, dy, turn = self._record.move[which, :, trial].T
        if axis == "heading":
            return np.asarray(np.abs(turn))
        there = timeline.pose[timeline.readings.knot[which], :2]
        lever = np.hypot(there[:, 0] - moment.pose[0], there[:, 1] - moment.pose[1])
        return np.asarray(np.hypot(dx, dy) + np.abs(turn) * lever)

    def misplaced(self, moment: Moment, axis: str, error: float, trial: int) -> Mishap | None:
        """Return that the field is not as the map says, if right readings of what is off made the error."""
        prepared = self._prepared
        if prepared.case.true is prepared.case.believed:
            return None
        taken = (self._record.outcome[:, trial] == Outcome.ACCEPTED) & self.right[:, trial]
        surfaces = self._record.expected[np.flatnonzero(taken & self._until(moment)), trial].tolist()
        off = self._replay.trials.moments[prepared.moments.index(moment)].error[trial]
        along = direction_of(axis, moment.pose[2], off)
        name = misplaced(prepared.believed, prepared.true, surfaces, along, error)
        return Mishap("drift", f"{DIFFERS} {axis_words(axis)}, at {name}") if name else None

    def locked_out(self, moment: Moment, trial: int) -> Mishap | None:
        """Return which sensor the gate shut out for good until a moment, though its readings were right."""
        outcome = self._record.outcome[:, trial]
        at_gate = ((outcome == Outcome.ACCEPTED) | (outcome == Outcome.GATE)) & self._until(moment)
        readings = self._prepared.plan.timeline.readings
        longest: tuple[int, int] | None = None
        first = -1
        for sensor in range(len(self._sensors)):
            mine = np.flatnonzero(at_gate & (readings.sensor == sensor))
            taken = np.flatnonzero(outcome[mine] == Outcome.ACCEPTED)
            refused = mine[taken[-1] + 1 :] if len(taken) else mine
            right = np.count_nonzero(self.right[refused, trial])
            shut = len(refused) >= LOCKED_OUT and 2 * right > len(refused)
            if shut and (longest is None or len(refused) > longest[0]):
                longest, first = (len(refused), sensor), int(refused[0])
        if longest is None:
            return None
        where = self._describe(int(readings.step[first]))
        return Mishap(
            "gate", f"the gate refused right readings of {self._sensors[longest[1]]} from {where} on"
        )

    def blocked(self, moment: Moment, trial: int) -> Mishap | None:
        """Return the step, with the sensor, that lost most of the fixes that were planned in it."""
        readings = self._prepared.plan.timeline.readings
        outcome, until = self._record.outcome[:, trial], self._until(moment)
        worst: tuple[int, int, int] | None = None
        pairs = sorted(
            {(int(readings.step[r]), int(readings.sensor[r])) for r in np.flatnonzero(self._planned)}
        )
        for step, sensor in pairs:
            mine = (readings.step == step) & (readings.sensor == sensor) & until
            planned = int(np.count_nonzero(mine & self._planned))
            left = int(np.count_nonzero(mine & (outcome == Outcome.ACCEPTED)))
            lost = planned - left
            if planned and left < _FIXES_LEFT * planned and (worst is None or lost >= worst[0]):
                worst = (lost, step, sensor)
        if worst is None:
            return None
        _, step, sensor = worst
        mine = (readings.step == step) & (readings.sensor == sensor) & until
        return self._why_blocked(np.flatnonzero(mine), step, sensor, trial)

    def _why_blocked(self, which: IntArray, step: int, sensor: int, trial: int) -> Mishap | None:
        where = f"{self._sensors[sensor]} in {self._describe(step)}"
        why: Counter[tuple[str, str]] = Counter()
        for r in which.tolist():
            outcome = int(self._record.outcome[r, trial])
            if outcome < 0 or outcome in (Outcome.ACCEPTED, Outcome.HELD_BACK):
                continue
            if outcome == Outcome.GATE and self.right[r, trial]:
                why["gate", f"the gate refused right readings of {where}"] += 1
            elif outcome == Outcome.GATE:
                why["obstructed", f"{self.origin_name(r, trial)} answered {where}"] += 1
            elif outcome == Outcome.NO_ECHO:
                why["obstructed", f"nothing came back to {where}"] += 1
            else:
                reason = Outcome(outcome).name.lower().replace("_", " ")
                why["obstructed", f"no fix from {where}: {reason}"] += 1
        if not why:
            return None
        (kind, words), _ = min(why.items(), key=lambda item: (-item[1], item[0]))
        return Mishap(kind, words)
