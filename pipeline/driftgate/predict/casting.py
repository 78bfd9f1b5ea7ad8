"""What a range sensor's true beam or cone meets, in every trial.

It is cast against the true field. Which surfaces it can possibly meet is settled beforehand
(`driftgate.predict.candidates`) for several bounds on the truth's deviation. The few trials outside the one
that nearly all keep to meet what a wider one lets them, those outside the widest everything; so culling never
changes an answer. A cone is the union of its beams, so that half
its width adds to the bound on their direction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.bounds import Bounded, element_slack
from driftgate.predict.candidates import (
    BeamCandidates,
    Reachable,
    discs_met_by_some,
    element_is_tall,
    may_meet,
    met_by_some,
)
from driftgate.predict.prepared import Prepared
from driftgate.predict.trial_world import StrayList, TrueElement, TrueWorld
from driftgate.predict.true_beam import TrueBeam, edge_side, element_thing
from driftgate.predict.values import BoolArray
from driftgate.schema.sensor import Sensor
from driftgate.world.answering import Thing, answer_beside
from driftgate.world.cone import Axis, disc_in_cone, is_closer, polygon_in_cone, segment_in_cone
from driftgate.world.rays import Values, range_to_line, range_to_segment, write_where

_NOBODY: IntArray = np.zeros(0, dtype=np.intp)
# Looking at a few trials apart costs as much as so many surfaces do for all.
_WORTH = 3


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
        write_where(self.range_m, closer, range_m)
        write_where(self.surface, closer, surface)
        write_where(self.cosine, closer, cosine)

    def put(self, rows: IntArray, other: Met) -> None:
        """Put the answers of some trials in place."""
        self.range_m[rows], self.surface[rows], self.cosine[rows] = other.range_m, other.surface, other.cosine


class Caster:
    """Casts the true beams of a batch of trials."""

    def __init__(self, prepared: Prepared, candidates: BeamCandidates, world: TrueWorld, count: int) -> None:
        self._candidates = candidates
        self._count = count
        self._culls = bool(np.all(world.moved_m <= candidates.edge_slack_m))
        readings = prepared.plan.timeline.readings
        sensors = prepared.case.robot.sensors
        self._tall_edges = {s.id: _tall_edges(world, s) for s in sensors}
        self._tall_elements = {s.id: _tall_elements(world, s) for s in sensors}
        self._first = world
        self._step, self._sensor = readings.step, readings.sensor
        # By what is tall enough: elements off their places. By bound and reading: those that it may meet.
        self._apart: dict[bytes, StrayList] = {}
        self._apart_near: dict[tuple[int, int], StrayList] = {}
        self._note(world)

    def _note(self, world: TrueWorld) -> None:
        """Take the field as it now is."""
        self._world = world
        self._plain = np.array([_is_plain_disc(e) for e in world.elements], dtype=bool)
        self._some_pushed = any(e.pushed is not None for e in world.elements)

    def cast(
        self,
        r: int,
        sensor: Sensor,
        beam: TrueBeam,
        bound: Bounded,
        far: IntArray,
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
        bound : Bounded
            Which of the bounds hold.
        far : ndarray of int
            The trials for which none does.
        clock_s : ndarray
            Each trial's own clock. [s]
        world : TrueWorld
            The true field at the echo.
        """
        if world is not self._world:
            self._note(world)
        everything = self._tall_edges[sensor.id]
        if self._culls:
            near, few = self._split(r, bound)
            met = self._meet_near(r, near, beam, slice(None), clock_s)
            near = self._candidates.inside(bound.level)
            if len(few):
                met.put(few, self._meet_near(r, near, beam.at(few), few, clock_s))
            edges = near.edges[r]
        else:
            # What stands behind something may be left out only where that is nearly where it should be.
            edges, met = everything, self._nothing(beam)
            self._meet_edges(beam, edges, slice(None), met, square=False)
            for j in self._tall_elements[sensor.id].tolist():
                self._meet_element(j, beam, slice(None), clock_s, met)
        if self._culls:
            self._meet_apart(self._apart_in(r, sensor, bound.level), beam, clock_s, met)
        for j in self._tall_elements[sensor.id].tolist() if self._some_pushed else ():
            self._meet_some(j, world.elements[j].pushed_trials(), beam, clock_s, met)
        self._beside(sensor, edges, beam, slice(None), clock_s, met)
        if len(far):
            met.put(far, self._meet_far(sensor, beam.at(far), far, clock_s))
        if beam.height_m is not None and beam.climb is not None:
            _tilt(met, beam.height_m, beam.climb)
        return met

    def _meet_far(self, sensor: Sensor, beam: TrueBeam, far: IntArray, clock_s: FloatArray) -> Met:
        """Return what the beams of a few trials meet, wherever they are; each may meet anything."""
        met, tall = self._nothing(beam), self._tall_elements[sensor.id]
        edges = met_by_some(
            beam.cone, self._tall_edges[sensor.id], self._candidates.edges, self._world.moved_m
        )
        self._meet_edges(beam, edges, far, met, square=False)
        if len(tall):
            elements = [self._world.elements[j] for j in tall.tolist()]
            x, y = (
                np.array([v[far] for v in row]).T for row in zip(*((e.x, e.y) for e in elements), strict=True)
            )
            reach_m = np.array([e.source.outline.reach_m for e in elements])
            for j in tall[discs_met_by_some(beam.cone, x, y, reach_m)].tolist():
                self._meet_element(j, beam, far, clock_s, met)
        self._beside(sensor, edges, beam, far, clock_s, met)
        return met

    def _split(self, r: int, bound: Bounded) -> tuple[Reachable, IntArray]:
        """Return what nearly all beams may meet, and the few trials that may meet more."""
        near = self._candidates.inside(bound.level)
        if not near.alone(r):
            level, few = bound.most()
            tighter = self._candidates.inside(level)
            if tighter.candidates(r) + _WORTH <= near.candidates(r) or tighter.alone(r):
                return tighter, few
        return near, _NOBODY

    def _meet_near(
        self, r: int, near: Reachable, beam: TrueBeam, pick: slice | IntArray, clock_s: FloatArray
    ) -> Met:
        """Return what the beams of some trials meet among what they may meet inside a bound."""
        if near.sure[r] >= 0 and isinstance(pick, slice):
            met = self._meet_for_sure(beam, near.sure[r], near.square[r])
        else:
            met = self._nothing(beam)
            self._meet_edges(beam, near.first[r], pick, met, near.square[r] and beam.height_m is None)
        for j in near.elements[r].tolist():
            self._meet_element(j, beam, pick, clock_s, met)
        return met

    def _beside(
        self,
        sensor: Sensor,
        edges: IntArray,
        beam: TrueBeam,
        pick: slice | IntArray,
        clock_s: FloatArray,
        met: Met,
    ) -> None:
        """Where the nearest answer in a cone is mute, put what answers beside it in its place."""
        if beam.cone.half_rad == 0.0:
            return
        world, count = self._world, len(self._world.edges)
        least = np.cos(sensor.echo_limit) * (1.0 if beam.climb is None else np.sqrt(1.0 + beam.climb**2))
        rows = np.flatnonzero((met.surface >= 0) & (met.surface < count) & (met.cosine < least))
        if not len(rows):
            return
        trials = rows if isinstance(pick, slice) else pick[rows]
        some, clock_s = beam.at(rows), np.broadcast_to(clock_s, (self._count,))[trials]
        things: list[Thing] = [edge_side(world, e, trials, some) for e in edges.tolist()]
        elements = self._tall_elements[sensor.id]
        things += [element_thing(world.elements[j], trials, clock_s, some) for j in elements.tolist()]
        names = np.concatenate([edges, count + elements, [-1]])
        least = least if beam.climb is None else least[rows]
        range_m, index, cosine = answer_beside(some.cone, things, least, sensor.reach.high)
        found = index >= 0
        who = rows[found]
        met.range_m[who], met.surface[who] = range_m[found], names[index[found]]
        met.cosine[who] = cosine[found]

    def _apart_in(self, r: int, sensor: Sensor, level: int) -> StrayList:
        """Return the elements off their first places that the beam of a reading may meet inside a bound."""
        found = self._apart_near.get((level, r))
        if found is None:
            # For all readings of the sensor in this step at once.
            s, step = int(self._sensor[r]), int(self._step[r])
            tall = self._tall_elements[sensor.id]
            # Sensors that see the same things share the list.
            if (key := tall.tobytes()) not in self._apart:
                self._apart[key] = elements_apart(self._first, tall)
            some = self._apart[key].inside(self._candidates.boxes()[s][step])
            mine = np.flatnonzero((self._sensor == s) & (self._step == step))
            may = self._candidates.discs(level, mine, some.x, some.y, some.reach_m)
            for q, row in zip(mine.tolist(), may, strict=True):
                self._apart_near[level, q] = some.at(row.nonzero()[0])
            found = self._apart_near[level, r]
        return found

    def _nothing(self, beam: TrueBeam) -> Met:
        count = np.size(beam.cone.px)
        return Met(np.full(count, np.inf), np.full(count, -1, dtype=np.intp), np.ones(count))

    def _meet_for_sure(self, beam: TrueBeam, e: int, square: bool) -> Met:
        """Meet the one edge that every beam inside the bound meets."""
        world, cone = self._world, beam.cone
        ends = world.built.ends(e)
        if cone.half_rad > 0.0:
            range_m, cosine = segment_in_cone(cone, *ends)
            surface = np.where(range_m < np.inf, e, -1)
            cosine[surface < 0] = 0.0
            return Met(range_m, surface, cosine)
        range_m = range_to_line(cone.px, cone.py, cone.ux, cone.uy, *ends[:2], *world.built.along(e))
        met = Met(range_m, np.full(len(range_m), e, dtype=np.intp), np.ones(len(range_m)))
        if not square:
            self._square(cone, np.array([e]), slice(None), met)
        return met

    def _meet_edges(
        self, beam: TrueBeam, edges: IntArray, pick: slice | IntArray, met: Met, square: bool
    ) -> None:
        world, cone = self._world, beam.cone
        px, py, ux, uy, half_rad = cone
        if half_rad > 0.0:
            met.cosine[:] = 0.0
        for e in edges.tolist():
            ends = world.built.ends(e, pick)
            low_m, high_m = world.edges[e].low_m, world.edges[e].high_m
            if half_rad > 0.0:
                range_m, cosine = segment_in_cone(cone, *ends)
                range_m = beam.seen(range_m, low_m, high_m)
                met.take(is_closer(range_m, cosine, met.range_m, met.cosine), range_m, e, cosine)
            else:
                range_m = beam.seen(range_to_segment(px, py, ux, uy, *ends), low_m, high_m)
                closer = range_m < met.range_m
                write_where(met.surface, closer, e)
                met.range_m = np.minimum(met.range_m, range_m)
        if half_rad == 0.0 and not square:
            self._square(cone, edges, pick, met)

    def _square(self, cone: Axis, edges: IntArray, pick: slice | IntArray, met: Met) -> None:
        """Work out the cosine of incidence of lines, only for the edges that answered."""
        world = self._world
        for e in edges.tolist():
            hit = met.surface == e
            if hit.any():
                ax, ay, bx, by = world.built.ends(e, pick)
                ex, ey = bx - ax, by - ay
                cosine = np.abs(cone.ux * ey - cone.uy * ex) / np.sqrt(ex * ex + ey * ey)
                met.cosine = cosine if hit.all() else np.where(hit, cosine, met.cosine)

    def _meet_element(
        self, j: int, beam: TrueBeam, pick: slice | IntArray, clock_s: FloatArray, met: Met
    ) -> None:
        element = self._world.elements[j]
        height = element.source.source.height
        range_m = beam.seen(element_range(element, beam.cone, pick), height.low, height.high)
        closer = range_m < met.range_m
        if closer.any():
            present = element.present(np.broadcast_to(clock_s, (self._count,))[pick], pick)
            met.take(closer & present, range_m, len(self._world.edges) + j, 1.0)

    def _meet_apart(self, apart: StrayList, beam: TrueBeam, clock_s: FloatArray, met: Met) -> None:
        """Test elements that are not near their mapped places, in the trials in which they are not."""
        if len(apart.trial) == 0:
            return
        rough = disc_in_cone(beam.at(apart.trial).cone, apart.x, apart.y, apart.reach_m)
        rows = (rough < met.range_m[apart.trial]).nonzero()[0]
        if len(rows) == 0:
            return
        whole = self._plain[apart.element[rows]] & (beam.height_m is None)
        for j in np.unique(apart.element[rows[~whole]]).tolist():
            self._meet_some(j, apart.trial[rows[apart.element[rows] == j]], beam, clock_s, met)
        # For these the disc is the element itself. The last of those written to one trial stays: the nearest.
        rows = rows[whole]
        rows = rows[np.lexsort((-apart.element[rows], -rough[rows]))]
        rows = rows[rough[rows] < met.range_m[apart.trial[rows]]]
        who = apart.trial[rows]
        met.range_m[who], met.surface[who] = rough[rows], len(self._world.edges) + apart.element[rows]
        met.cosine[who] = 1.0

    def _meet_some(self, j: int, trials: IntArray, beam: TrueBeam, clock_s: FloatArray, met: Met) -> None:
        """Test one element in some trials."""
        if len(trials) == 0:
            return
        element, some = self._world.elements[j], beam.at(trials)
        height = element.source.source.height
        range_m = some.seen(element_range(element, some.cone, trials), height.low, height.high)
        present = element.present(np.broadcast_to(clock_s, (self._count,))[trials], trials)
        closer = present & (range_m < met.range_m[trials])
        who = trials[closer]
        met.range_m[who], met.surface[who] = range_m[closer], len(self._world.edges) + j
        met.cosine[who] = 1.0


def elements_apart(world: TrueWorld, keep: IntArray) -> StrayList:
    """Return the elements that are further from their mapped places than the bound."""
    rows = []
    for j in keep.tolist():
        e = world.elements[j]
        dx, dy = e.x - e.source.pose[0], e.y - e.source.pose[1]
        who = np.flatnonzero(dx * dx + dy * dy > element_slack(e.source.source) ** 2)
        of_element, reach_m = np.full(len(who), j, dtype=np.intp), np.full(len(who), e.source.outline.reach_m)
        rows.append((who, of_element, e.x[who], e.y[who], reach_m))
    if not rows:
        none, empty = np.zeros(0, dtype=np.intp), np.zeros(0)
        return StrayList(none, none, empty, empty, empty)
    trial, element, x, y, reach = (np.concatenate(column) for column in zip(*rows, strict=True))
    order = np.lexsort((element, trial))
    return StrayList(trial[order], element[order], x[order], y[order], reach[order])


def _is_plain_disc(element: TrueElement) -> bool:
    """Return whether an element is a disc that is there all the time, at its first place."""
    present = element.source.source.present
    return (
        element.source.outline.radius_m is not None
        and present.begin <= 0.0
        and present.end is None
        and element.gone is None
        and element.pushed is None
    )


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
