"""What the robot's filter is updated with in every trial, its gate and its update.

Nothing here knows what a reading is of: a wall seen by a beam or a beacon at a point, whatever gives an
`Expectation` goes through the same gate and the same update.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.consider import Constant, Three, after_fix, link_to, with_constant
from driftgate.predict.filter import (
    PairVariance,
    ReadingVariance,
    gain_of,
    joseph,
    kalman_gain,
    limited_gain,
    times_h,
    turning_gain_of,
)
from driftgate.predict.trial_memory import CorrectionState
from driftgate.predict.values import BoolArray
from driftgate.schema.correction import Gate, Update
from driftgate.sight.pairs import mean_weights
from driftgate.world.beam import PoseModel


class Expectation(Protocol):
    """What each trial expects of one reading.

    `surface` names what it is held to be of; `model` has the expected range and its derivatives by the
    belief.
    """

    @property
    def surface(self) -> IntArray:
        """Index of the surface or beacon, -1 where none is expected."""

    @property
    def model(self) -> PoseModel:
        """Expected range and derivatives."""


class Readings(Protocol):
    """What came back, in each trial."""

    @property
    def reading_m(self) -> FloatArray:
        """The range; nan where nothing came back. [m]"""


class Belief(Protocol):
    """Believed poses; fixes move them."""

    bx: FloatArray
    by: FloatArray
    bh: FloatArray


@dataclass(frozen=True)
class Scalar:
    """What the filter may be updated with, in every trial: a reading, or the difference or mean of two.

    `h` is its derivative by the belief, `own` the variance of its noise and `constant` what is the same
    all through a run; trials that do not try it hold harmless numbers. `turns` marks a difference: under
    replacing and blending it moves the heading alone.
    """

    slot: int
    surface: IntArray
    innovation: FloatArray
    h: Three
    own: FloatArray
    constant: Constant | None = None
    turns: bool = False


@dataclass(frozen=True)
class Terms:
    """P h and the innovation's predicted variance h P h' + R, with what goes with a considered constant."""

    ph: Three
    predicted: FloatArray


def one_reading(
    sensor: int, variance: ReadingVariance, expected: Expectation, echo: Readings, tried: BoolArray
) -> Scalar:
    """Return a reading of one sensor alone."""
    model = expected.model
    whole = bool(tried.all())
    if whole or np.isfinite(model.range_m).all():
        # What is expected is harmless in the trials that do not try it, too.
        h: Three = (model.d_x, model.d_y, model.d_heading)
        own, innovation = variance.at(model.range_m), echo.reading_m - model.range_m
        innovation = innovation if whole else np.where(tried, innovation, 0.0)
        return Scalar(sensor, expected.surface, innovation, h, own, variance.constant(model.range_m, h))
    range_m = np.where(tried, model.range_m, 1.0)
    h = (
        np.where(tried, model.d_x, 0.0),
        np.where(tried, model.d_y, 0.0),
        np.where(tried, model.d_heading, 0.0),
    )
    innovation = np.where(tried, echo.reading_m - range_m, 0.0)
    constant = variance.constant(range_m, h)
    return Scalar(sensor, expected.surface, innovation, h, variance.at(range_m), constant)


def two_readings(
    slot: int,
    variances: list[ReadingVariance],
    expected: Expectation,
    models: list[PoseModel],
    echoes: Sequence[Readings],
    tried: BoolArray,
    turns: bool,
) -> Scalar:
    """Return the difference or the mean of two readings of one surface; see `driftgate.sight.pairs`."""
    a, b = (_harmless(model, tried) for model in models)
    noise = variances[0].own(a.range_m), variances[1].own(b.range_m)
    if turns:
        first, second = np.ones(1), -np.ones(1)
    else:
        first, second = mean_weights(*noise)
    h: Three = (
        first * a.d_x + second * b.d_x,
        first * a.d_y + second * b.d_y,
        first * a.d_heading + second * b.d_heading,
    )
    innovations = [
        np.where(tried, echo.reading_m - model.range_m, 0.0)
        for echo, model in zip(echoes, (a, b), strict=True)
    ]
    pair = PairVariance((variances[0], variances[1]), (first, second), turns)
    places: tuple[Three, Three] = (a.d_x, a.d_y, a.d_heading), (b.d_x, b.d_y, b.d_heading)
    return Scalar(
        slot,
        expected.surface,
        first * innovations[0] + second * innovations[1],
        h,
        pair.at(noise, h),
        pair.constant((a.range_m, b.range_m), places, h),
        turns,
    )


def _harmless(model: PoseModel, tried: BoolArray) -> PoseModel:
    """Return what is expected, with harmless numbers in the trials that do not try it."""
    range_m = np.where(tried, model.range_m, 1.0)
    d_x, d_y, d_heading = (np.where(tried, d, 0.0) for d in (model.d_x, model.d_y, model.d_heading))
    return PoseModel(range_m, model.square, d_x, d_y, d_heading)


def terms_of(scalar: Scalar, memory: CorrectionState) -> Terms:
    """Return what gate and update need of the filter as it stands."""
    h = scalar.h
    ph = times_h(memory.filter, h)
    s = h[0] * ph[0] + h[1] * ph[1] + h[2] * ph[2] + scalar.own
    if scalar.constant is None:
        return Terms(ph, s)
    link = link_to(memory.links, scalar.slot, scalar.surface, scalar.constant)
    return Terms(*with_constant(ph, s, h, link, scalar.constant))


def passes_gate(gate: Gate | None, scalar: Scalar, terms: Terms, tried: BoolArray) -> BoolArray:
    """Return which of the trials that try it pass the gate; without a gate all do."""
    if gate is None:
        return tried
    return tried & (np.square(scalar.innovation) <= gate.sigmas**2 * terms.predicted)


def update_with(
    update: Update,
    scalar: Scalar,
    terms: Terms,
    used: BoolArray,
    p: Belief,
    memory: CorrectionState,
    reach_m: float,
) -> FloatArray:
    """Move belief and filter of the trials that use the reading; return by how far. [m]

    `reach_m` is that of the robot's outline, for the largest move. A fix never turns the belief the long
    way round: a heading more than half a turn off the plan is the one that is a full turn nearer.
    """
    innovation = scalar.innovation
    kx, ky, kh = limited_gain(update, _gain(update, scalar, terms, used), innovation, reach_m)
    memory.filter = joseph(memory.filter, (kx, ky, kh), terms.ph, terms.predicted)
    if scalar.constant is not None:
        k = kx, ky, kh
        memory.links = after_fix(
            memory.links, scalar.slot, scalar.surface, scalar.constant, k, scalar.h, used
        )
    dx, dy, dh = kx * innovation, ky * innovation, kh * innovation
    turned = p.bh + dh
    if max(float(turned.max()), -float(turned.min())) > np.pi:
        round_about = used & (np.abs(turned) > np.pi)
        dh = np.where(round_about, dh - 2.0 * np.pi * np.rint((p.bh + dh) / (2.0 * np.pi)), dh)
    p.bx, p.by, p.bh = p.bx + dx, p.by + dy, p.bh + dh
    memory.fixed = [memory.fixed[0] + dx, memory.fixed[1] + dy, memory.fixed[2] + dh]
    return np.asarray(np.sqrt(dx * dx + dy * dy))


def _gain(update: Update, scalar: Scalar, terms: Terms, used: BoolArray) -> Three:
    """Return the gain of the update law, zero in the trials that do not use the reading."""
    h, factor = scalar.h, 1.0 if used.all() else used.astype(np.float64)
    if update.law == "kalman":
        return kalman_gain(terms.ph, terms.predicted, factor)
    if scalar.turns:
        safe: Three = (h[0], h[1], np.where(used, h[2], 1.0))
        kx, ky, kh = turning_gain_of(update, terms.ph, terms.predicted, safe)
    else:
        safe = (np.where(used, h[0], 1.0), np.where(used, h[1], 1.0), h[2])
        kx, ky, kh = gain_of(update, terms.ph, terms.predicted, safe)
    return kx * factor, ky * factor, kh * factor
