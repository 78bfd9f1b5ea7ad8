"""How likely the reference poses of runs are, given their odometry, under what may be wrong in either.

How far a robot's odometry and its references usually lie apart is not known beforehand: the scales of both
are those at which the runs are likeliest, anew under each explanation, and the constants of the odometry
are integrated out, so that a wheel of another size is no outlier.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from driftgate.calibrate.blind import BLIND_RAD
from driftgate.calibrate.chain import JITTERS, RARE_SLIP, WALKS, LoggedRun, block_of
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
# Poses off by the same one after the other are so much rarer for each more.
_RARER: Final = 10.0


@dataclass(frozen=True)
class Fitted:
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

    def __add__(self, other: Fitted) -> Fitted:
        return Fitted(
            self.value + other.value, self.information + other.information, self.score + other.score
        )

    def __sub__(self, other: Fitted) -> Fitted:
        return Fitted(
            self.value - other.value, self.information - other.information, self.score - other.score
        )


@dataclass(frozen=True)
class State:
    """A run and what is taken to be wrong in it."""

    run: LoggedRun
    strays: tuple[tuple[int, ...], ...] = ()
    slips: frozenset[int] = field(default_factory=frozenset)
    pens: float = 0.0

    @property
    def gone(self) -> list[int]:
        """Rows of the poses that are taken to be wrong."""
        return [row for rows in self.strays for row in rows]

    @cached_property
    def rows(self) -> list[int]:
        """Rows of the poses that are taken to be right."""
        known = np.flatnonzero(np.isfinite(self.run.track.reference).all(axis=1))
        return [int(row) for row in known if row not in set(self.gone)]

    def beside(self, rows: tuple[int, ...], off: FloatArray) -> State:
        """Return the same with poses that lie off by so much."""
        pens = self.pens + of_pen(off, rows, self.run)
        return replace(self, strays=(*self.strays, rows), slips=self.slips - set(rows), pens=pens)

    def slipped(self, end: int) -> State:
        """Return the same with a slip in the window that ends at a row."""
        return replace(self, slips=self.slips | {end})

    @property
    def prior(self) -> float:
        """How likely that is beforehand. [natural logarithm]"""
        return self.pens - len(self.slips) * math.log(_WINDOWS_PER_SLIP)


def of_pen(off: FloatArray, rows: tuple[int, ...], run: LoggedRun) -> float:
    """Return how likely it is that poses are mistyped so. [natural logarithm of a share per m^2 rad]"""
    place, heading = sizes_of(off)
    near = math.exp(-0.5 * (place / _LEFT_M) ** 2) / (2.0 * math.pi * _LEFT_M**2)
    along = math.exp(-0.5 * (heading / _LEFT_RAD) ** 2) / (math.sqrt(2.0 * math.pi) * _LEFT_RAD)
    if run.blind[rows[0]]:
        # One that was put in says nothing of what was typed.
        along = 1.0 / (math.sqrt(2.0 * math.pi) * BLIND_RAD)
    anywhere, round_about = 1.0 / _FIELD_M2, 1.0 / _ROUND_RAD
    density = _OF_PLACE * anywhere * along + _OF_HEADING * near * round_about
    density += _OF_BOTH * anywhere * round_about
    return math.log(density / _POSES_PER_SLIP_OF_PEN / _RARER ** (len(rows) - 1))


class Model:
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
        self.states = [State(run) for run in runs]
        self.fitted = [self.fit(state) for state in self.states]
        self._settle()

    def _settle(self) -> None:
        """Take the constants at which the runs are likeliest: the model is linear about them."""
        self.at = dict(zip(self.keys, self._constants().tolist(), strict=True))
        self.fitted = [self.fit(state) for state in self.states]

    def fit(self, state: State) -> Fitted:
        """Return what a run's chain says; poses that are taken to be wrong go together on their own."""
        found = self._chain(state.run, state.rows, state.slips)
        for rows in state.strays:
            if len(rows) > 1:
                found = found + self._chain(state.run, rows, frozenset())
        return found

    def total(self, of: int | None = None, instead: State | None = None) -> float:
        """Return the log-density of all runs, at the scales at which it is largest; one run replaced."""
        whole = self._whole()
        prior = sum(state.prior for state in self.states)
        if of is not None and instead is not None:
            whole = whole - self.fitted[of] + self.fit(instead)
            prior += instead.prior - self.states[of].prior
        return self.likeliest(whole) + prior

    def likeliest(self, whole: Fitted) -> float:
        """Return the log-density of chains together, at the scales at which it is largest."""
        return float(self._integrated(whole).max())

    def take(self, of: int, state: State) -> None:
        """Take something to be wrong in a run."""
        self.states[of], self.fitted[of] = state, self.fit(state)
        self._settle()

    def _whole(self) -> Fitted:
        return sum(self.fitted[1:], self.fitted[0])

    def _integrated(self, whole: Fitted) -> FloatArray:
        centre = np.array([self.at[key] for key in self.keys])
        information = whole.information + self.prior
        score = whole.score - self.prior @ centre
        best = np.linalg.solve(information, score[..., None])[..., 0]
        _, information_log = np.linalg.slogdet(information)
        _, prior_log = np.linalg.slogdet(self.prior)
        gained = np.einsum("si,si->s", score, best) - centre @ self.prior @ centre
        return np.asarray(whole.value + 0.5 * (gained - information_log + prior_log))

    def _constants(self) -> FloatArray:
        whole = self._whole()
        at = int(np.argmax(self._integrated(whole)))
        centre = np.array([self.at[key] for key in self.keys])
        score = whole.score[at] - self.prior @ centre
        return np.asarray(centre + np.linalg.solve(whole.information[at] + self.prior, score))

    def _chain(self, run: LoggedRun, rows: Sequence[int], slips: frozenset[int]) -> Fitted:
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
        return Fitted(value, information.reshape(-1, count, count), score.reshape(-1, count))

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


def sizes_of(off: FloatArray) -> tuple[float, float]:
    """Return how far off a pose is, and by how much turned. [m, rad]"""
    return float(np.hypot(off[0], off[1])), abs(float(wrap_angles(off[2:])[0]))


def off_ahead(reference: FloatArray, path: FloatArray, begin: int, at: int) -> FloatArray:
    """Return by how much a pose is off where the odometry has it from another one, field axes."""
    off = reference[at] - compose(reference[begin], compose(inverse(path[begin]), path[at]))
    off[2] = wrap_angles(off[2:])[0]
    return np.asarray(off)
