"""Why trials fail: each failing trial has one main cause, and trials of one cause make a group.

A trial is put down to the first tolerance, in order of time, at which it fails and which does not pass.
There its cause is the first of these that holds:

1. contact: it has touched something it should not have;
2. late: the time limit has passed;
3. missed before: only an earlier checkpoint that this one depends on has failed;
4. strayed target: what the tolerance is relative to has strayed;
5. if the error is more than what the linear model and its noise explain (`driftgate.judge.blame`):
   wrong surface, gate, a surface that stands otherwise than on the map, obstructed, in this order
   (`driftgate.judge.mishaps`);
6. start placement, or drift: the error source that makes at least half of the error;
7. combined: none of these.

Where a trial misses by little, several of these may be needed for it; the order decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.judge.blame import KNOWN, RANDOM, Blame, blame, tightest_axis
from driftgate.judge.cause_values import FailureCauses, FailureGroup
from driftgate.judge.mishaps import Mishap, Mishaps
from driftgate.judge.ratio import MomentShares, shares_of, with_dependencies
from driftgate.judge.reason import DIFFERS, DescribeStep, axis_words, field_axis
from driftgate.judge.values import CaseVerdict
from driftgate.plan.values import IntArray
from driftgate.predict.prepared import Prepared
from driftgate.predict.sources import TITLES
from driftgate.predict.story import Replay
from driftgate.predict.values import BoolArray, CovarianceResult, TrialsResult
from driftgate.sight.values import DarkInterval

# A source that makes such a part of the error is its cause.
_MAIN_PART = 0.5
_DARK_AT_LEAST_S = 0.5
# Failing trials that are run again, the first by number.
MOST_REPLAYED = 200


@dataclass(frozen=True)
class Told:
    """What the cause of one trial is told at.

    Attributes
    ----------
    moment : int
        Index of the moment.
    cause : Mishap
        Kind and words.
    blame : Blame or None
        What makes up the error there; None without a tolerance on the pose.
    """

    moment: int
    cause: Mishap
    blame: Blame | None


class CauseFinder:
    """Finds the main cause of replayed trials."""

    def __init__(
        self,
        prepared: Prepared,
        covariance: CovarianceResult,
        replay: Replay,
        describe: DescribeStep,
        dark: Sequence[DarkInterval] = (),
    ) -> None:
        self.prepared, self.covariance, self.replay = prepared, covariance, replay
        self.mishaps = Mishaps(prepared, covariance, replay, describe)
        self._describe, self._dark = describe, dark
        self._drawn = replay.drawn()
        limit_s = prepared.case.routine.time_limit
        moments = prepared.moments
        self.shares: tuple[MomentShares, ...] = tuple(
            shares_of(m, t, limit_s) for m, t in zip(moments, replay.trials.moments, strict=True)
        )
        self.success: tuple[BoolArray, ...] = with_dependencies(moments, self.shares)

    def blame(self, moment: int, trial: int) -> Blame | None:
        """Return what makes up the error of a trial at a moment."""
        axis = tightest_axis(self.shares[moment], trial)
        if axis is None or not np.isfinite(axis.error[trial]):
            return None
        at, error = self.covariance.moments[moment], self.replay.trials.moments[moment].error
        return blame(self.prepared.moments[moment], at, self.replay.table, self._drawn, axis, error, trial)

    def told_at(self, which: Sequence[int], trial: int) -> int:
        """Return the first of some moments at which a trial fails; the last if it fails at none."""
        return next((k for k in which if not self.success[k][trial]), len(self.success) - 1)

    def cause(self, moment: int, trial: int) -> Told:
        """Return the main cause of a trial's failing at a moment."""
        found = self.blame(moment, trial)
        outright = self._outright(moment, trial)
        return Told(moment, outright or self._of_error(moment, trial, found), found)

    def _outright(self, k: int, trial: int) -> Mishap | None:
        trials, moment, shares = self.replay.trials, self.prepared.moments[k], self.shares[k]
        step, obstacle = int(trials.touch_step[trial]), int(trials.touch_obstacle[trial])
        if step >= 0 and (shares.touched[trial] or moment.final):
            return Mishap("contact", f"touched {trials.obstacles[obstacle]} in {self._describe(step)}")
        if shares.late[trial]:
            return Mishap("late", "the time limit has passed")
        if shares.own[trial] and not self.success[k][trial]:
            return Mishap("missed before", self._missed(k, trial))
        target = moment.within.relative_to
        for name, did, _, _ in self.replay.record.strayed:
            if name == target and did[trial]:
                return Mishap("strayed target", f"{name}, which the tolerance is relative to, has strayed")
        return None

    def _missed(self, k: int, trial: int) -> str:
        moments = self.prepared.moments
        for name in moments[k].after:
            for before in reversed(range(k)):
                if moments[before].name.split("#", 1)[0] == name and not self.success[before][trial]:
                    return f"checkpoint {moments[before].name}, which it depends on, was missed"
        return "a checkpoint that it depends on was missed"

    def _of_error(self, k: int, trial: int, found: Blame | None) -> Mishap:
        if found is None:
            return Mishap("combined", "the error is no number")
        moment = self.prepared.moments[k]
        if found.unexpected:
            mishap = (
                self.mishaps.wrong_surface(moment, found.axis, found.error, trial)
                or self.mishaps.locked_out(moment, trial)
                or self.mishaps.misplaced(moment, found.axis, found.error, trial)
                or self.mishaps.blocked(moment, trial)
            )
            if mishap is not None:
                return mishap
        source, part = max(found.parts.items(), key=lambda item: (item[1] * found.error, item[0]))
        if part / found.error < _MAIN_PART:
            return Mishap("combined", f"several sources together {axis_words(found.axis)}")
        if source == "start_placement":
            return Mishap("start placement", "start placement")
        return Mishap("drift", f"{source_title(self.prepared, source)}{self._darkness(k, found.axis, trial)}")

    def _darkness(self, k: int, axis: str, trial: int) -> str:
        moment = self.prepared.moments[k]
        now_s = float(self.prepared.plan.timeline.time_s[moment.knot])
        axes = field_axis(axis, moment.pose[2])
        if axis == "radial":
            # What is dark matters in the direction in which this trial errs.
            x, y = np.abs(self.replay.trials.moments[k].error[trial, :2])
            axes = ("x",) if x >= y else ("y",)
        dark = [
            d
            for d in self._dark
            if d.axis in axes and d.begin_s <= now_s - _DARK_AT_LEAST_S and now_s <= d.end_s + 1e-9
        ]
        if not dark:
            return f" {axis_words(axis)}"
        since = min(dark, key=lambda d: d.begin_s)
        return f" {axis_words(axis)}, with no fix of {since.axis} since {self._describe(since.first_step)}"


def source_title(prepared: Prepared, source: str) -> str:
    """Return a part of an error as people read it."""
    if source == RANDOM:
        return "random walk and readings"
    if source == KNOWN:
        differs = prepared.case.true is not prepared.case.believed
        return DIFFERS if differs else "known offsets"
    return TITLES.get(source, source.replace("_", " "))


def failing_at(verdict: CaseVerdict) -> tuple[int, ...]:
    """Return the moments whose failing trials are asked about: those that do not pass, or else all."""
    bad = tuple(i for i, m in enumerate(verdict.moments) if m.status != "pass")
    if bad or verdict.contact.status != "pass":
        return bad
    return tuple(range(len(verdict.moments)))


def failing_trials(prepared: Prepared, trials: TrialsResult, verdict: CaseVerdict) -> IntArray:
    """Return the numbers of the trials that fail at what is asked about, in a run from trial 0 on."""
    limit_s = prepared.case.routine.time_limit
    shares = tuple(shares_of(m, t, limit_s) for m, t in zip(prepared.moments, trials.moments, strict=True))
    success = with_dependencies(prepared.moments, shares)
    failing = np.zeros(trials.trials, dtype=bool)
    for k in failing_at(verdict):
        failing |= ~success[k]
    if verdict.contact.status != "pass":
        failing |= trials.touch_step >= 0
    return np.flatnonzero(failing)


def group_causes(finder: CauseFinder, which: Sequence[int], failing: int) -> FailureCauses:
    """Return the replayed trials, all of which fail, by main cause.

    Parameters
    ----------
    finder : CauseFinder
        Of the replayed trials.
    which : sequence of int
        The moments asked about.
    failing : int
        How many trials fail in all.
    """
    numbers = finder.replay.numbers.tolist()
    groups: dict[tuple[str, str], list[int]] = {}
    for trial, number in enumerate(numbers):
        cause = finder.cause(finder.told_at(which, trial), trial).cause
        groups.setdefault((cause.kind, cause.words), []).append(number)
    found = [FailureGroup(kind, words, len(who), who[0]) for (kind, words), who in groups.items()]
    found.sort(key=lambda group: (-group.trials, group.example))
    return FailureCauses(failing, len(numbers), tuple(found))
