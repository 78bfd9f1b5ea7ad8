"""What a range sensor really gets back, in every trial.

The true beam is cast against the true field. Which surfaces it can possibly meet is settled
beforehand from a proven bound on the truth's deviation (`driftgate.world.culling`); trials outside the
bound are cast against everything, so culling never changes an answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.prepared import Prepared
from driftgate.predict.streams import Streams
from driftgate.predict.trial_motion import Poses
from driftgate.predict.trial_world import Draws, StrayList, TrueElement, TrueWorld, stray_list
from driftgate.predict.values import BoolArray
from driftgate.schema.base import HeightRange
from driftgate.schema.sensor import FalseReturn, Sensor
from driftgate.sight.expect import belief_knots
from driftgate.world.beam import sensor_beam
from driftgate.world.culling import candidates_for_beam, candidates_for_disc
from driftgate.world.rays import range_to_disc, range_to_polygon, range_to_segment

# The bound inside which culling holds: deviation of the pose in metres and radians, of surfaces in
# metres. Trials outside take the exact path, so these numbers only trade speed.
POSITION_SLACK_M = 0.15
ANGLE_SLACK_RAD = 0.12
SURFACE_SLACK_M = 0.06


@dataclass(frozen=True)
class BeamCandidates:
    """For each reading of the plan, what its true beam may meet inside the bound.

    `edges[r]` are indices of true edges, `elements[r]` of true elements.
    """

    edges: tuple[IntArray, ...]
    elements: tuple[IntArray, ...]


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


def echo_knots(prepared: Prepared, off: frozenset[str]) -> IntArray:
    """Return the knot at which each reading is taken; with latency switched off that is its arrival."""
    readings = prepared.plan.timeline.readings
    return readings.knot if "range_latency" in off else readings.echo_knot


def compared_knots(prepared: Prepared, off: frozenset[str]) -> IntArray:
    """Return the knot whose belief each reading is compared with."""
    if "range_latency" in off:
        return prepared.plan.timeline.readings.knot
    return belief_knots(prepared.case, prepared.plan)


def beam_candidates(prepared: Prepared, off: frozenset[str]) -> BeamCandidates:
    """Return what every true beam may meet, given the bound, once per plan."""
    readings, pose = prepared.plan.timeline.readings, prepared.plan.timeline.pose
    knots = echo_knots(prepared, off)
    sensors = prepared.case.robot.sensors
    count = len(readings.knot)
    edges: list[IntArray] = [np.zeros(0, dtype=np.intp)] * count
    elements: list[IntArray] = [np.zeros(0, dtype=np.intp)] * count
    world = prepared.true
    ax, ay, bx, by = np.array([(*e.a, *e.b) for e in world.edges], dtype=float).reshape(-1, 4).T
    centre_x, centre_y = np.array([e.pose[:2] for e in world.elements], dtype=float).reshape(-1, 2).T
    reach = np.array([e.outline.reach_m for e in world.elements])
    for s, sensor in enumerate(sensors):
        mine = np.flatnonzero(readings.sensor == s)
        if len(mine) == 0:
            continue
        at = pose[knots[mine]]
        beam = sensor_beam(at[:, 0], at[:, 1], at[:, 2], sensor.mount.x, sensor.mount.y, sensor.mount.heading)
        reach_m, near = sensor.reach.high, position_slack(sensor)
        tall = [e.low_m <= sensor.mount.height <= e.high_m for e in world.edges]
        may = candidates_for_beam(
            *beam, reach_m, near, ANGLE_SLACK_RAD, ax, ay, bx, by, SURFACE_SLACK_M
        ) & np.array(tall)
        may_disc = np.zeros((len(mine), len(world.elements)), dtype=bool)
        if len(world.elements):
            reaches = np.array([element_is_tall(e.source.height, sensor) for e in world.elements])
            may_disc = (
                candidates_for_disc(
                    *beam, reach_m, near, ANGLE_SLACK_RAD, centre_x, centre_y, reach, SURFACE_SLACK_M
                )
                & reaches
            )
        for row, r in enumerate(mine):
            edges[r] = np.flatnonzero(may[row])
            elements[r] = np.flatnonzero(may_disc[row])
    return BeamCandidates(tuple(edges), tuple(elements))


def position_slack(sensor: Sensor) -> float:
    """Return how far a beam's start may be off inside the bound: the pose, and the lever of its turn. [m]"""
    lever = float(np.hypot(sensor.mount.x, sensor.mount.y))
    return POSITION_SLACK_M + ANGLE_SLACK_RAD * lever + 0.02


def element_is_tall(height: HeightRange, sensor: Sensor) -> bool:
    """Return whether an element stands in the beam's height."""
    return height.low <= sensor.mount.height <= height.high


class EchoMaker:
    """Echoes of a batch of trials."""

    def __init__(
        self, prepared: Prepared, candidates: BeamCandidates, world: TrueWorld, draws: Draws, streams: Streams
    ) -> None:
        self._prepared = prepared
        self._candidates = candidates
        self._world = world
        self._draws = draws
        self._streams = streams
        self._count = draws.count
        self._culls = bool(np.all(world.moved_m <= SURFACE_SLACK_M))
        self._off = draws.off
        self._knots = echo_knots(prepared, draws.off)
        self._strays: dict[str, StrayList] = {}
        self._runs: dict[str, BoolArray] = {}

    def echo(self, r: int, p: Poses, clock_s: FloatArray, runs: dict[str, BoolArray]) -> Echo:
        """Return the readings taken at the instant of reading r's echo.

        `runs` is what `runs_now` gave at that instant.
        """
        prepared = self._prepared
        readings = prepared.plan.timeline.readings
        sensor = prepared.case.robot.sensors[int(readings.sensor[r])]
        place = prepared.plan.steps[int(readings.step[r])].place
        ordinal = int(readings.ordinal[r])
        pose = prepared.plan.timeline.pose[self._knots[r]]
        value = self._draws.value
        zero = np.zeros(1)
        shift_x = value.get(f"mount_position:{sensor.id}:x", zero)
        shift_y = value.get(f"mount_position:{sensor.id}:y", zero)
        angle = value.get(f"mount_angle:{sensor.id}", zero)
        beam = sensor_beam(
            pose[0] + p.xx,
            pose[1] + p.xy,
            pose[2] + p.xh,
            sensor.mount.x + shift_x,
            sensor.mount.y + shift_y,
            sensor.mount.heading + angle,
        )
        beam = tuple(np.broadcast_to(b, (self._count,)) for b in beam)  # type: ignore[assignment]
        range_m, surface, cosine = self._cast(r, sensor, beam, p, (shift_x, shift_y, angle), clock_s)
        got = (range_m >= sensor.reach.low) & (range_m <= sensor.reach.high)
        got &= cosine >= np.cos(sensor.echo_limit)
        return self._measure(sensor, (place, ordinal), range_m, surface, got, runs)

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
        known = np.where(np.isfinite(range_m), range_m, 0.0)
        reading = known * (1.0 + value.get(f"range_scale:{sensor.id}", np.zeros(1)))
        reading = reading + value.get(f"range_bias:{sensor.id}", np.zeros(1))
        if errors.noise is not None and "range_noise" not in self._off:
            normal = streams.normals(f"range_noise:{sensor.id}", *address)
            reading = reading + normal * (errors.noise.at_zero + errors.noise.per_range * known)
        if errors.short_return is not None and "short_return" not in self._off:
            false, where = self._false_return(errors.short_return, f"short_return:{sensor.id}", address, runs)
            before = np.minimum(np.where(np.isfinite(range_m), range_m, high), high)
            room = np.maximum(before - low, 0.0)
            reading = np.where(false, before - false_offset(errors.short_return, where, room), reading)
            surface = np.where(false, -1, surface)
            got = got | false
        if errors.long_return is not None and "long_return" not in self._off:
            false, where = self._false_return(errors.long_return, f"long_return:{sensor.id}", address, runs)
            false = false & got & (surface >= 0)
            room = np.maximum(high - known, 0.0)
            reading = np.where(false, known + false_offset(errors.long_return, where, room), reading)
            surface = np.where(false, -1, surface)
        if errors.dropout is not None and "dropout" not in self._off:
            chance, _ = streams.uniforms(f"dropout:{sensor.id}", *address)
            got = got & (chance >= errors.dropout.probability)
        if sensor.resolution > 0.0 and "quantisation" not in self._off:
            reading = np.round(reading / sensor.resolution) * sensor.resolution
        got = got & (reading >= low) & (reading <= high)
        return Echo(np.where(got, reading, np.nan), np.where(got, surface, -1))

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
            chance, _ = self._streams.uniforms(key, place, int(readings.ordinal[r]))
            before = self._runs.get(key)
            p, length = source.probability, source.run_length
            # Left after 1 / length readings on average; entered so often that the share of false
            # returns stays p.
            enter = min(1.0, p / (length * max(1.0 - p, 1e-12)))
            limit = p if before is None else np.where(before, 1.0 - 1.0 / length, enter)
            self._runs[key] = chance < limit

    def _false_return(
        self, source: FalseReturn, key: str, address: tuple[str, int], runs: dict[str, BoolArray]
    ) -> tuple[BoolArray, FloatArray]:
        """Return in which trials a reading is false, and a uniform for where it lies."""
        chance, where = self._streams.uniforms(key, *address)
        if source.run_length > 1.0:
            return runs[key], where
        return chance < source.probability, where

    def _cast(
        self,
        r: int,
        sensor: Sensor,
        beam: tuple[FloatArray, ...],
        p: Poses,
        mount: tuple[FloatArray, FloatArray, FloatArray],
        clock_s: FloatArray,
    ) -> tuple[FloatArray, IntArray, FloatArray]:
        """Return range, surface and cosine of incidence of the first thing the true beam meets."""
        outside = (
            (np.hypot(p.xx, p.xy) > POSITION_SLACK_M)
            | (np.abs(p.xh) + np.abs(mount[2]) > ANGLE_SLACK_RAD)
            | (np.hypot(mount[0], mount[1]) > 0.02)
        )
        edges = self._candidates.edges[r] if self._culls else self._tall_edges(sensor)
        found = self._first(sensor, beam, edges, self._candidates.elements[r], None, clock_s)
        far = np.flatnonzero(np.broadcast_to(outside, (self._count,)))
        if len(far):
            part = tuple(b[far] for b in beam)
            exact = self._first(
                sensor, part, self._tall_edges(sensor), self._tall_elements(sensor), far, clock_s
            )
            for whole, some in zip(found, exact, strict=True):
                whole[far] = some
        return found

    def _tall_edges(self, sensor: Sensor) -> IntArray:
        height = sensor.mount.height
        keep = [i for i, e in enumerate(self._world.edges) if e.low_m <= height <= e.high_m]
        return np.array(keep, dtype=np.intp)

    def _tall_elements(self, sensor: Sensor) -> IntArray:
        keep = [
            j for j, e in enumerate(self._world.elements) if element_is_tall(e.source.source.height, sensor)
        ]
        return np.array(keep, dtype=np.intp)

    def _first(
        self,
        sensor: Sensor,
        beam: tuple[FloatArray, ...],
        edges: IntArray,
        elements: IntArray,
        trials: IntArray | None,
        clock_s: FloatArray,
    ) -> tuple[FloatArray, IntArray, FloatArray]:
        px, py, ux, uy = beam
        world = self._world
        pick: slice | IntArray = slice(None) if trials is None else trials
        nearest = np.full(len(px), np.inf)
        surface = np.full(len(px), -1, dtype=np.intp)
        for e in edges:
            ends = world.ax[e][pick], world.ay[e][pick], world.bx[e][pick], world.by[e][pick]
            range_m = range_to_segment(px, py, ux, uy, *ends)
            closer = range_m < nearest
            surface = np.where(closer, e, surface)
            nearest = np.where(closer, range_m, nearest)
        for j in self._elements_to_test(sensor, elements, trials is None):
            self._meet_element(j, beam, pick, clock_s, nearest, surface)
        if trials is None:
            self._meet_strays(sensor, beam, clock_s, nearest, surface)
        return nearest, surface, self._cosine(ux, uy, surface, edges, pick)

    def _cosine(
        self, ux: FloatArray, uy: FloatArray, surface: IntArray, edges: IntArray, pick: slice | IntArray
    ) -> FloatArray:
        """Return the cosine of incidence on edges; loose elements are met squarely."""
        cosine = np.ones(len(ux))
        for e in edges:
            hit = surface == e
            if not hit.any():
                continue
            world = self._world
            ex, ey = (world.bx[e] - world.ax[e])[pick], (world.by[e] - world.ay[e])[pick]
            cosine = np.where(hit, np.abs(ux * ey - uy * ex) / np.hypot(ex, ey), cosine)
        return cosine

    def _elements_to_test(self, sensor: Sensor, near: IntArray, culled: bool) -> list[int]:
        """Return the elements to test in all trials at hand; strays come apart where beams are culled."""
        found = {int(j) for j in near}
        if culled:
            tall = self._tall_elements(sensor).tolist()
            found |= {j for j in tall if self._world.elements[j].moved_m > SURFACE_SLACK_M}
        return sorted(found)

    def _meet_element(
        self,
        j: int,
        beam: tuple[FloatArray, ...],
        pick: slice | IntArray,
        clock_s: FloatArray,
        nearest: FloatArray,
        surface: IntArray,
    ) -> None:
        element = self._world.elements[j]
        range_m = element_range(element, beam, pick)
        present = element_present(element, np.broadcast_to(clock_s, (self._count,))[pick])
        closer = (range_m < nearest) & present
        np.copyto(surface, len(self._world.edges) + j, where=closer)
        np.copyto(nearest, range_m, where=closer)

    def _meet_strays(
        self,
        sensor: Sensor,
        beam: tuple[FloatArray, ...],
        clock_s: FloatArray,
        nearest: FloatArray,
        surface: IntArray,
    ) -> None:
        """Test strayed elements in the trials in which they strayed."""
        strays = self._strays_at(sensor)
        if len(strays.trial) == 0:
            return
        px, py, ux, uy = (b[strays.trial] for b in beam)
        rough = range_to_disc(px, py, ux, uy, strays.x, strays.y, strays.reach_m)
        clock = np.broadcast_to(clock_s, (self._count,))
        for row in np.flatnonzero(rough < nearest[strays.trial]).tolist():
            j, trial = int(strays.element[row]), strays.trial[row : row + 1]
            element = self._world.elements[j]
            range_m = element_range(element, tuple(b[trial] for b in beam), trial)
            if range_m[0] < nearest[trial[0]] and element_present(element, clock[trial])[0]:
                nearest[trial[0]], surface[trial[0]] = range_m[0], len(self._world.edges) + j

    def _strays_at(self, sensor: Sensor) -> StrayList:
        if sensor.id not in self._strays:
            tall = [element_is_tall(e.source.source.height, sensor) for e in self._world.elements]
            self._strays[sensor.id] = stray_list(self._world, tall)
        return self._strays[sensor.id]


def false_offset(source: FalseReturn, where: FloatArray, room_m: FloatArray) -> FloatArray:
    """Return how far from the real surface a false return lies: uniform in the room there is, or near.

    The short reading of S. Thrun, W. Burgard and D. Fox, Probabilistic Robotics (2005), section 6.3, is
    a truncated exponential from the sensor; here it may be one from the surface, the harder case.
    """
    if source.distance is None:
        return where * room_m
    scale = source.distance
    full = 1.0 - np.exp(-room_m / scale)
    return -scale * np.log1p(-where * full)


def element_present(element: TrueElement, clock_s: FloatArray) -> BoolArray:
    """Return whether an element is there at a time on the trial's clock."""
    present = element.source.source.present
    there = clock_s >= present.begin
    if present.end is not None:
        there = there & (clock_s < present.end)
    return np.asarray(there)


def element_range(element: TrueElement, beam: tuple[FloatArray, ...], trials: slice | IntArray) -> FloatArray:
    """Return the range to an element in the given trials, inf for a miss. [m]"""
    px, py, ux, uy = beam
    if element.corners_x is not None and element.corners_y is not None:
        return range_to_polygon(px, py, ux, uy, element.corners_x[:, trials], element.corners_y[:, trials])
    radius = element.source.outline.radius_m or 0.0
    return range_to_disc(px, py, ux, uy, element.x[trials], element.y[trials], radius)
