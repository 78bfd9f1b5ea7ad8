"""The robot's correction run again over a log: what it would have accepted and refused, and where it ended.

Odometry and readings are those of the log; expectation, gate, persistence, way back and update are the ones
that predict (`driftgate.predict.acceptance`). Several seeds, or several sets of replaced readings, are
one batch.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from driftgate.calibrate.tracks import Ranges
from driftgate.calibrate.windows import IntArray, Track
from driftgate.core.pose import FloatArray, exp
from driftgate.predict.acceptance import Acceptance
from driftgate.predict.consider import Key, Links
from driftgate.predict.filter import (
    ReadingVariance,
    noise_parts,
    noise_towards,
    reading_variances,
)
from driftgate.predict.filter_model import FilterModel
from driftgate.predict.trial_memory import CorrectionState
from driftgate.predict.trial_update import Expectation, Scalar, Terms, one_reading, start_memory
from driftgate.predict.values import BoolArray, Outcome
from driftgate.schema.correction import Correction

Pose = tuple[FloatArray, FloatArray, FloatArray]
# The expectation for a source's reading from believed poses, and the validity test that fails.
Expecting = Callable[[int, float, Pose], tuple[Expectation, "IntArray | Outcome"]]


@dataclass
class _Belief:
    """Believed poses: the heading as what it differs by from one that all seeds share."""

    bx: FloatArray
    by: FloatArray
    bh: FloatArray
    shared_rad: float

    def pose(self) -> Pose:
        """Return x, y and heading."""
        return self.bx, self.by, self.bh + self.shared_rad


@dataclass(frozen=True)
class _Came:
    reading_m: FloatArray


@dataclass(frozen=True)
class Replayed:
    """A replay of n seeds over the rows of a track and m readings.

    Attributes
    ----------
    belief : ndarray, shape (rows, 3, n)
        The believed poses. [m, m, rad]
    cov : ndarray, shape (rows, 6, n)
        The filter's own covariance: xx, xy, xh, yy, yh, hh.
    outcome : ndarray of int, shape (m, n)
        `driftgate.predict.values.Outcome` of each reading; -1 for one outside the track's time.
    squared : ndarray, shape (m, n)
        Normalised innovation squared of what came to the gate; nan elsewhere.
    lost : ndarray of bool, shape (n,)
        The lost flag was raised.
    lost_at : ndarray of int, shape (n,)
        The reading at which; m if never.
    linked : dict
        By row with a reference: how the first seed's x and y go with each constant that the filter considers,
        E[e u]. [m]
    """

    belief: FloatArray
    cov: FloatArray
    outcome: IntArray
    squared: FloatArray
    lost: BoolArray
    lost_at: IntArray
    linked: dict[int, dict[Key, tuple[float, float]]] = field(default_factory=dict)


def replay(
    track: Track,
    twist: FloatArray,
    ranges: Ranges,
    expecting: Expecting,
    model: FilterModel,
    correction: Correction,
    start: FloatArray,
    sources: int,
    reach_m: float = 0.0,
) -> Replayed:
    """Run the correction over a track.

    Parameters
    ----------
    track : Track
        The run, or a part of it.
    twist : ndarray, shape (rows - 1, 3)
        Its increments as the robot's code lays them down: with means taken out, if it takes them out.
    ranges : Ranges
        Readings; with a second axis for n seeds. Those outside the track's time are passed over.
    expecting : callable
        What is expected of a source's reading at a time, and the first validity test that fails.
    model : FilterModel
        The filter's own numbers.
    correction : Correction
        The settings.
    start : ndarray, shape (n, 3)
        Where each seed believes to start. [m, m, rad]
    sources : int
        How many sensors or beacons there are.
    reach_m : float
        How far the robot's outline reaches, for the largest move of a fix. [m]
    """
    count, total = len(start), len(ranges)
    readings = np.broadcast_to(ranges.reading_m.reshape(total, -1), (total, count))
    acceptance, variances = Acceptance(correction, reach_m), reading_variances(model)
    x, y, heading = (np.ascontiguousarray(column) for column in start.T)
    belief = _Belief(x, y, heading - heading[0], float(heading[0]))
    memory = start_memory(model, count, sources)
    poses, covs = np.empty((len(track.time_s), 3, count)), np.empty((len(track.time_s), 6, count))
    outcome = np.full((total, count), -1, dtype=np.intp)
    squared = np.full((total, count), np.nan)
    lost_at = np.full(count, total, dtype=np.intp)
    _keep(poses[0], covs[0], belief, memory)
    known = np.isfinite(track.reference[:, 0]) & np.isfinite(track.reference[:, 1])
    linked = {0: _linked(memory.links)} if known[0] else {}
    reading = int(np.searchsorted(ranges.time_s, track.time_s[0], side="right"))
    duration = track.duration_s
    for k in range(len(twist)):
        done = 0.0
        while reading < total and ranges.time_s[reading] <= track.time_s[k + 1]:
            share = float((ranges.time_s[reading] - track.time_s[k]) / duration[k])
            _move(belief, memory, model, twist[k] * (share - done), float(duration[k]) * (share - done))
            done = share
            seen = (float(ranges.time_s[reading]), int(ranges.source[reading]), readings[reading])
            outcome[reading], squared[reading] = _read(seen, belief, memory, acceptance, variances, expecting)
            lost_at = np.where(memory.lost & (lost_at == total), reading, lost_at)
            reading += 1
        _move(belief, memory, model, twist[k] * (1.0 - done), float(duration[k]) * (1.0 - done))
        _keep(poses[k + 1], covs[k + 1], belief, memory)
        if known[k + 1]:
            linked[k + 1] = _linked(memory.links)
    return Replayed(poses, covs, outcome, squared, memory.lost, lost_at, linked)


def _linked(links: Links) -> dict[Key, tuple[float, float]]:
    return {key: (float(x.flat[0]), float(y.flat[0])) for key, (x, y, _) in links.now().items()}


def _keep(pose: FloatArray, cov: FloatArray, belief: _Belief, memory: CorrectionState) -> None:
    # Parts of the covariance may still be one number for all seeds.
    pose[:] = belief.pose()
    for i, part in enumerate(memory.filter):
        cov[i] = part


def _move(belief: _Belief, memory: CorrectionState, model: FilterModel, twist: FloatArray, dt: float) -> None:
    if dt <= 0.0:
        return
    ahead, left, turn = exp(twist).tolist()
    heading = belief.bh + belief.shared_rad
    c, s = np.cos(heading), np.sin(heading)
    dx, dy = c * ahead - s * left, s * ahead + c * left
    length = float(np.hypot(twist[0], twist[1]))
    parts = noise_parts(model, float(twist[0]), float(twist[1]), float(twist[2]), dt)
    chord = float(np.hypot(ahead, left))
    cos, sin = (dx / chord, dy / chord) if chord > 0.0 else (c, s)
    noise = noise_towards(parts, cos, sin)
    memory.grow(dx, dy, noise, model.left_over(length))
    belief.bx, belief.by = belief.bx + dx, belief.by + dy
    belief.shared_rad += turn


def _read(
    seen: tuple[float, int, FloatArray],
    belief: _Belief,
    memory: CorrectionState,
    acceptance: Acceptance,
    variances: tuple[ReadingVariance, ...],
    expecting: Expecting,
) -> tuple[IntArray, FloatArray]:
    """Put one reading of every seed through the stages; return outcomes and normalised squares."""
    time_s, source, reading_m = seen
    expected, validity = expecting(source, time_s, belief.pose())
    met = np.broadcast_to(expected.surface >= 0, reading_m.shape)
    outcome = np.where(met, int(Outcome.ACCEPTED), int(Outcome.NO_SURFACE))
    squared = np.full(len(reading_m), np.nan)

    def heard(listening: BoolArray) -> tuple[BoolArray, Scalar]:
        passed = listening & ~np.isnan(reading_m)
        return passed, one_reading(source, variances[source], expected, _Came(reading_m), passed)

    def at_gate(scalar: Scalar, terms: Terms, tried: BoolArray) -> None:
        nonlocal squared
        squared = np.where(tried, np.square(scalar.innovation) / terms.predicted, np.nan)

    def refuse(found: IntArray | Outcome, which: BoolArray) -> None:
        nonlocal outcome
        outcome = np.where(which, found, outcome)

    passage = acceptance.passage(
        source, met, expected.surface, memory, lambda: validity, heard, at_gate, refuse
    )
    if passage.scalar is not None and passage.terms is not None and passage.used.any():
        acceptance.update(passage.scalar, passage.terms, passage.used, belief, memory)
    return outcome.astype(np.intp), squared
