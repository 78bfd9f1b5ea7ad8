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
from driftgate.predict.consider import Effects, Key, Three, dot, without_zeros
from driftgate.predict.constants import NOWHERE, Look, Pair, met_by
from driftgate.predict.filter import (
    PairVariance,
    ReadingVariance,
    constant_effects,
    gain_of,
    joseph,
    kalman_gain,
    limited_gain,
    start_filter,
    start_links,
    times_h,
    turning_gain_of,
)
from driftgate.predict.filter_model import FilterModel
from driftgate.predict.trial_memory import CorrectionState, fresh_memory
from driftgate.predict.values import BoolArray
from driftgate.schema.correction import Gate, Update
from driftgate.sight.pairs import mean_weights
from driftgate.world.beam import PoseModel


class Expectation(Protocol):
    """What each trial expects of one reading.

    `surface` names what it is held to be of, and `sure` that of all trials where it is one; `model` has the
    expected range and its derivatives by the belief, `axis` is where the sensor looks, and `robot` where the
    robot is.
    """

    @property
    def surface(self) -> IntArray:
        """Index of the surface or beacon, -1 where none is expected."""

    @property
    def model(self) -> PoseModel:
        """Expected range and derivatives."""

    @property
    def sure(self) -> int:
        """The one surface of all trials, -1 where that is not known."""

    @property
    def axis(self) -> Pair:
        """Where the sensor looks, of length 1."""

    @property
    def robot(self) -> Pair:
        """Where the robot believes to be. [m]"""


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

    `h` is its derivative by the belief, `own` the variance of its noise and `effects` what is the same
    all through a run; trials that do not try it hold harmless numbers. `turns` marks a difference: under
    replacing and blending it moves the heading alone.
    """

    slot: int
    surface: IntArray
    innovation: FloatArray
    h: Three
    own: FloatArray
    effects: Effects = ()
    turns: bool = False


@dataclass(frozen=True)
class Terms:
    """P h and the innovation's predicted variance h P h' + R, with what goes with considered constants.

    `along` has h C of those constants of the reading that the belief's error goes with.
    """

    ph: Three
    predicted: FloatArray
    along: dict[Key, FloatArray]


def start_memory(model: FilterModel, count: int, slots: int) -> CorrectionState:
    """Return the robot's memory before the first reading, for so many trials and slots."""
    return fresh_memory(start_filter(model), count, slots, start_links(model), model.considers)


def one_reading(
    sensor: int, variance: ReadingVariance, expected: Expectation, echo: Readings, tried: BoolArray
) -> Scalar:
    """Return a reading of one sensor alone."""
    model = expected.model
    whole = bool(tried.all())
    if whole or np.isfinite(model.range_m).all():
        # What is expected is harmless in the trials that do not try it, too.
        h = without_zeros((model.d_x, model.d_y, model.d_heading))
        own, innovation = variance.at(model.range_m), echo.reading_m - model.range_m
        innovation = innovation if whole else np.where(tried, innovation, 0.0)
    else:
        model = _harmless(model, tried)
        h = model.d_x, model.d_y, model.d_heading
        own, innovation = variance.at(model.range_m), np.where(tried, echo.reading_m - model.range_m, 0.0)
    effects: Effects = ()
    if variance.constants is not None:
        axis = expected.axis if variance.constants.aside_m > 0.0 else NOWHERE
        look = Look(1.0, sensor, model.range_m, h, model.d_angle, axis, expected.robot)
        effects = constant_effects(
            (variance,), (look,), lambda: met_by(expected.surface, tried, expected.sure)
        )
    return Scalar(sensor, expected.surface, innovation, h, own, effects)


def two_readings(
    slot: int,
    sensors: Sequence[int],
    variances: Sequence[ReadingVariance],
    expected: Expectation,
    models: Sequence[PoseModel],
    axes: Sequence[Pair],
    robot: Pair,
    echoes: Sequence[Readings],
    tried: BoolArray,
    turns: bool,
) -> Scalar:
    """Return the difference or the mean of two readings of one surface; see `driftgate.sight.pairs`.

    `axes` are where the sensors look, and `robot` is where the robot believes to be.
    """
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
    looks = [
        Look(weight, sensor, m.range_m, (m.d_x, m.d_y, m.d_heading), m.d_angle, axis, robot)
        for weight, sensor, m, axis in zip((first, second), sensors, (a, b), axes, strict=True)
    ]
    effects = constant_effects(variances, looks, lambda: met_by(expected.surface, tried))
    return Scalar(
        slot,
        expected.surface,
        first * innovations[0] + second * innovations[1],
        h,
        pair.at(noise, h),
        effects,
        turns,
    )


def _harmless(model: PoseModel, tried: BoolArray) -> PoseModel:
    """Return what is expected, with harmless numbers in the trials that do not try it."""
    range_m = np.where(tried, model.range_m, 1.0)
    d_x, d_y, d_heading, d_angle = (np.where(tried, d, 0.0) for d in model[2:])
    return PoseModel(range_m, model.square, d_x, d_y, d_heading, d_angle)


def terms_of(scalar: Scalar, memory: CorrectionState) -> Terms:
    """Return what gate and update need of the filter as it stands."""
    h = scalar.h
    ph = times_h(memory.filter, h)
    s = dot(h, ph) + scalar.own
    return Terms(*memory.links.with_constants(ph, s, h, scalar.effects))


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
    memory.links = memory.links.after_fix(scalar.effects, terms.along, (kx, ky, kh), scalar.h)
    dx, dy, dh = kx * innovation, ky * innovation, kh * innovation
    turned = p.bh + dh
    if max(float(turned.max()), -float(turned.min())) > np.pi:
        round_about = used & (np.abs(turned) > np.pi)
        dh = np.where(round_about, dh - 2.0 * np.pi * np.rint((p.bh + dh) / (2.0 * np.pi)), dh)
        turned = p.bh + dh
    p.bx, p.by, p.bh = p.bx + dx, p.by + dy, turned
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
