"""What a range sensor really gets back, in every trial.

The true beam is cast against the true field (`driftgate.predict.casting`), and what it meets becomes a
reading: lost, false, biased, noisy, rounded.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from driftgate.core.pose import FloatArray, cos_sin
from driftgate.plan.values import IntArray
from driftgate.predict.bounds import Bounded, mount_place_slack, mount_slack
from driftgate.predict.candidates import BeamCandidates, echo_knots, is_uneven
from driftgate.predict.casting import Caster
from driftgate.predict.doubt import chance_key, factor_key
from driftgate.predict.prepared import Prepared
from driftgate.predict.streams import Streams
from driftgate.predict.trial_motion import Poses, wide
from driftgate.predict.trial_world import Draws, TrueWorld
from driftgate.predict.true_beam import TrueBeam
from driftgate.predict.values import BoolArray
from driftgate.schema.sensor import Chance, FalseReturn, Sensor
from driftgate.world.cone import Axis

Row = TypeVar("Row", FloatArray, IntArray)


@dataclass(frozen=True)
class Echo:
    """Readings of one sensor at one instant, shape (n,) each.

    Attributes
    ----------
    reading_m : ndarray
        nan where nothing came back.
    surface : ndarray of int
        Index of the true edge that the echo came from; edges + j for element j; -1 for a false
        return or none.
    """

    reading_m: FloatArray
    surface: IntArray


@dataclass(frozen=True)
class _Mounted:
    """How a sensor sits on the robot in every trial: place, direction, and who is outside the bound."""

    x: FloatArray
    y: FloatArray
    cosine: FloatArray
    sine: FloatArray
    outside: IntArray


class _Instant:
    """What all readings of one instant share: the true poses, and the bound that holds for them."""

    def __init__(self, knot: int, pose: FloatArray, p: Poses) -> None:
        self.knot = knot
        self.key = (p.xx, p.xy, p.xh)
        self.x, self.y = pose[0] + p.xx, pose[1] + p.xy
        self.cosine, self.sine = cos_sin(pose[2] + p.xh)
        self.bound = Bounded(*self.key)

    def is_of(self, knot: int, p: Poses) -> bool:
        """Return whether it is of this knot and these very arrays; they are replaced, never written to.

        In a contact step the plan moves on while the arrays stay.
        """
        return self.knot == knot and self.key[0] is p.xx and self.key[1] is p.xy and self.key[2] is p.xh


class EchoMaker:
    """Echoes of a batch of trials."""

    def __init__(
        self,
        prepared: Prepared,
        candidates: BeamCandidates,
        world: TrueWorld,
        draws: Draws,
        streams: Streams,
    ) -> None:
        self._prepared = prepared
        self._caster = Caster(prepared, candidates, world, draws.count)
        self._draws = draws
        self._streams = streams
        self._count = draws.count
        self._off = draws.off
        self._knots = echo_knots(prepared, draws.off)
        self._runs: dict[str, BoolArray] = {}
        # The last uniforms drawn of each kind of false return, and for which reading.
        self._drawn: dict[str, tuple[str, int, tuple[FloatArray, FloatArray]]] = {}
        self._mounted = {s.id: self._mount(s) for s in prepared.case.robot.sensors}
        self._instant: _Instant | None = None

    def _mount(self, sensor: Sensor) -> _Mounted:
        value, zero = self._draws.value, np.zeros(1)
        shift_x = value.get(f"mount_position:{sensor.id}:x", zero)
        shift_y = value.get(f"mount_position:{sensor.id}:y", zero)
        angle = value.get(f"mount_angle:{sensor.id}", zero)
        shifted = shift_x**2 + shift_y**2 > mount_place_slack(sensor) ** 2
        outside = shifted | (np.abs(angle) > mount_slack(sensor))
        far = np.flatnonzero(np.broadcast_to(outside, (self._count,)))
        mount = sensor.mount
        return _Mounted(mount.x + shift_x, mount.y + shift_y, *cos_sin(mount.heading + angle), far)

    def echo(
        self, r: int, p: Poses, clock_s: FloatArray, runs: dict[str, BoolArray], world: TrueWorld
    ) -> Echo:
        """Return the readings taken at the instant of reading r's echo.

        `runs` is what `runs_now` gave at that instant, `world` the true field as it then was.
        """
        prepared = self._prepared
        readings = prepared.plan.timeline.readings
        sensor = prepared.case.robot.sensors[int(readings.sensor[r])]
        place = prepared.plan.steps[int(readings.step[r])].place
        knot = int(self._knots[r])
        if self._instant is None or not self._instant.is_of(knot, p):
            self._instant = _Instant(knot, prepared.plan.timeline.pose[knot], p)
        now, mount = self._instant, self._mounted[sensor.id]
        beam = (
            now.x + now.cosine * mount.x - now.sine * mount.y,
            now.y + now.sine * mount.x + now.cosine * mount.y,
            now.cosine * mount.cosine - now.sine * mount.sine,
            now.sine * mount.cosine + now.cosine * mount.sine,
        )
        px, py, ux, uy = (wide(row, self._count) for row in beam)
        cone = Axis(px, py, ux, uy, 0.5 * sensor.beam_width)
        far = now.bound.far
        if len(mount.outside):
            far = np.union1d(far, mount.outside)
        met = self._caster.cast(r, sensor, self._tilted(sensor, cone), now.bound, far, clock_s, world)
        got = (met.range_m >= sensor.reach.low) & (met.range_m <= sensor.reach.high)
        got &= met.cosine >= math.cos(sensor.echo_limit)
        address = place, int(readings.ordinal[r])
        return self._measure(sensor, address, met.range_m, met.surface, got, runs)

    def _tilted(self, sensor: Sensor, cone: Axis) -> TrueBeam:
        """Return a beam with its height and pitch in every trial, if they differ from the nominal ones."""
        if not is_uneven(sensor):
            return TrueBeam(cone)
        zero = np.zeros(1)
        height_m = sensor.mount.height + self._draws.value.get(f"mount_height:{sensor.id}", zero)
        climb = np.tan(self._draws.value.get(f"mount_pitch:{sensor.id}", zero))
        return TrueBeam(
            cone, np.broadcast_to(height_m, (self._count,)), np.broadcast_to(climb, (self._count,))
        )

    def _measure(
        self,
        sensor: Sensor,
        address: tuple[str, int],
        range_m: FloatArray,
        surface: IntArray,
        got: BoolArray,
        runs: dict[str, BoolArray],
    ) -> Echo:
        """Turn the true echo into a reading: dropout, false returns, scale, bias, noise, rounding."""
        value, errors, streams = self._draws.value, sensor.errors, self._streams
        low, high = sensor.reach.low, sensor.reach.high
        finite = np.isfinite(range_m)
        known = range_m if finite.all() else np.where(finite, range_m, 0.0)
        scale, bias = value.get(f"range_scale:{sensor.id}"), value.get(f"range_bias:{sensor.id}")
        reading = known if scale is None else known * (1.0 + scale)
        reading = reading if bias is None else reading + bias
        if errors.noise is not None and "range_noise" not in self._off:
            normal = streams.normals(f"range_noise:{sensor.id}", *address)
            doubt, growth = self._doubted(f"range_noise:{sensor.id}"), errors.noise.per_range
            sd = errors.noise.at_zero + growth * known if growth else errors.noise.at_zero
            reading = reading + (normal if doubt is None else normal * doubt) * sd
        if errors.short_return is not None and "short_return" not in self._off:
            false, where = self._false_return(errors.short_return, f"short_return:{sensor.id}", address, runs)
            # One reading in a hundred or so: these alone.
            who = false.nonzero()[0]
            before = np.minimum(np.where(finite[who], range_m[who], high), high)
            room = np.maximum(before - low, 0.0)
            reading = _with(reading, who, before - false_offset(errors.short_return, where[who], room))
            surface = _with(surface, who, -1)
            got = got | false
        if errors.long_return is not None and "long_return" not in self._off:
            false, where = self._false_return(errors.long_return, f"long_return:{sensor.id}", address, runs)
            who = (false & got & (surface >= 0)).nonzero()[0]
            room = np.maximum(high - known[who], 0.0)
            reading = _with(reading, who, known[who] + false_offset(errors.long_return, where[who], room))
            surface = _with(surface, who, -1)
        if errors.random_return is not None and "random_return" not in self._off:
            chance, where = streams.uniforms(f"random_return:{sensor.id}", *address)
            false = chance < self._chance(errors.random_return, f"random_return:{sensor.id}")
            at = errors.random_return.at
            reading = np.where(false, low + where * (high - low) if at is None else at, reading)
            surface = np.where(false, -1, surface)
            got = got | false
        if errors.dropout is not None and "dropout" not in self._off:
            chance, _ = streams.uniforms(f"dropout:{sensor.id}", *address)
            got = got & (chance >= self._chance(errors.dropout, f"dropout:{sensor.id}"))
        if sensor.resolution > 0.0 and "quantisation" not in self._off:
            reading = np.round(reading / sensor.resolution) * sensor.resolution
        got = got & (reading >= low) & (reading <= high)
        lost = (~got).nonzero()[0]
        return Echo(_with(reading, lost, np.nan), _with(surface, lost, -1))

    def _doubted(self, name: str) -> FloatArray | None:
        """Return the factor on a noise that is itself uncertain, by trial; None where it is known."""
        return self._draws.value.get(factor_key(name))

    def _chance(self, source: Chance, key: str) -> FloatArray | float:
        """Return a probability, by trial where it is itself uncertain."""
        return self._draws.value.get(chance_key(key), source.probability)

    def runs_now(self) -> dict[str, BoolArray]:
        """Return the runs of false returns as they stand; the arrays are never written to."""
        return dict(self._runs)

    def advance(self, r: int) -> None:
        """Advance the runs of false returns by one reading, whether or not anybody looks at it."""
        readings = self._prepared.plan.timeline.readings
        sensor = self._prepared.case.robot.sensors[int(readings.sensor[r])]
        place = self._prepared.plan.steps[int(readings.step[r])].place
        for name in ("short_return", "long_return"):
            source = getattr(sensor.errors, name)
            if source is None or source.run_length <= 1.0 or name in self._off:
                continue
            key = f"{name}:{sensor.id}"
            chance, _ = self._uniforms(key, place, int(readings.ordinal[r]))
            before = self._runs.get(key)
            p, length = self._chance(source, key), source.run_length
            # Left after 1 / length readings on average; entered so often that the share of false
            # returns stays p.
            enter = np.minimum(1.0, p / (length * np.maximum(1.0 - p, 1e-12)))
            limit = p if before is None else np.where(before, 1.0 - 1.0 / length, enter)
            self._runs[key] = chance < limit

    def _uniforms(self, key: str, place: str, ordinal: int) -> tuple[FloatArray, FloatArray]:
        """Return the uniforms of a false return of a reading; whether and where are asked apart."""
        last = self._drawn.get(key)
        if last is None or last[:2] != (place, ordinal):
            last = self._drawn[key] = place, ordinal, self._streams.uniforms(key, place, ordinal)
        return last[2]

    def _false_return(
        self, source: FalseReturn, key: str, address: tuple[str, int], runs: dict[str, BoolArray]
    ) -> tuple[BoolArray, FloatArray]:
        """Return in which trials a reading is false, and a uniform for where it lies."""
        chance, where = self._uniforms(key, *address)
        if source.run_length > 1.0:
            return runs[key], where
        return chance < self._chance(source, key), where


def _with(row: Row, who: IntArray, values: Row | float) -> Row:
    """Return a row with other values in some trials."""
    if not len(who):
        return row
    row = row.copy()
    row[who] = values
    return row


def false_offset(source: FalseReturn, where: FloatArray, room_m: FloatArray) -> FloatArray:
    """Return how far from the real surface a false return lies: uniform in the room there is, or near.

    The short reading of S. Thrun, W. Burgard and D. Fox, Probabilistic Robotics (2005), section 6.3, is
    a truncated exponential from the sensor; here it may also be one from the surface, the harder case.
    """
    if source.distance is None:
        return where * room_m
    scale = source.distance
    full = 1.0 - np.exp(-room_m / scale)
    along = -scale * np.log1p(-where * full)
    return room_m - along if getattr(source, "distance_from", "surface") == "sensor" else along
