"""What every trial expects of a reading: association and validity, by belief and carried map alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.believed_view import (
    boxes_overlap,
    corridor_candidates,
    outer_box,
    surface_candidates,
)
from driftgate.predict.casting import ANGLE_SLACK_RAD, POSITION_SLACK_M
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
from driftgate.world.beam import RangeModel, expected_range, sensor_beam
from driftgate.world.carry import edge_middle
from driftgate.world.cone import Axis, answer_in_cone, is_closer, segment_in_cone
from driftgate.world.rays import EdgeArrays, edge_arrays, range_to_segment


@dataclass(frozen=True)
class Expected:
    """What each trial expects of one reading."""

    surface: IntArray
    model: RangeModel
    cone: Axis  # where the sensor looks
    beam: tuple[FloatArray, FloatArray, FloatArray, FloatArray]  # the sight line: where the answer comes from
    normal_x: FloatArray
    normal_y: FloatArray
    some_far: bool  # some trial is outside the bound of the culling


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
        self._candidates = surface_candidates(prepared, knots, self._edges, self._tall)
        self._nearby = corridor_candidates(prepared, knots, self._limits, self._boxes)
        rate = prepared.plan.timeline.rate[readings.knot]
        self._speed_tests = [
            (bool(too_fast(rate[r], self._limits[s])), bool(turning(rate[r], self._limits[s])))
            for r, s in enumerate(readings.sensor)
        ]

    def expect(self, r: int, sensor: int, then: tuple[FloatArray, FloatArray, FloatArray]) -> Expected:
        """Return the association: which surface each trial's believed beam should meet.

        The first one that it meets from the belief, or where the robot expects what was planned, the
        one of the plan, whatever the belief sees.
        """
        mount = self._prepared.case.robot.sensors[sensor].mount
        pose = self._prepared.plan.timeline.pose[self._knots[r]]
        x, y, heading = (np.ascontiguousarray(pose[i] + then[i]) for i in range(3))
        beam = sensor_beam(x, y, heading, mount.x, mount.y, mount.heading)
        cone = Axis(*beam, 0.5 * self._prepared.case.robot.sensors[sensor].beam_width)
        surface = self._meet(self._candidates[r], cone)
        outside = (np.hypot(then[0], then[1]) > POSITION_SLACK_M) | (np.abs(then[2]) > ANGLE_SLACK_RAD)
        far = np.flatnonzero(outside)
        if len(far):
            surface[far] = self._meet(self._tall[sensor], cone.at(far))
        planned = self._prepared.case.robot.correction.expect_from == "plan"
        if planned:
            surface = np.full(len(x), self._prepared.sight.surface[r], dtype=np.intp)
        model, towards = self._model(sensor, np.stack([x, y, heading], axis=-1), cone, surface)
        if planned:
            # From where the robot believes to be the surface may lie behind it, or along the beam.
            surface = np.where(np.isfinite(model.range_m) & (model.range_m > 0.0), surface, -1)
        e = self._edges
        return Expected(
            surface, model, cone, (*beam[:2], *towards), e.nx[surface], e.ny[surface], len(far) > 0
        )

    def model(
        self, r: int, sensor: int, then: tuple[FloatArray, FloatArray, FloatArray], surface: IntArray
    ) -> RangeModel:
        """Return what a sensor should read of given surfaces from the belief, with its derivatives."""
        mounted = self._prepared.case.robot.sensors[sensor]
        pose = np.stack(
            [self._prepared.plan.timeline.pose[self._knots[r]][i] + then[i] for i in range(3)], axis=-1
        )
        beam = sensor_beam(
            pose[:, 0], pose[:, 1], pose[:, 2], mounted.mount.x, mounted.mount.y, mounted.mount.heading
        )
        return self._model(sensor, pose, Axis(*beam, 0.5 * mounted.beam_width), surface)[0]

    def _model(
        self, sensor: int, pose: FloatArray, cone: Axis, surface: IntArray
    ) -> tuple[RangeModel, tuple[FloatArray, FloatArray]]:
        """Return the range to given surfaces, and the direction that the answer comes from."""
        mount, e = self._prepared.case.robot.sensors[sensor].mount, self._edges
        answer, towards = None, (np.asarray(cone.ux), np.asarray(cone.uy))
        if cone.half_rad > 0.0:
            answer = answer_in_cone(cone, e.ax[surface], e.ay[surface], e.bx[surface], e.by[surface])
            towards = (answer.ux, answer.uy)
        model = expected_range(
            pose,
            (mount.x, mount.y, mount.heading),
            (e.nx[surface], e.ny[surface]),
            (self._middle_x[surface], self._middle_y[surface]),
            answer,
        )
        return model, towards

    def _meet(self, edges: IntArray, cone: Axis) -> IntArray:
        """Return which of some edges answers first in each trial's cone, -1 for none."""
        e = self._edges
        px, py, ux, uy, half_rad = cone
        nearest, square = np.full(np.shape(px), np.inf), np.zeros(np.shape(px))
        surface = np.full(np.shape(px), -1, dtype=np.intp)
        for i in edges:
            if half_rad > 0.0:
                range_m, cosine = segment_in_cone(cone, e.ax[i], e.ay[i], e.bx[i], e.by[i])
                closer = is_closer(range_m, cosine, nearest, square)
                np.copyto(square, cosine, where=closer)
            else:
                range_m = range_to_segment(px, py, ux, uy, e.ax[i], e.ay[i], e.bx[i], e.by[i])
                closer = range_m < nearest
            np.copyto(surface, i, where=closer)
            np.copyto(nearest, range_m, where=closer)
        return surface

    def validity(self, r: int, sensor: int, expected: Expected) -> IntArray:
        """Return the first validity test that fails, ACCEPTED where none does."""
        limits, surface = self._limits[sensor], expected.surface
        met = surface >= 0
        range_m = np.where(met, expected.model.range_m, 1.0)
        incidence = np.where(met, expected.model.incidence_rad, 0.0)
        fast, turns = self._speed_tests[r]
        outcome = np.full(len(surface), Outcome.ACCEPTED, dtype=np.intp)
        if turns:
            outcome[:] = Outcome.TURNING
        if fast:
            outcome[:] = Outcome.TOO_FAST
        earlier = (
            (Outcome.INCIDENCE, too_oblique(incidence, limits)),
            (Outcome.OUT_OF_RANGE, out_of_range(range_m, limits)),
            (Outcome.NOT_REFERENCE, ~self._reference[surface] if limits.reference else ~met),
            (Outcome.NO_SURFACE, ~met),
        )
        if not np.all(earlier[0][1] | earlier[1][1] | earlier[2][1] | earlier[3][1]):
            np.copyto(outcome, Outcome.CORRIDOR, where=self._blocked(r, sensor, expected, met, range_m))
        for name, failed in earlier:
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
        for i in range(len(self._obstacles[sensor])) if expected.some_far else self._nearby[r]:
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
