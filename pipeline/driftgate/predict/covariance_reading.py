"""Fixes in the covariance engine: which readings are used, and what each does to belief and truth.

The correction model's stages on the planned path: the acceptance schedule is that of the mean. An
innovation is a row over the constants of the run, so that a wall's offset or a sensor's bias is never
redrawn by a reading.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.predict.attach import LineDisplacement
from driftgate.predict.candidates import compared_knots, echo_knots
from driftgate.predict.consider import Effects, Links, Three
from driftgate.predict.constants import Look
from driftgate.predict.covariance_shares import WHITE_ROW
from driftgate.predict.filter import (
    PairVariance,
    Six,
    constant_effects,
    gain_of,
    joseph,
    limited_gain,
    reading_variances,
    times_h,
    turning_gain_of,
)
from driftgate.predict.filter_model import FilterModel
from driftgate.predict.late_white import White
from driftgate.predict.prepared import Prepared
from driftgate.predict.sources import SourceTable
from driftgate.predict.values import BoolArray
from driftgate.schema.sensor import Sensor
from driftgate.sight.expect import model_of
from driftgate.sight.pairs import Partner, mean_weights, partners, slots
from driftgate.sight.stages import Stage, stages
from driftgate.sight.values import Reason
from driftgate.world.beam import RangeModel
from driftgate.world.carry import edge_middle
from driftgate.world.footprint import footprint_reach_m
from driftgate.world.values import Edge


@dataclass
class State:
    """What is carried from knot to knot."""

    sensitivity: FloatArray  # (6, m + 1), last column the known part
    white: White
    filter: Six
    fixed: FloatArray  # (3, m + 1), sum of all fixes so far
    links: Links  # of the filter's errors to what it considers


@dataclass(frozen=True)
class Seen:
    """A reading on the planned path: what is expected of it, and what it is drawn from.

    `h` is the derivative of the expected range by the belief, shape (3,), `d_angle` that by the direction the
    sensor looks in, `axis` where it looks, `robot` where the robot is; `drawn` is the range at the echo to
    the surface as mapped, with its derivatives, `actual_m` that to the surface as built.
    """

    r: int
    sensor: int
    surface: int
    range_m: FloatArray
    h: FloatArray
    d_angle: FloatArray
    axis: tuple[float, float]
    robot: tuple[float, float]
    drawn: RangeModel
    actual_m: float

    def look(self, weight: float) -> Look:
        """Return it as constants act on it."""
        return Look(weight, self.sensor, self.range_m, _by_axis(self.h), self.d_angle, self.axis, self.robot)


@dataclass(frozen=True)
class _Scalar:
    """What the filter is updated with: a reading, or the difference or mean of two, with weights."""

    slot: int
    parts: tuple[tuple[Seen, float], ...]
    variance_m2: FloatArray
    effects: Effects
    turns: bool = False

    @property
    def h(self) -> FloatArray:
        return np.asarray(sum(weight * seen.h for seen, weight in self.parts))


class Readings:
    """The readings of one pass over the timeline."""

    def __init__(
        self,
        prepared: Prepared,
        table: SourceTable,
        model: FilterModel,
        line: Callable[[str], LineDisplacement],
        seen: dict[int, Seen] | None = None,
    ) -> None:
        robot = prepared.case.robot
        self.seen = {} if seen is None else seen
        self.prepared = prepared
        self.reach_m = footprint_reach_m(robot.footprint)
        self.plan = prepared.plan
        self.table = table
        self.index = table.index()
        self.places = table.places()
        self.line = line
        self.variances = reading_variances(model)
        self.means = {c.key: c.mean for c in table.constants}
        self.built = {edge.id: edge for edge in prepared.true.edges}
        readings = self.plan.timeline.readings
        self.accepted: BoolArray = np.zeros(len(readings.knot), dtype=bool)
        self.stages = stages(robot.correction)
        self.slots = slots(robot)
        self.partners = partners(robot, readings)
        self.paired: set[int] = set()
        self.streak = [(0, -1)] * len(self.slots.names)
        self.taken, self.compared = echo_knots(prepared, table.off), compared_knots(prepared, table.off)
        late = np.flatnonzero((self.taken != readings.knot) & readings.nominal)
        # The last reading that may be used of each echo that is kept: then it can be forgotten.
        self.last = {int(self.taken[r]): r for r in late.tolist() if self._reason(r).tried}
        # Truth, and belief without the fixes, at the echo of readings that arrive later.
        self.echoed: dict[int, FloatArray] = {int(self.taken[r]): np.zeros((6, 0)) for r in late}

    def keep_echo(self, state: State, knot: int) -> None:
        """Keep truth and belief at a knot if a reading taken there arrives later."""
        if knot in self.echoed:
            kept = state.sensitivity.copy()
            kept[0:3] -= state.fixed
            self.echoed[knot] = kept
        if knot in self.last:
            state.white.keep(knot)

    def read(self, state: State, r: int) -> None:
        """Put one reading through the stages, then forget its echo if it was the last one of it."""
        self._read(state, r)
        state.white.drop([knot for knot in state.white.copies if self.last[knot] <= r])

    def _read(self, state: State, r: int) -> None:
        """Put one reading through the stages, with its partner if it has one; a fix moves the belief."""
        if not self.plan.timeline.readings.nominal[r]:
            return
        sensor = int(self.plan.timeline.readings.sensor[r])
        if r in self.paired:
            self._interrupt(sensor)
            return
        partner = self.partners.get(r)
        if partner is not None and self._pairs_up(r, partner.reading):
            self.paired.add(partner.reading)
            self._interrupt(sensor)
            self._read_pair(state, r, partner)
            return
        if partner is not None:
            self._interrupt(self.slots.difference(partner.pair))
            self._interrupt(self.slots.mean(partner.pair))
        reason = self._reason(r)
        untried = reason in (Reason.SWITCHED_OFF, Reason.IN_CONTACT, Reason.NO_SURFACE)
        if untried or (not reason.tried and self.stages[0] is Stage.VALIDITY):
            self._interrupt(sensor)
            return
        seen = self._see(r)
        own = self.variances[sensor]
        alone = _Scalar(sensor, ((seen, 1.0),), own.at(seen.range_m), self._effects((seen, 1.0)))
        gains: dict[int, FloatArray] = {}
        self.accepted[r] = self._test(state, alone, gains, self._passes(r))
        self._add_noise(state, gains, seen)

    def _read_pair(self, state: State, r: int, partner: Partner) -> None:
        """Use two readings of one surface: their difference first, then their mean."""
        a, b = self._see(r), self._see(partner.reading)
        slot = self.slots.difference(partner.pair), self.slots.mean(partner.pair)
        gains: dict[int, FloatArray] = {}
        each = [self._passes(seen.r) for seen in (a, b)]
        passes = {stage: all(one[stage] for one in each) for stage in each[0]}
        turns = self._test(state, self._two(slot[0], a, b, turns=True), gains, passes)
        moved = self._test(state, self._two(slot[1], a, b, turns=False), gains, passes)
        self.accepted[[a.r, b.r]] = turns or moved
        self._add_noise(state, gains, a, b)

    def _two(self, slot: int, a: Seen, b: Seen, turns: bool) -> _Scalar:
        """Return the difference or the mean of two readings."""
        both = self.variances[a.sensor], self.variances[b.sensor]
        noise = both[0].own(a.range_m), both[1].own(b.range_m)
        weights = (np.ones(()), -np.ones(())) if turns else mean_weights(*noise)
        pair = PairVariance(both, weights, turns)
        parts = (a, float(weights[0])), (b, float(weights[1]))
        h = _by_axis(np.asarray(parts[0][1] * a.h + parts[1][1] * b.h))
        return _Scalar(slot, parts, pair.at(noise, h), self._effects(*parts), turns)

    def _effects(self, *parts: tuple[Seen, float]) -> Effects:
        """Return what is constant in a reading, or in two of one surface."""
        variances = [self.variances[seen.sensor] for seen, _ in parts]
        looks = [seen.look(weight) for seen, weight in parts]
        return constant_effects(variances, looks, lambda: ((parts[0][0].surface, None),))

    def _pairs_up(self, r: int, other: int) -> bool:
        """Return whether two readings of a pair are both tried, on one surface."""
        surface = self.prepared.sight.surface
        tried = self._reason(r).tried and self._reason(other).tried
        return bool(tried and surface[r] == surface[other])

    def _reason(self, r: int) -> Reason:
        return Reason(int(self.prepared.sight.reason[r]))

    def _passes(self, r: int) -> dict[Stage, bool]:
        """Return which stages a reading can pass on the planned path.

        What stands in the sight line answers from where the surface is not, so that the gate's business is
        taken to end it. Past the surface there is nothing, and the floor is grazed: no echo.
        """
        reason = self._reason(r)
        return {
            Stage.VALIDITY: reason.tried,
            Stage.ECHO: self._echoes(r) and reason not in (Reason.OVER_OR_UNDER, Reason.FLOOR_FIRST),
            Stage.GATE: reason is not Reason.OBSTRUCTED,
        }

    def _echoes(self, r: int) -> bool:
        """Return whether the sensor gets an echo of what it should meet, if nothing is in the way."""
        sensor = self.prepared.case.robot.sensors[int(self.plan.timeline.readings.sensor[r])]
        range_m, incidence = self.prepared.sight.range_m[r], self.prepared.sight.incidence_rad[r]
        return bool(sensor.reach.low <= range_m <= sensor.reach.high and incidence <= sensor.echo_limit)

    def _see(self, r: int) -> Seen:
        return self.seen[r] if r in self.seen else self.seen.setdefault(r, self._look(r))

    def _look(self, r: int) -> Seen:
        which = int(self.plan.timeline.readings.sensor[r])
        sensor, surface = self.prepared.case.robot.sensors[which], int(self.prepared.sight.surface[r])
        edge = self.prepared.believed.edges[surface]
        built = self.built[edge.id]
        pose = self.plan.timeline.pose
        echo_pose, used_pose = pose[self.taken[r]], pose[self.compared[r]]
        believed = _model(sensor, used_pose, edge)
        drawn = _model(sensor, echo_pose, edge)
        actual = float(_model(sensor, echo_pose, built).range_m)
        looks = float(used_pose[2]) + sensor.mount.heading
        axis, robot = (math.cos(looks), math.sin(looks)), (float(used_pose[0]), float(used_pose[1]))
        turned = believed.d_mount_angle
        return Seen(r, which, surface, believed.range_m, _row(believed), turned, axis, robot, drawn, actual)

    def _test(
        self,
        state: State,
        scalar: _Scalar,
        gains: dict[int, FloatArray],
        passes: dict[Stage, bool],
    ) -> bool:
        """Put a scalar through the stages and update with it; return whether it was used."""
        correction, surface = self.prepared.case.robot.correction, scalar.parts[0][0].surface
        h, effects = _by_axis(scalar.h), scalar.effects
        ph = times_h(state.filter, h)
        variance = h[0] * ph[0] + h[1] * ph[1] + h[2] * ph[2] + scalar.variance_m2
        ph, variance, along = state.links.with_constants(ph, variance, h, effects)
        innovation = np.zeros(0)
        counted = False
        for stage in self.stages:
            if stage is Stage.PERSISTENCE:
                counted = True
                passed = self._persists(scalar.slot, surface)
            elif stage is Stage.GATE:
                innovation = self._row_of(state, scalar)
                gate = correction.gate
                within = gate is None or not abs(innovation[-1]) > gate.sigmas * math.sqrt(float(variance[0]))
                passed = passes[stage] and within
            else:
                passed = passes[stage]
            if not passed:
                if not counted:
                    self._interrupt(scalar.slot)
                return False
        law = turning_gain_of if scalar.turns else gain_of
        gain = law(correction.update, ph, variance, h)
        gain = limited_gain(correction.update, gain, innovation[-1:], self.reach_m)
        k = np.array([float(np.ravel(g)[0]) for g in gain])
        state.filter = joseph(state.filter, gain, ph, variance)
        state.links = state.links.after_fix(effects, along, gain, h)
        self._apply(state, scalar, k, innovation, gains)
        return True

    def _innovation(
        self, state: State, r: int, drawn: RangeModel, actual: float, expected: float, h: FloatArray
    ) -> FloatArray:
        """Return the innovation as a row over the constants, last its mean."""
        sensor = self.prepared.case.robot.sensors[int(self.plan.timeline.readings.sensor[r])]
        means = self.means
        scale, bias = means.get(f"range_scale:{sensor.id}", 0.0), means.get(f"range_bias:{sensor.id}", 0.0)
        edge = self.prepared.believed.edges[int(self.prepared.sight.surface[r])]
        line = self.line(edge.id)
        d = drawn
        row = np.zeros(len(self.table.constants) + 1)
        row[:-1] = d.d_offset * line.offset + d.d_tilt * line.tilt + d.d_slide * line.slide
        for key, slope in (
            (f"mount_position:{sensor.id}:x", d.d_mount_x),
            (f"mount_position:{sensor.id}:y", d.d_mount_y),
            (f"mount_angle:{sensor.id}", d.d_mount_angle),
        ):
            for place in self.places.get(key, ()):
                row[place] += float(slope)
            row[-1] += float(slope) * means.get(key, 0.0)
        truth, belief = state.sensitivity[3:6], state.sensitivity[0:3]
        then = self.echoed.get(int(self.taken[r]))
        if then is not None:
            # An old reading tells of the truth at its echo.
            truth = then[3:6]
            if self.prepared.case.robot.correction.compensate_latency:
                belief = then[0:3] + state.fixed
        row += _row(d) @ truth
        pitch = means.get(f"mount_pitch:{sensor.id}", 0.0)
        slant = actual / math.cos(pitch)
        row *= self._stretch(sensor)
        row[-1] += slant * (1.0 + scale) + bias - expected
        # About level the slant grows with the square of the pitch: its spread is for the trials alone.
        for key, share in (
            (f"range_scale:{sensor.id}", slant),
            (f"mount_pitch:{sensor.id}", slant * math.tan(pitch) * (1.0 + scale)),
        ):
            for place in self.places.get(key, ()):
                row[place] += share
        for key in (f"range_bias:{sensor.id}", f"quantisation:{sensor.id}"):
            for place in self.places.get(key, ()):
                row[place] += 1.0
        return row - h @ belief

    def _stretch(self, sensor: Sensor) -> float:
        """Return what a metre in the plane reads as: scale, and the slant of a sensor that tilts."""
        scale = self.means.get(f"range_scale:{sensor.id}", 0.0)
        return (1.0 + scale) / math.cos(self.means.get(f"mount_pitch:{sensor.id}", 0.0))

    def _row_of(self, state: State, scalar: _Scalar) -> FloatArray:
        """Return the innovation of a scalar as a row over the constants, last its mean."""
        rows = (
            weight * self._innovation(state, seen.r, seen.drawn, seen.actual_m, float(seen.range_m), seen.h)
            for seen, weight in scalar.parts
        )
        return np.asarray(sum(rows))

    def _apply(
        self,
        state: State,
        scalar: _Scalar,
        k: FloatArray,
        innovation: FloatArray,
        gains: dict[int, FloatArray],
    ) -> None:
        """Move the belief; `gains` collects by how much each reading's own noise has moved it."""
        state.sensitivity[0:3] += np.outer(k, innovation)
        state.fixed += np.outer(k, innovation)
        sensors = self.prepared.case.robot.sensors
        look = np.asarray(
            sum(
                w
                * state.white.look(
                    seen.h,
                    self._stretch(sensors[seen.sensor]) * _row(seen.drawn),
                    knot if (knot := int(self.taken[seen.r])) in state.white.copies else None,
                    self.prepared.case.robot.correction.compensate_latency,
                )
                for seen, w in scalar.parts
            )
        )
        column = state.white.gain(k)
        matrix = np.eye(len(column)) + np.outer(column, look)
        state.white.fixed(matrix)
        for r in gains:
            gains[r] = matrix @ gains[r]
        for seen, weight in scalar.parts:
            gains[seen.r] = gains.get(seen.r, np.zeros(len(column))) + weight * column

    def _add_noise(self, state: State, gains: dict[int, FloatArray], *readings: Seen) -> None:
        """Add what the noise of the readings used at one instant does to the belief."""
        for seen in readings:
            if seen.r not in gains:
                continue
            sensor = self.prepared.case.robot.sensors[seen.sensor]
            k, noise = gains[seen.r], sensor.errors.noise
            gain = np.outer(k, k)
            if noise is not None and "range_noise" not in self.table.off:
                sd = noise.at_zero + noise.per_range * float(seen.range_m)
                state.white.cov[WHITE_ROW["range_noise"]] += sd**2 * gain
            if "quantisation" not in self.table.off and f"quantisation:{sensor.id}" not in self.index:
                # Rounding to a step q is uniform over q: variance q^2/12 (JCGM 100:2008, F.2.2.1).
                state.white.cov[WHITE_ROW["quantisation"]] += sensor.resolution**2 / 12.0 * gain

    def _persists(self, slot: int, surface: int) -> bool:
        """Count a reading that passed so far; the n-th in a row on one surface and later ones are used."""
        count, last = self.streak[slot]
        count = count + 1 if last == surface else 1
        self.streak[slot] = (count, surface)
        persistence = self.prepared.case.robot.correction.persistence
        return persistence is None or count >= persistence.readings

    def _interrupt(self, slot: int) -> None:
        self.streak[slot] = (0, -1)


def _by_axis(h: FloatArray) -> Three:
    return h[0:1], h[1:2], h[2:3]


def _row(model: RangeModel) -> FloatArray:
    return np.array([float(model.d_x), float(model.d_y), float(model.d_heading)])


def _model(sensor: Sensor, pose: FloatArray, edge: Edge) -> RangeModel:
    """Return the range to one edge from one pose."""
    return model_of(sensor, pose, edge.normal, edge_middle(edge), (*edge.a, *edge.b))
