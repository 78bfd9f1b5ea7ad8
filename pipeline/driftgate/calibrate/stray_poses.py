"""Reference poses that lie apart: which of them were mistyped, and not a slip of the odometry.

A wrong pose contradicts the odometry before it and the odometry after it in opposite ways, and without it
the two go together; a slip contradicts that of one window, and shifts all later ones. In a series of
numbers the two are called an additive and an innovational outlier ([1]_). As there, the explanation that
makes the runs likeliest is taken, then the next one beside it, until none is worth taking ([2]_): what is
told apart is two or more explanations of the same numbers, and not whether a number is large.

How far a robot's odometry and its references usually lie apart is not known beforehand: the scales of both
are those at which the runs are likeliest, anew under each explanation, and the constants of the odometry
are integrated out, so that a wheel of another size is no outlier.

References
----------
.. [1] A. J. Fox, "Outliers in time series," J. R. Statist. Soc. B 34, 1972, pp. 350-363 (from memory).
.. [2] C. Chen and L.-M. Liu, "Joint estimation of model parameters and outlier effects in time series,"
   J. Amer. Statist. Assoc. 88, 1993, pp. 284-297 (from memory).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final, Literal

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from driftgate.calibrate.blind import BLIND_RAD
from driftgate.calibrate.chain import JITTERS, RARE_SLIP, WALKS, LoggedRun, block_of
from driftgate.calibrate.dead_reckoning import reckon
from driftgate.calibrate.from_logs import USUAL_POSE
from driftgate.calibrate.mixed import Block
from driftgate.calibrate.usual import BESIDE_USUAL, CONSTANTS, NOISES, SIDEWAYS
from driftgate.calibrate.windows import Track
from driftgate.core.pose import FloatArray, compose, inverse, wrap_angles

# Scales that are tried, of what the odometry usually is off by, and of the references' own spread.
_WALK_SCALES: Final = (0.35, 0.7, 1.4, 2.8, 5.6)
_POSE_SCALES: Final = (1.0, 2.0, 4.0, 8.0)
# Beforehand one pose in so many is mistyped, and one window in so many has a slip (our choice).
_POSES_PER_SLIP_OF_PEN: Final = 50.0
_WINDOWS_PER_SLIP: Final = 20.0
# Where a mistyped pose lies: anywhere on so much of a field, facing anywhere. [m^2, rad]
_FIELD_M2, _ROUND_RAD = 9.0, 2.0 * math.pi
# ... but most slips of the pen are of the place or of the heading alone, and leave the other. [m, rad]
_LEFT_M, _LEFT_RAD = 0.02, math.radians(2.0)
# Shares of slips of the pen that are of the place alone, of the heading alone, and of both (our choice).
_OF_PLACE, _OF_HEADING, _OF_BOTH = 0.6, 0.2, 0.2
# What a slip, a bump or a hand may do within a window, standard deviations. [m, m, rad]
_SLIP: Final = (0.2, 0.2, 0.2)
# Poses measured one after the other may all be off by the same: so many at most, and so much more rarely.
_LONGEST: Final = 2
_RARER: Final = 10.0
# An explanation is taken if it makes the runs so much likelier. [natural logarithm]
_WORTH: Final = 3.0
# ... and told of if it does so more than all others by this. [natural logarithm]
_TOLD: Final = 2.0
# Looked at are poses that lie so far from where the odometry has them both from before and from after, ...
_LOOKED_AT: Final = (0.02, math.radians(3.0))
# ... which is so much less apart themselves.
_TOGETHER: Final = 0.7
# The first and the last pose of a run are doubted where no slip does so much. [m, rad]
_NO_SLIP: Final = (0.6, math.radians(35.0))
_LEAST_OF_END: Final = 3
# At most so many explanations a robot: with more, the odometry is what is wrong.
_MOST: Final = 12


@dataclass(frozen=True)
class Stray:
    """Reference poses of a run, one after the other, that lie apart together.

    Attributes
    ----------
    run : int
        Which run.
    rows : tuple of int
        Rows of its track.
    off : tuple of float
        By how much the first of them lies off where the others have it, field axes. [m, m, rad]
    apart : tuple of float
        By how much the ways from before and from after differ about where that is. [m, rad]
    likelier : float
        By how much that is likelier than the next best explanation. [natural logarithm]
    end : {"", "first", "last"}
        Whether it is the first or the last pose of its run, which nothing but its size tells from a slip.
    """

    run: int
    rows: tuple[int, ...]
    off: tuple[float, float, float]
    apart: tuple[float, float]
    likelier: float
    end: Literal["", "first", "last"] = ""


@dataclass(frozen=True)
class _Fitted:
    """What a run's chain says at each pair of scales.

    Attributes
    ----------
    value : ndarray, shape (s,)
        Log-density without the constants, but for what they explain.
    information, score : ndarray, shape (s, p, p), (s, p)
        Of the constants.
    """

    value: FloatArray
    information: FloatArray
    score: FloatArray

    def __add__(self, other: _Fitted) -> _Fitted:
        return _Fitted(
            self.value + other.value, self.information + other.information, self.score + other.score
        )

    def __sub__(self, other: _Fitted) -> _Fitted:
        return _Fitted(
            self.value - other.value, self.information - other.information, self.score - other.score
        )


@dataclass(frozen=True)
class _State:
    """A run and what is taken to be wrong in it."""

    run: LoggedRun
    strays: tuple[tuple[int, ...], ...] = ()
    slips: frozenset[int] = field(default_factory=frozenset)
    pens: float = 0.0

    @property
    def gone(self) -> list[int]:
        return [row for rows in self.strays for row in rows]

    @cached_property
    def rows(self) -> list[int]:
        """Rows of the poses that are taken to be right."""
        known = np.flatnonzero(np.isfinite(self.run.track.reference).all(axis=1))
        return [int(row) for row in known if row not in set(self.gone)]

    def beside(self, rows: tuple[int, ...], off: FloatArray) -> _State:
        """Return the same with poses that lie off by so much."""
        pens = self.pens + _of_pen(off, rows, self.run)
        return replace(self, strays=(*self.strays, rows), slips=self.slips - set(rows), pens=pens)

    def slipped(self, end: int) -> _State:
        """Return the same with a slip in the window that ends at a row."""
        return replace(self, slips=self.slips | {end})

    @property
    def prior(self) -> float:
        """How likely that is beforehand. [natural logarithm]"""
        return self.pens - len(self.slips) * math.log(_WINDOWS_PER_SLIP)


def _of_pen(off: FloatArray, rows: tuple[int, ...], run: LoggedRun) -> float:
    """Return how likely it is that poses are mistyped so. [natural logarithm of a share per m^2 rad]"""
    place, heading = _sizes(off)
    near = math.exp(-0.5 * (place / _LEFT_M) ** 2) / (2.0 * math.pi * _LEFT_M**2)
    along = math.exp(-0.5 * (heading / _LEFT_RAD) ** 2) / (math.sqrt(2.0 * math.pi) * _LEFT_RAD)
    if run.blind[rows[0]]:
        # One that was put in says nothing of what was typed.
        along = 1.0 / (math.sqrt(2.0 * math.pi) * BLIND_RAD)
    anywhere, round_about = 1.0 / _FIELD_M2, 1.0 / _ROUND_RAD
    density = _OF_PLACE * anywhere * along + _OF_HEADING * near * round_about
    density += _OF_BOTH * anywhere * round_about
    return math.log(density / _POSES_PER_SLIP_OF_PEN / _RARER ** (len(rows) - 1))


_END: Final[dict[tuple[bool, bool], Literal["", "first", "last"]]] = {
    (False, False): "",
    (True, False): "first",
    (False, True): "last",
}


class _Model:
    """The runs of one robot, and how likely they are under what may be wrong in them."""

    def __init__(self, runs: Sequence[LoggedRun]) -> None:
        sideways = any(np.any(run.track.twist[:, 1]) for run in runs)
        asked = [usual for usual in CONSTANTS if sideways or usual.key != SIDEWAYS]
        self.keys = [usual.key for usual in asked]
        self.parts = [*WALKS, *(f"spread:{key}" for key in self.keys), *JITTERS, RARE_SLIP]
        sizes = {usual.key: usual.size for usual in NOISES}
        self.walks = np.square([*(sizes[key] for key in WALKS), *(0.5 * u.size for u in asked)])
        self.prior = np.diag([1.0 / (BESIDE_USUAL * usual.size) ** 2 for usual in asked])
        self.at = dict.fromkeys(self.keys, 0.0)
        self.scales = [(walk, pose) for walk in _WALK_SCALES for pose in _POSE_SCALES]
        self.states = [_State(run) for run in runs]
        self.fitted = [self.fit(state) for state in self.states]
        self._settle()

    def _settle(self) -> None:
        """Take the constants at which the runs are likeliest: the model is linear about them."""
        self.at = dict(zip(self.keys, self._constants().tolist(), strict=True))
        self.fitted = [self.fit(state) for state in self.states]

    def fit(self, state: _State) -> _Fitted:
        """Return what a run's chain says; poses that are taken to be wrong go together on their own."""
        found = self._chain(state.run, state.rows, state.slips)
        for rows in state.strays:
            if len(rows) > 1:
                found = found + self._chain(state.run, rows, frozenset())
        return found

    def total(self, of: int | None = None, instead: _State | None = None) -> float:
        """Return the log-density of all runs, at the scales at which it is largest; one run replaced."""
        whole = sum(self.fitted[1:], self.fitted[0])
        prior = sum(state.prior for state in self.states)
        if of is not None and instead is not None:
            whole = whole - self.fitted[of] + self.fit(instead)
            prior += instead.prior - self.states[of].prior
        return float(self._integrated(whole).max()) + prior

    def take(self, of: int, state: _State) -> None:
        """Take something to be wrong in a run."""
        self.states[of], self.fitted[of] = state, self.fit(state)
        self._settle()

    def _integrated(self, whole: _Fitted) -> FloatArray:
        centre = np.array([self.at[key] for key in self.keys])
        information = whole.information + self.prior
        score = whole.score - self.prior @ centre
        best = np.linalg.solve(information, score[..., None])[..., 0]
        _, information_log = np.linalg.slogdet(information)
        _, prior_log = np.linalg.slogdet(self.prior)
        gained = np.einsum("si,si->s", score, best) - centre @ self.prior @ centre
        return np.asarray(whole.value + 0.5 * (gained - information_log + prior_log))

    def _constants(self) -> FloatArray:
        whole = sum(self.fitted[1:], self.fitted[0])
        at = int(np.argmax(self._integrated(whole)))
        centre = np.array([self.at[key] for key in self.keys])
        score = whole.score[at] - self.prior @ centre
        return np.asarray(centre + np.linalg.solve(whole.information[at] + self.prior, score))

    def _chain(self, run: LoggedRun, rows: Sequence[int], slips: frozenset[int]) -> _Fitted:
        block, jitter, slip = self._block(run, rows, slips)
        count, values = len(self.keys), []
        walked = np.tensordot(self.walks, block.parts, axes=1)
        for walk, pose in self.scales:
            covariance = walk**2 * walked + pose**2 * jitter + slip
            factor = cho_factor(covariance, lower=True)
            both = cho_solve(factor, np.column_stack([block.error, block.design]))
            logs = 2.0 * float(np.log(np.diag(factor[0])).sum()) + len(covariance) * math.log(2.0 * math.pi)
            values.append(
                (
                    -0.5 * (float(block.error @ both[:, 0]) + logs),
                    block.design.T @ both[:, 1:],
                    block.design.T @ both[:, 0],
                )
            )
        value, information, score = (np.array(part) for part in zip(*values, strict=True))
        return _Fitted(value, information.reshape(-1, count, count), score.reshape(-1, count))

    def _block(
        self, run: LoggedRun, rows: Sequence[int], slips: frozenset[int]
    ) -> tuple[Block, FloatArray, FloatArray]:
        """Return errors of a chain through some of the poses, and the covariances of poses and slips."""
        reference = np.full_like(run.track.reference, np.nan)
        reference[list(rows)] = run.track.reference[list(rows)]
        track = Track(run.track.name, run.track.time_s, run.track.twist, reference)
        spread = run.spread if any(run.spread) else USUAL_POSE
        own = LoggedRun(track, spread, run.blind & np.isfinite(reference[:, 0]))
        block = block_of(own, self.at, self.keys, self.parts)
        known = block_of(replace(own, spread=(0.0, 0.0, 0.0)), self.at, self.keys, self.parts[:1]).known
        slip = known.copy()
        for i, row in enumerate(rows[1:]):
            if row in slips:
                at = slice(3 * i, 3 * i + 3)
                slip[at, at] += np.diag(np.square(_SLIP))
        walks = len(self.walks)
        return replace(block, parts=block.parts[:walks]), block.known - known, slip


def stray_poses(runs: Sequence[LoggedRun]) -> list[Stray]:
    """Return the reference poses that lie apart; those at the ends of a run only where no slip does that.

    Parameters
    ----------
    runs : sequence of LoggedRun
        Runs of one robot.

    Returns
    -------
    list of Stray
        By run and row.
    """
    runs = [run for run in runs if run.poses >= 3]
    found: list[Stray] = []
    if not runs:
        return found
    model = _Model(runs)
    if all(next(_candidates(model, i), None) is None for i in range(len(runs))):
        return found
    for _ in range(_MOST):
        now = model.total()
        tried = [
            (model.total(i, state) - now, i, state)
            for i in range(len(runs))
            for state in _explanations(model, i)
        ]
        if not tried:
            break
        gain, i, state = max(tried, key=lambda each: each[0])
        if gain < _WORTH:
            break
        model.take(i, state)
    for i, state in enumerate(model.states):
        found += [_stray(model, i, rows) for rows in state.strays]
    found = [stray for stray in found if stray.likelier > _TOLD]
    return sorted(found, key=lambda stray: (stray.run, stray.rows))


def _candidates(model: _Model, i: int) -> Iterator[tuple[tuple[int, ...], FloatArray]]:
    """Yield poses that lie off the ways from before and from after by the same, and by how much."""
    state = model.states[i]
    rows, path = state.rows, reckon(state.run.track, model.at)[0]
    for length in range(1, _LONGEST + 1):
        for k in range(1, len(rows) - length):
            own = tuple(rows[k : k + length])
            off = _off(state.run.track.reference, path, rows[k - 1], own, rows[k + length])
            sizes = [_sizes(each) for each in (*off, off[0] - off[1])]
            if any(
                min(before, after) > least and apart < _TOGETHER * min(before, after)
                for (before, after, apart), least in zip(zip(*sizes, strict=True), _LOOKED_AT, strict=True)
            ):
                yield own, _middle(state.run.track, off, (rows[k - 1], *own, rows[k + length]))
    if len(rows) < _LEAST_OF_END:
        return
    for end, next_to in ((rows[0], rows[1]), (rows[-1], rows[-2])):
        one = _ahead(state.run.track.reference, path, next_to, end)
        if any(size > least for size, least in zip(_sizes(one), _NO_SLIP, strict=True)):
            yield (end,), one


def _explanations(model: _Model, i: int) -> Iterator[_State]:
    """Yield what else may be wrong in a run: a pose, or a slip in a window that is off."""
    state = model.states[i]
    for rows, off in _candidates(model, i):
        yield state.beside(rows, off)
    path = reckon(state.run.track, model.at)[0]
    for before, after in itertools.pairwise(state.rows):
        sizes = _sizes(_ahead(state.run.track.reference, path, before, after))
        if after not in state.slips and any(o > least for o, least in zip(sizes, _LOOKED_AT, strict=True)):
            yield state.slipped(after)


def _ahead(reference: FloatArray, path: FloatArray, begin: int, at: int) -> FloatArray:
    """Return by how much a pose is off where the odometry has it from another one, field axes."""
    off = reference[at] - compose(reference[begin], compose(inverse(path[begin]), path[at]))
    off[2] = wrap_angles(off[2:])[0]
    return np.asarray(off)


def _off(
    reference: FloatArray, path: FloatArray, before: int, rows: tuple[int, ...], after: int
) -> tuple[FloatArray, FloatArray]:
    """Return by how much poses are off where the odometry has them from before, and from after."""
    return _ahead(reference, path, before, rows[0]), _ahead(reference, path, after, rows[-1])


def _sizes(off: FloatArray) -> tuple[float, float]:
    return float(np.hypot(off[0], off[1])), abs(float(wrap_angles(off[2:])[0]))


def _stray(model: _Model, i: int, rows: tuple[int, ...]) -> Stray:
    state = model.states[i]
    track, path = state.run.track, reckon(state.run.track, model.at)[0]
    before = max((row for row in state.rows if row < rows[0]), default=None)
    after = min((row for row in state.rows if row > rows[-1]), default=None)
    apart, end = np.zeros(3), _END[before is None, after is None]
    if before is not None and after is not None:
        own = _off(track.reference, path, before, rows, after)
        off, apart = _middle(track, own, (before, *rows, after)), own[0] - own[1]
        ends = (rows[0], after)
    else:
        near = before if before is not None else after
        assert near is not None
        off = _ahead(track.reference, path, near, rows[0])
        ends = (near if before is None else rows[0],) * 2
    x, y, heading = off.tolist()
    now = model.total()
    left = tuple(each for each in state.strays if each != rows)
    pens = state.pens - _of_pen(off, rows, state.run)
    plain = replace(state, strays=left, pens=pens)
    others = [plain, *(plain.slipped(row) for row in ends), plain.slipped(ends[0]).slipped(ends[1])]
    likelier = now - max(model.total(i, other) for other in others)
    return Stray(i, rows, (x, y, heading), _sizes(apart), likelier, end)


def _middle(track: Track, off: tuple[FloatArray, FloatArray], rows: tuple[int, ...]) -> FloatArray:
    """Return by how much poses are off by both ways: of the one that is nearer by, more."""
    before, after = _way(track, rows[0], rows[1]), _way(track, rows[-2], rows[-1])
    apart = off[0] - off[1]
    apart[2] = wrap_angles(apart[2:])[0]
    found = off[1] + after / (before + after) * apart
    found[2] = wrap_angles(found[2:])[0]
    return np.asarray(found)


def _way(track: Track, begin: int, end: int) -> float:
    """Return how far a robot drove and turned between two rows, and a little. [about m]"""
    steps = track.twist[begin:end]
    return float(np.hypot(steps[:, 0], steps[:, 1]).sum() + 0.3 * np.abs(steps[:, 2]).sum()) + 0.1
