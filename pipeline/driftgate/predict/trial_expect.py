"""What every trial expects of a reading: association and validity, by belief and carried map alone."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray, cos_sin
from driftgate.plan.values import IntArray
from driftgate.predict.believed_view import View, Views, boxes_overlap, outer_box
from driftgate.predict.bounds import Bounded
from driftgate.predict.candidates import met_by_some
from driftgate.predict.constants import Pair
from driftgate.predict.prepared import Prepared
from driftgate.predict.values import BoolArray, Outcome
from driftgate.sight.corridor import obstacles_at_height
from driftgate.sight.validity import (
    ReadingLimits,
    near_edge_end,
    out_of_range,
    reading_limits,
    too_fast,
    too_oblique,
    turning,
)
from driftgate.world.answering import Side, answer_beside
from driftgate.world.beam import PoseModel, range_along_beam, range_in_cone
from driftgate.world.carry import edge_middle
from driftgate.world.cone import Axis, answer_in_cone, is_closer, segment_in_cone
from driftgate.world.rays import EdgeArrays, edge_arrays, range_to_segment, write_where

Three = tuple[FloatArray, FloatArray, FloatArray]


@dataclass(frozen=True)
class Expected:
    """What each trial expects of one reading."""

    surface: IntArray
    model: PoseModel
    cone: Axis  # where the sensor looks
    beam: tuple[FloatArray, FloatArray, FloatArray, FloatArray]  # the sight line: where the answer comes from
    view: View  # what may be met inside the bound that holds
    some_far: bool  # no bound holds for some trial
    sure: int  # the surface of all trials where that is settled, else -1
    tight: View  # what may be met inside a bound that holds for all but a few
    few: IntArray  # these
    robot: tuple[FloatArray, FloatArray]  # where it believes to be

    @property
    def axis(self) -> Pair:
        """Where the sensor looks, of length 1."""
        return self.cone.ux, self.cone.uy

    def at(self, rows: IntArray) -> Expected:
        """Return what some trials expect, each looked at by itself."""
        m = self.model
        model = PoseModel(m.range_m[rows], m.square[rows], *(_at(v, rows) for v in m[2:]))
        px, py, ux, uy = (v[rows] for v in self.beam)
        return Expected(
            self.surface[rows], model, self.cone.at(rows), (px, py, ux, uy), self.view, self.some_far, -1,
            self.view, _NOBODY, (_at(self.robot[0], rows), _at(self.robot[1], rows)),
        )  # fmt: skip


_NOBODY: IntArray = np.zeros(0, dtype=np.intp)
# Looking at a few trials apart costs as much as so many surfaces do for all.
_WORTH = 3


def _at(row: FloatArray, rows: IntArray) -> FloatArray:
    return row if np.size(row) == 1 else row[rows]


class _Believed:
    """What all readings share that are compared with the same beliefs."""

    def __init__(self, knot: int, pose: list[float], then: Three) -> None:
        self.key = (knot, then)
        self.x, self.y, self.heading = pose[0] + then[0], pose[1] + then[1], pose[2] + then[2]
        self.bound = Bounded(*then)
        self.direction: tuple[FloatArray, FloatArray] | None = None

    def is_of(self, knot: int, then: Three) -> bool:
        """Return whether it belongs to these very arrays; they are replaced and never written to."""
        old = self.key[1]
        return self.key[0] == knot and old[0] is then[0] and old[1] is then[1] and old[2] is then[2]

    def cos_sin(self) -> tuple[FloatArray, FloatArray]:
        """Return cosine and sine of the believed headings."""
        if self.direction is None:
            self.direction = cos_sin(self.heading)
        return self.direction


class Looks:
    """Association and validity of a case's readings, for any batch of trials."""

    def __init__(self, prepared: Prepared, knots: IntArray) -> None:
        case = prepared.case
        self._prepared = prepared
        self._edges: EdgeArrays = edge_arrays(prepared.believed.edges)
        middles = np.array([edge_middle(e) for e in prepared.believed.edges])
        self._middle_x, self._middle_y = np.ascontiguousarray(middles.T)
        self._reference = np.array([e.reference for e in prepared.believed.edges])
        self._owner = [e.owner for e in prepared.believed.edges]
        sensors = case.robot.sensors
        self._limits: list[ReadingLimits] = [
            reading_limits(s, case.robot.correction.validity) for s in sensors
        ]
        self._obstacles = [obstacles_at_height(prepared.believed, s.mount.height) for s in sensors]
        self._boxes = [[outer_box(obstacle) for obstacle in row] for row in self._obstacles]
        self._tall: list[IntArray] = [
            np.array(
                [i for i, e in enumerate(prepared.believed.edges) if e.low_m <= s.mount.height <= e.high_m],
                dtype=np.intp,
            )
            for s in sensors
        ]
        readings = prepared.plan.timeline.readings
        self._knots = knots
        rate = prepared.plan.timeline.rate[readings.knot]
        # The speed test comes first.
        self._hurried = [
            Outcome.TOO_FAST
            if too_fast(rate[r], self._limits[s])
            else Outcome.TURNING
            if turning(rate[r], self._limits[s])
            else Outcome.ACCEPTED
            for r, s in enumerate(readings.sensor)
        ]
        self._views = Views(prepared, knots, self._edges, self._limits, self._boxes, self._hurried)
        self._planned = case.robot.correction.expect_from == "plan"
        self._pose = prepared.plan.timeline.pose.tolist()
        self._last: _Believed | None = None
        self._same: dict[int, IntArray] = {}
        self._mounts = [
            (s.mount.x, s.mount.y, math.cos(s.mount.heading), math.sin(s.mount.heading), 0.5 * s.beam_width)
            for s in sensors
        ]

    def settled(self, r: int, then: Three) -> Outcome | None:
        """Return the outcome of the validity tests where it is known beforehand for all trials; else None."""
        if self._planned:
            return None
        tight, few = self._split(r, self._believed(r, then))
        return None if len(few) else tight.settled[r]

    def _split(self, r: int, belief: _Believed) -> tuple[View, IntArray]:
        """Return what nearly all trials may meet, and those that may meet more."""
        bound = belief.bound
        view = self._views.inside(bound.level)
        if self._planned or (view.settled[r] is not None and not len(bound.far)):
            return view, bound.far
        level, few = bound.most()
        tight = self._views.inside(level)
        fewer = len(tight.first[r]) + _WORTH <= len(view.first[r])
        settles = tight.settled[r] is not None and view.settled[r] is None
        return (tight, few) if fewer or settles else (view, bound.far)

    def _believed(self, r: int, then: Three) -> _Believed:
        knot = int(self._knots[r])
        if self._last is None or not self._last.is_of(knot, then):
            self._last = _Believed(knot, self._pose[knot], then)
        return self._last

    def expect(self, r: int, sensor: int, then: Three) -> Expected:
        """Return the association: which surface each trial's believed beam should meet.

        The first one that it meets from the belief, or where the robot expects what was planned, the
        one of the plan, whatever the belief sees.
        """
        belief = self._believed(r, then)
        bound, count = belief.bound, len(then[0])
        view = self._views.inside(bound.level)
        tight, few = self._split(r, belief)
        place, cone = self._look(r, sensor, then)
        sure = -1 if self._planned else tight.sure[r]
        if self._planned:
            surface = np.full(count, self._prepared.sight.surface[r], dtype=np.intp)
        else:
            theirs = self._meet_few(sensor, view, r, cone, few, bound.far)
            if sure >= 0 and np.all(theirs == sure):
                surface = self._everywhere(sure, count)
            else:
                if sure < 0:
                    surface = self._meet(sensor, tight.first[r], tight.edges[r], cone)
                else:
                    surface = np.full(count, sure)
                surface[few] = theirs
                sure = -1
        model, towards = self._model(sensor, place, cone, surface, sure)
        if self._planned:
            # From where the robot believes to be the surface may lie behind it, or along the beam.
            surface = np.where(np.isfinite(model.range_m) & (model.range_m > 0.0), surface, -1)
        beam = np.asarray(cone.px), np.asarray(cone.py), *towards
        some_far = len(bound.far) > 0
        return Expected(surface, model, cone, beam, view, some_far, sure, tight, few, place[:2])

    def _meet_few(
        self, sensor: int, view: View, r: int, cone: Axis, few: IntArray, far: IntArray
    ) -> IntArray:
        """Return what a few trials meet: of the edges of a view, or of all edges where they are far off."""
        if not len(few):
            return _NOBODY
        surface = self._meet(sensor, view.first[r], view.edges[r], cone.at(few))
        if len(far):
            own = cone.at(far)
            edges = met_by_some(own, self._tall[sensor], self._edges, 0.0)
            surface[np.searchsorted(few, far)] = self._meet(sensor, edges, edges, own)
        return surface

    def _everywhere(self, surface: int, count: int) -> IntArray:
        """Return one surface for so many trials; nobody may write to it."""
        row = self._same.get(surface)
        if row is None or len(row) != count:
            row = self._same[surface] = np.full(count, surface, dtype=np.intp)
            row.flags.writeable = False
        return row

    def model(self, r: int, sensor: int, then: Three, surface: IntArray) -> tuple[PoseModel, Pair, Pair]:
        """Return what a sensor should read of given surfaces, where it looks, and where the robot is."""
        place, cone = self._look(r, sensor, then)
        model = self._model(sensor, place, cone, surface, -1)[0]
        return model, (cone.ux, cone.uy), place[:2]

    def _middle(self, surface: IntArray, sure: int) -> tuple[FloatArray, FloatArray]:
        pick: IntArray | int = surface if sure < 0 else sure
        return self._middle_x[pick], self._middle_y[pick]

    def _normal(self, surface: IntArray, sure: int) -> tuple[FloatArray, FloatArray]:
        pick: IntArray | int = surface if sure < 0 else sure
        return self._edges.nx[pick], self._edges.ny[pick]

    def _look(self, r: int, sensor: int, then: Three) -> tuple[Three, Axis]:
        """Return the believed poses, and where a sensor then looks."""
        belief, (mount_x, mount_y, along, aside, half_rad) = self._believed(r, then), self._mounts[sensor]
        x, y, (c, s) = belief.x, belief.y, belief.cos_sin()
        if mount_y == 0.0:
            px, py = x + c * mount_x, y + s * mount_x
        elif mount_x == 0.0:
            px, py = x - s * mount_y, y + c * mount_y
        else:
            px, py = x + (c * mount_x - s * mount_y), y + (s * mount_x + c * mount_y)
        ux, uy = c * along - s * aside, s * along + c * aside
        return (x, y, belief.heading), Axis(px, py, ux, uy, half_rad)

    def _model(
        self, sensor: int, place: Three, cone: Axis, surface: IntArray, sure: int
    ) -> tuple[PoseModel, tuple[FloatArray, FloatArray]]:
        """Return the range to given surfaces, and the direction that the answer comes from."""
        e = self._edges
        pick: IntArray | int = surface if sure < 0 else sure
        middle, normal = self._middle(surface, sure), self._normal(surface, sure)
        towards = np.asarray(cone.ux), np.asarray(cone.uy)
        if cone.half_rad == 0.0:
            beam = np.asarray(cone.px), np.asarray(cone.py), *towards
            return range_along_beam(place[:2], beam, normal, middle), towards
        answer = answer_in_cone(cone, e.ax[pick], e.ay[pick], e.bx[pick], e.by[pick])
        apex = np.asarray(cone.px), np.asarray(cone.py)
        return range_in_cone(place[:2], apex, normal, middle, answer), (answer.ux, answer.uy)

    def _meet(self, sensor: int, first: IntArray, edges: IntArray, cone: Axis) -> IntArray:
        """Return which of some edges answers first in each trial's cone, -1 for none.

        `first` are those that can, the others only where the one that does is mute.
        """
        e = self._edges
        px, py, ux, uy, half_rad = cone
        nearest, square = np.full(np.shape(px), np.inf), np.zeros(np.shape(px))
        surface = np.full(np.shape(px), -1, dtype=np.intp)
        for i in first.tolist():
            if half_rad > 0.0:
                range_m, cosine = segment_in_cone(cone, e.ax[i], e.ay[i], e.bx[i], e.by[i])
                closer = is_closer(range_m, cosine, nearest, square)
                write_where(square, closer, cosine)
                write_where(nearest, closer, range_m)
            else:
                range_m = range_to_segment(px, py, ux, uy, e.ax[i], e.ay[i], e.bx[i], e.by[i])
                closer = range_m < nearest
                nearest = np.minimum(nearest, range_m)
            write_where(surface, closer, i)
        if half_rad > 0.0:
            mounted = self._prepared.case.robot.sensors[sensor]
            least = float(np.cos(mounted.echo_limit))
            rows = np.flatnonzero((surface >= 0) & (square < least))
            if len(rows):
                sides = [Side(e.ax[i], e.ay[i], e.bx[i], e.by[i]) for i in edges.tolist()]
                _, other, _ = answer_beside(cone.at(rows), sides, least, mounted.reach.high)
                surface[rows] = np.where(other >= 0, edges[other], surface[rows])
        return surface

    def validity(self, r: int, sensor: int, expected: Expected) -> IntArray | Outcome:
        """Return the first validity test that fails, ACCEPTED where none does; by trial, or for all."""
        settled, few = expected.tight.settled[r], expected.few
        if self._planned or settled is None:
            return self._tested(r, sensor, expected)
        if len(few):
            theirs = self._tested(r, sensor, expected.at(few))
            if np.any(theirs != settled):
                outcome = np.full(len(expected.surface), settled, dtype=np.intp)
                outcome[few] = theirs
                return outcome
        return settled

    def _tested(self, r: int, sensor: int, expected: Expected) -> IntArray:
        """Return the first validity test that fails by trial, ACCEPTED where none does."""
        limits, surface = self._limits[sensor], expected.surface
        met = surface >= 0
        range_m, incidence = expected.model.range_m, expected.model.incidence_rad
        if not met.all():
            range_m, incidence = np.where(met, range_m, 1.0), np.where(met, incidence, 0.0)
        outcome = np.full(len(surface), self._hurried[r], dtype=np.intp)
        earlier = (
            (Outcome.INCIDENCE, too_oblique(incidence, limits)),
            (Outcome.OUT_OF_RANGE, out_of_range(range_m, limits)),
            (Outcome.NOT_REFERENCE, ~self._reference[surface] if limits.reference else ~met),
            (Outcome.NO_SURFACE, ~met),
        )
        if not np.all(earlier[0][1] | earlier[1][1] | earlier[2][1] | earlier[3][1]):
            blocked = self._blocked(r, sensor, expected, met, range_m)
            if blocked.any():
                np.copyto(outcome, Outcome.CORRIDOR, where=blocked)
        for name, failed in earlier:
            if failed.any():
                np.copyto(outcome, name, where=failed)
        return outcome

    def _blocked(
        self, r: int, sensor: int, expected: Expected, met: BoolArray, range_m: FloatArray
    ) -> BoolArray:
        limits = self._limits[sensor]
        px, py, ux, uy = expected.beam
        e, surface = self._edges, expected.surface
        blocked = np.zeros(len(surface), dtype=bool)
        if limits.edge_margin_m > 0.0:
            ends = e.ax[surface], e.ay[surface], e.bx[surface], e.by[surface]
            blocked |= near_edge_end(px, py, ux, uy, range_m, *ends, limits.edge_margin_m)
        if limits.corridor_m < 0.0:
            return blocked & met
        time_s = self._prepared.plan.timeline.time_s[self._knots[r]]
        box = self._box(sensor, expected, range_m)
        for i in range(len(self._obstacles[sensor])) if expected.some_far else expected.view.nearby[r]:
            obstacle = self._obstacles[sensor][i]
            if not bool(obstacle.is_there(time_s)) or not boxes_overlap(box, self._boxes[sensor][i]):
                continue
            hit = obstacle.blocks(px, py, ux, uy, range_m, limits.corridor_m)
            if expected.cone.half_rad > 0.0:
                hit = hit | obstacle.stands_in(expected.cone, range_m)
            if obstacle.disc is None and obstacle.id in self._owner:
                own = np.array([owner == obstacle.id for owner in self._owner])
                hit = hit & ~own[surface]
            blocked |= hit
        return blocked & met

    def _box(self, sensor: int, expected: Expected, range_m: FloatArray) -> tuple[float, ...]:
        """Return the box round all trials' corridors: low x, high x, low y, high y. [m]"""
        px, py, ux, uy = expected.beam
        margin = self._limits[sensor].corridor_m
        if expected.cone.half_rad > 0.0:
            # Whatever is in the cone and nearer than the answer.
            margin = margin + float(range_m.max())
        end_x, end_y = px + range_m * ux, py + range_m * uy
        return (
            min(float(px.min()), float(end_x.min())) - margin,
            max(float(px.max()), float(end_x.max())) + margin,
            min(float(py.min()), float(end_y.min())) - margin,
            max(float(py.max()), float(end_y.max())) + margin,
        )
