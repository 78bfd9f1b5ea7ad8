"""Runs that have each other's reference poses: each fits the odometry of the other far better than its own.

Files of poses are typed after the runs and called after them, and two are easily mixed up. Robots drive one
routine alike, so that the poses of another run look sound: what they are off by, some millimetres or
centimetres each time, is fitted as a wheel of another size, and as noise. It shows only where every run is
held against the poses of every other.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from driftgate.calibrate.chain import LoggedRun
from driftgate.calibrate.dead_reckoning import reckon
from driftgate.calibrate.pose_model import Fitted, Model, State, off_ahead, sizes_of
from driftgate.calibrate.windows import Track

# A run has to have so many poses with a heading, of which so many lie in the time of the other run.
_LEAST_POSES: Final = 4
_LEAST_SHARE: Final = 0.7
# Runs are held against so many before and after them: who mixes up files mixes up those beside each other.
_BESIDE: Final = 6
# All runs together are so much likelier with the poses of two exchanged, where that is told, and where it is
# sure; and still by so much whichever pose or window is left out: one wrong pose, or one slip, is none.
# [natural logarithm]
_LIKELIER: Final = 3.0
SURE: Final = 8.0
_WITHOUT_ONE: Final = 0.5
# A window that is off by so many times what windows usually are had a slip, whosever poses it has, and may
# not decide: about there one is as likely as none, so that nothing hangs on the limit. At least: [1; m, rad]
_SLIPPED: Final = 5.0
_LEAST_SLIP: Final = (0.02, math.radians(1.0))
# The median of the length of a plane error, and of the size of an angle, of unit standard deviation.
_MEDIANS: Final = (1.1774, 0.6745)


@dataclass(frozen=True)
class Exchanged:
    """A run that has the poses of another one.

    Attributes
    ----------
    run, poses_of : int
        Which run, and whose poses fit it.
    likelier : float
        By how much all runs are likelier with each one's poses given to the other. [natural logarithm]
    """

    run: int
    poses_of: int
    likelier: float


def exchanged_poses(runs: Sequence[LoggedRun]) -> list[Exchanged]:
    """Return runs whose reference poses are those of another one of them.

    Parameters
    ----------
    runs : sequence of LoggedRun
        Runs of one robot.

    Returns
    -------
    list of Exchanged
        By run: two that have each other's, or more of which each has those of the next.
    """
    use = [i for i, run in enumerate(runs) if run.headings >= _LEAST_POSES]
    if len(use) < 2:
        return []
    held = _Held([replace(runs[i], track=runs[i].seen, blind=np.zeros_like(runs[i].blind)) for i in use])
    return [Exchanged(use[i], use[j], gain) for i, j, gain in held.order()]


@dataclass(frozen=True)
class _Change:
    """One measurement that is left out of a comparison: a pose of a run, or a window of its odometry.

    Attributes
    ----------
    kind : {"pose", "window"}
        Which of the two.
    run : int
        Whose it is.
    time_s : float
        When the pose was measured, or an instant of the window. [s]
    """

    kind: Literal["pose", "window"]
    run: int
    time_s: float


_Part = tuple[Fitted, float]


class _Held:
    """Runs held against each other's poses."""

    def __init__(self, runs: Sequence[LoggedRun]) -> None:
        self.runs = runs
        self.model = Model(runs)
        sizes = np.array([size for run in runs for _, _, *size in self._windows(State(run))])
        limits = np.maximum(_SLIPPED * np.median(sizes, axis=0) / _MEDIANS, _LEAST_SLIP)
        self.slipped = tuple(limits.tolist())
        self.parts: dict[tuple[int, int], _Part] = {}
        for i in range(len(runs)):
            for j in range(max(i - _BESIDE, 0), min(i + _BESIDE + 1, len(runs))):
                if (state := self._state(i, j)) is not None:
                    self.parts[i, j] = self._part(state)

    def order(self) -> list[tuple[int, int, float]]:
        """Return which runs have whose poses while exchanging two makes all likelier, and by how much."""
        whose = list(range(len(self.runs)))
        gains: dict[int, float] = {}
        refused: set[tuple[int, int]] = set()
        for _ in whose:
            now = self._total([self.parts[pair] for pair in enumerate(whose)])
            best: tuple[float, int, int] | None = None
            for i, j in itertools.combinations(range(len(whose)), 2):
                if (i, j) in refused or (i, whose[j]) not in self.parts or (j, whose[i]) not in self.parts:
                    continue
                order = _exchanged(whose, i, j)
                gain = self._total([self.parts[pair] for pair in enumerate(order)]) - now
                best = (gain, i, j) if best is None or gain > best[0] else best
            if best is None or best[0] < _LIKELIER:
                break
            gain, i, j = best
            if self._least_gain(whose, i, j) < _WITHOUT_ONE:
                refused.add((i, j))
                continue
            gains |= {i: gain, j: gain}
            whose = _exchanged(whose, i, j)
        return [(i, j, gains[i]) for i, j in enumerate(whose) if i != j]

    def _least_gain(self, whose: Sequence[int], i: int, j: int) -> float:
        """Return the gain of an exchange without the one pose or window that speaks most for it."""
        least = math.inf
        for change in self._changes(i, j, (whose[i], whose[j])):
            totals = []
            for order in (whose, _exchanged(whose, i, j)):
                parts = [self.parts[pair] for pair in enumerate(order)]
                for k in (i, j):
                    if change.run in ((order[k],) if change.kind == "pose" else (k,)):
                        state = self._state(k, order[k], change)
                        if state is None:
                            return -math.inf
                        parts[k] = self._part(state)
                totals.append(self._total(parts))
            least = min(least, totals[1] - totals[0])
            if least < _WITHOUT_ONE:
                break
        return least

    def _changes(self, i: int, j: int, poses: tuple[int, int]) -> Iterator[_Change]:
        for of in poses:
            for row in State(self.runs[of]).rows:
                yield _Change("pose", of, float(self.runs[of].track.time_s[row]))
        for of in (i, j):
            time = self.runs[of].track.time_s
            for before, after in itertools.pairwise(State(self.runs[of]).rows):
                yield _Change("window", of, float(0.5 * (time[before] + time[after])))

    def _state(self, i: int, j: int, change: _Change | None = None) -> State | None:
        """Return a run with the poses of another, and the windows that are taken for slips then; or None."""
        run, other = self.runs[i], self.runs[j]
        poses = run if i == j else _with_poses(run, other)
        if poses.poses < max(_LEAST_POSES, _LEAST_SHARE * other.poses):
            return None
        state, time = State(poses), poses.track.time_s
        if change is not None and change.kind == "pose":
            gone = min(state.rows, key=lambda row: abs(float(time[row]) - change.time_s))
            state = replace(state, strays=((gone,),))
        for before, after, place, heading in self._windows(state):
            there = (
                change is not None
                and change.kind == "window"
                and (time[before] < change.time_s <= time[after])
            )
            if place > self.slipped[0] or heading > self.slipped[1] or there:
                state = state.slipped(after)
        return state

    def _windows(self, state: State) -> list[tuple[int, int, float, float]]:
        """Return the rows between which each window lies, and how far off and by how much turned it is."""
        reference, path = state.run.track.reference, reckon(state.run.track, self.model.at)[0]
        return [
            (before, after, *sizes_of(off_ahead(reference, path, before, after)))
            for before, after in itertools.pairwise(state.rows)
        ]

    def _part(self, state: State) -> _Part:
        return self.model.fit(state), state.prior

    def _total(self, parts: Sequence[_Part]) -> float:
        whole = sum((part for part, _ in parts[1:]), parts[0][0])
        return self.model.likeliest(whole) + sum(prior for _, prior in parts)


def _exchanged(whose: Sequence[int], i: int, j: int) -> list[int]:
    order = list(whose)
    order[i], order[j] = whose[j], whose[i]
    return order


def _with_poses(run: LoggedRun, of: LoggedRun) -> LoggedRun:
    """Return a run with the reference poses of another, at the times at which those were measured."""
    track, known = run.track, np.isfinite(of.track.reference).all(axis=1)
    measured, reference = of.track.time_s[known], of.track.reference[known]
    inside = (measured >= track.time_s[0]) & (measured <= track.time_s[-1])
    time = np.union1d(track.time_s, measured[inside])
    gone = np.concatenate([np.zeros((1, 3)), np.cumsum(track.twist, axis=0)])
    at = np.stack([np.interp(time, track.time_s, own) for own in gone.T], axis=1)
    poses = np.full((len(time), 3), np.nan)
    poses[np.searchsorted(time, measured[inside])] = reference[inside]
    own = Track(track.name, time, np.diff(at, axis=0), poses)
    return LoggedRun(own, run.spread, np.zeros(len(time), dtype=bool))


def cycles(found: Sequence[Exchanged]) -> list[list[Exchanged]]:
    """Return runs in circles: each has the poses of the next, and the last those of the first."""
    of = {each.run: each for each in found}
    circles = []
    while of:
        circle = [of.pop(min(of))]
        while circle[-1].poses_of in of:
            circle.append(of.pop(circle[-1].poses_of))
        circles.append(circle)
    return circles
