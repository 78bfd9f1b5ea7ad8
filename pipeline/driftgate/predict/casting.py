"""What a range sensor's true beam or cone meets, in every trial.

It is cast against the true field. Which surfaces it can possibly meet is settled beforehand from a proven
bound on the truth's deviation (`driftgate.world.culling`); trials outside the bound are cast against
everything, so culling never changes an answer. A cone is the union of its beams, so that half its width
adds to the bound on their direction.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.prepared import Prepared
from driftgate.predict.trial_motion import Poses
from driftgate.predict.trial_world import StrayList, TrueElement, TrueWorld, stray_list
from driftgate.predict.values import BoolArray
from driftgate.schema.base import HeightRange
from driftgate.schema.sensor import Sensor
from driftgate.sight.expect import belief_knots
from driftgate.world.beam import sensor_beam
from driftgate.world.cone import Axis, disc_in_cone, is_closer, polygon_in_cone, segment_in_cone
from driftgate.world.culling import candidates_for_beam, candidates_for_disc
from driftgate.world.rays import Values, range_to_segment

# The bound inside which culling holds: deviation of the pose in metres and radians, of surfaces in
# metres. Trials outside take the exact path, so these numbers only trade speed.
POSITION_SLACK_M = 0.15
ANGLE_SLACK_RAD = 0.12
SURFACE_SLACK_M = 0.06
MOUNT_SLACK_M = 0.02


@dataclass(frozen=True)
class BeamCandidates:
    """For each reading of the plan, what its true beam may meet inside the bound.

    `edges[r]` are indices of true edges, `elements[r]` of true elements.
    """

    edges: tuple[IntArray, ...]
    elements: tuple[IntArray, ...]


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
        reach_m, near, turn = sensor.reach.high, position_slack(sensor), angle_slack(sensor)
        tall = [may_meet(e.low_m, e.high_m, sensor) for e in world.edges]
        may = candidates_for_beam(*beam, reach_m, near, turn, ax, ay, bx, by, SURFACE_SLACK_M) & np.array(
            tall
        )
        may_disc = np.zeros((len(mine), len(world.elements)), dtype=bool)
        if len(world.elements):
            reaches = np.array([element_is_tall(e.source.height, sensor) for e in world.elements])
            may_disc = (
                candidates_for_disc(*beam, reach_m, near, turn, centre_x, centre_y, reach, SURFACE_SLACK_M)
                & reaches
            )
        for row, r in enumerate(mine):
            edges[r] = np.flatnonzero(may[row])
            elements[r] = np.flatnonzero(may_disc[row])
    return BeamCandidates(tuple(edges), tuple(elements))


def position_slack(sensor: Sensor) -> float:
    """Return how far a beam's start may be off inside the bound: the pose, and the lever of its turn. [m]"""
    lever = float(np.hypot(sensor.mount.x, sensor.mount.y))
    return POSITION_SLACK_M + ANGLE_SLACK_RAD * lever + MOUNT_SLACK_M


def angle_slack(sensor: Sensor) -> float:
    """Return how far any direction in a sensor's cone may be off inside the bound. [rad]"""
    return ANGLE_SLACK_RAD + 0.5 * sensor.beam_width


def is_uneven(sensor: Sensor) -> bool:
    """Return whether a sensor's height or pitch differs between trials."""
    return sensor.errors.mount_height is not None or sensor.errors.mount_pitch is not None


def may_meet(low_m: float, high_m: float, sensor: Sensor) -> bool:
    """Return whether a sensor's beam can be at the height of something; one that tilts can be anywhere."""
    return is_uneven(sensor) or low_m <= sensor.mount.height <= high_m


def element_is_tall(height: HeightRange, sensor: Sensor) -> bool:
    """Return whether an element can stand in the beam's height."""
    return may_meet(height.low, height.high, sensor)


class TrueBeam(NamedTuple):
    """The true beam or cone of every trial.

    Attributes
    ----------
    cone : Axis
        In the plane, arrays of shape (n,).
    height_m, climb : ndarray, shape (n,), or None
        Height of the sensor, and how much the beam's centre rises per metre; None for a level beam at its
        nominal height, which is what the surfaces at hand were chosen for. [m, m/m]
    """

    cone: Axis
    height_m: FloatArray | None = None
    climb: FloatArray | None = None

    def at(self, trials: slice | IntArray) -> TrueBeam:
        """Return the beams of some trials."""
        cone = self.cone.at(trials)
        if self.height_m is None or self.climb is None:
            return TrueBeam(cone)
        return TrueBeam(cone, self.height_m[trials], self.climb[trials])

    def seen(self, range_m: FloatArray, low_m: float, high_m: float) -> FloatArray:
        """Return ranges with those met below or above a thing's height range made a miss."""
        if self.height_m is None or self.climb is None:
            return range_m
        height_m = self.height_m + self.climb * np.where(np.isfinite(range_m), range_m, 0.0)
        return np.where((height_m >= low_m) & (height_m <= high_m), range_m, np.inf)


@dataclass
class Met:
    """What answers first, shape (n,) each.

    Attributes
    ----------
    range_m : ndarray
        inf for nothing. [m]
    surface : ndarray of int
        Index of the true edge; edges + j for element j; -1 for the floor or nothing.
    cosine : ndarray
        Of the incidence; loose elements are met squarely.
    """

    range_m: FloatArray
    surface: IntArray
    cosine: FloatArray

    def take(self, closer: BoolArray, range_m: FloatArray, surface: int, cosine: Values) -> None:
        """Put an answer in front where it is closer."""
        np.copyto(self.range_m, range_m, where=closer)
        np.copyto(self.surface, surface, where=closer)
        np.copyto(self.cosine, cosine, where=closer)


class Caster:
    """Casts the true beams of a batch of trials."""

    def __init__(self, prepared: Prepared, candidates: BeamCandidates, world: TrueWorld, count: int) -> None:
        self._candidates = candidates
        self._world = world
        self._count = count
        self._culls = bool(np.all(world.moved_m <= SURFACE_SLACK_M))
        self._strays: dict[str, StrayList] = {}
        sensors = prepared.case.robot.sensors
        self._tall_edges = {s.id: _tall_edges(world, s) for s in sensors}
        self._tall_elements = {s.id: _tall_elements(world, s) for s in sensors}

    def cast(
        self,
        r: int,
        sensor: Sensor,
        beam: TrueBeam,
        p: Poses,
        mount: tuple[FloatArray, FloatArray, FloatArray],
        clock_s: FloatArray,
        world: TrueWorld,
    ) -> Met:
        """Return the first thing that the true beam of reading r meets.

        Parameters
        ----------
        r : int
            The reading.
        sensor : Sensor
            Its sensor.
        beam : TrueBeam
            The beam in every trial.
        p : Poses
            Deviations of the poses at the echo.
        mount : tuple of ndarray
            How far the sensor is off its place and direction: x, y, angle. [m, m, rad]
        clock_s : ndarray
            Each trial's own clock. [s]
        world : TrueWorld
            The true field at the echo.
        """
        self._world = world
        outside = (
            (np.hypot(p.xx, p.xy) > POSITION_SLACK_M)
            | (np.abs(p.xh) + np.abs(mount[2]) > ANGLE_SLACK_RAD)
            | (np.hypot(mount[0], mount[1]) > MOUNT_SLACK_M)
        )
        everything = self._tall_edges[sensor.id]
        edges = self._candidates.edges[r] if self._culls else everything
        found = self._first(sensor, beam, edges, self._candidates.elements[r], None, clock_s)
        far = np.flatnonzero(np.broadcast_to(outside, (self._count,)))
        if len(far):
            elements = self._tall_elements[sensor.id]
            exact = self._first(sensor, beam.at(far), everything, elements, far, clock_s)
            found.range_m[far], found.surface[far] = exact.range_m, exact.surface
            found.cosine[far] = exact.cosine
        return found

    def _first(
        self,
        sensor: Sensor,
        beam: TrueBeam,
        edges: IntArray,
        elements: IntArray,
        trials: IntArray | None,
        clock_s: FloatArray,
    ) -> Met:
        """Return what answers first in all trials, or of `trials` alone, whose beams are given."""
        count = np.size(beam.cone.px)
        pick: slice | IntArray = slice(None) if trials is None else trials
        met = Met(np.full(count, np.inf), np.full(count, -1, dtype=np.intp), np.ones(count))
        self._meet_edges(beam, edges, pick, met)
        for j in self._elements_to_test(sensor, elements, trials is None):
            self._meet_element(j, beam, pick, clock_s, met)
        if trials is None:
            self._meet_strays(sensor, beam, clock_s, met)
            self._meet_pushed(sensor, beam, clock_s, met)
        if beam.height_m is not None and beam.climb is not None:
            _tilt(met, beam.height_m, beam.climb)
        return met

    def _meet_edges(self, beam: TrueBeam, edges: IntArray, pick: slice | IntArray, met: Met) -> None:
        world, cone = self._world, beam.cone
        px, py, ux, uy, half_rad = cone
        if half_rad > 0.0:
            met.cosine[:] = 0.0
        for e in edges:
            ends = world.ax[e][pick], world.ay[e][pick], world.bx[e][pick], world.by[e][pick]
            low_m, high_m = world.edges[e].low_m, world.edges[e].high_m
            if half_rad > 0.0:
                range_m, cosine = segment_in_cone(cone, *ends)
                range_m = beam.seen(range_m, low_m, high_m)
                met.take(is_closer(range_m, cosine, met.range_m, met.cosine), range_m, e, cosine)
            else:
                range_m = beam.seen(range_to_segment(px, py, ux, uy, *ends), low_m, high_m)
                met.take(range_m < met.range_m, range_m, e, 1.0)
        if half_rad == 0.0:
            self._square(cone, edges, pick, met)

    def _square(self, cone: Axis, edges: IntArray, pick: slice | IntArray, met: Met) -> None:
        """Work out the cosine of incidence of lines, only for the edges that answered."""
        world = self._world
        for e in edges:
            hit = met.surface == e
            if hit.any():
                ex, ey = (world.bx[e] - world.ax[e])[pick], (world.by[e] - world.ay[e])[pick]
                cosine = np.abs(cone.ux * ey - cone.uy * ex) / np.hypot(ex, ey)
                np.copyto(met.cosine, cosine, where=hit)

    def _elements_to_test(self, sensor: Sensor, near: IntArray, culled: bool) -> list[int]:
        """Return the elements to test in all trials at hand; strays come apart where beams are culled."""
        found = {int(j) for j in near}
        if culled:
            tall = self._tall_elements[sensor.id].tolist()
            found |= {j for j in tall if self._world.elements[j].moved_m > SURFACE_SLACK_M}
        return sorted(found)

    def _meet_element(
        self, j: int, beam: TrueBeam, pick: slice | IntArray, clock_s: FloatArray, met: Met
    ) -> None:
        element = self._world.elements[j]
        height = element.source.source.height
        range_m = beam.seen(element_range(element, beam.cone, pick), height.low, height.high)
        present = element.present(np.broadcast_to(clock_s, (self._count,))[pick], pick)
        met.take((range_m < met.range_m) & present, range_m, len(self._world.edges) + j, 1.0)

    def _meet_strays(self, sensor: Sensor, beam: TrueBeam, clock_s: FloatArray, met: Met) -> None:
        """Test strayed elements in the trials in which they strayed."""
        strays = self._strays_at(sensor)
        if len(strays.trial) == 0:
            return
        rough = disc_in_cone(beam.at(strays.trial).cone, strays.x, strays.y, strays.reach_m)
        clock = np.broadcast_to(clock_s, (self._count,))
        for row in np.flatnonzero(rough < met.range_m[strays.trial]).tolist():
            j, trial = int(strays.element[row]), strays.trial[row : row + 1]
            element, one = self._world.elements[j], beam.at(trial)
            height = element.source.source.height
            range_m = one.seen(element_range(element, one.cone, trial), height.low, height.high)
            if range_m[0] < met.range_m[trial[0]] and element.present(clock[trial], trial)[0]:
                met.range_m[trial], met.surface[trial] = range_m, len(self._world.edges) + j
                met.cosine[trial] = 1.0

    def _meet_pushed(self, sensor: Sensor, beam: TrueBeam, clock_s: FloatArray, met: Met) -> None:
        """Test pushed elements in the trials in which they were pushed."""
        for j in self._tall_elements[sensor.id].tolist():
            element = self._world.elements[j]
            trials = element.pushed_trials()
            if len(trials) == 0:
                continue
            height, some = element.source.source.height, beam.at(trials)
            range_m = some.seen(element_range(element, some.cone, trials), height.low, height.high)
            present = element.present(np.broadcast_to(clock_s, (self._count,))[trials], trials)
            closer = present & (range_m < met.range_m[trials])
            who = trials[closer]
            met.range_m[who], met.surface[who] = range_m[closer], len(self._world.edges) + j
            met.cosine[who] = 1.0

    def _strays_at(self, sensor: Sensor) -> StrayList:
        if sensor.id not in self._strays:
            tall = [element_is_tall(e.source.source.height, sensor) for e in self._world.elements]
            self._strays[sensor.id] = stray_list(self._world, tall)
        return self._strays[sensor.id]


def _tall_edges(world: TrueWorld, sensor: Sensor) -> IntArray:
    keep = [i for i, e in enumerate(world.edges) if may_meet(e.low_m, e.high_m, sensor)]
    return np.array(keep, dtype=np.intp)


def _tall_elements(world: TrueWorld, sensor: Sensor) -> IntArray:
    keep = [j for j, e in enumerate(world.elements) if element_is_tall(e.source.source.height, sensor)]
    return np.array(keep, dtype=np.intp)


def _tilt(met: Met, height_m: FloatArray, climb: FloatArray) -> None:
    """Put the floor in front where a beam that looks down meets it first, and measure along the slant."""
    secant = np.sqrt(1.0 + climb * climb)
    met.cosine /= secant
    down = np.where(climb < 0.0, -climb, 1.0)
    floor_m = np.where(climb < 0.0, np.maximum(height_m, 0.0) / down, np.inf)
    # The floor's normal stands on end: a beam a few degrees down grazes it and mostly loses its echo.
    met.take(floor_m < met.range_m, floor_m, -1, np.abs(climb) / secant)
    met.range_m *= secant


def element_range(element: TrueElement, cone: Axis, trials: slice | IntArray) -> FloatArray:
    """Return the range to an element in the given trials, inf for a miss. [m]"""
    if element.corners_x is not None and element.corners_y is not None:
        return polygon_in_cone(cone, element.corners_x[:, trials], element.corners_y[:, trials])
    radius = element.source.outline.radius_m or 0.0
    return disc_in_cone(cone, element.x[trials], element.y[trials], radius)
