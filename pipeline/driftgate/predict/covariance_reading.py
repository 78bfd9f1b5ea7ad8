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
from driftgate.predict.casting import compared_knots, echo_knots
from driftgate.predict.covariance_shares import WHITE_ROW
from driftgate.predict.filter import Six, gain_of, joseph, reading_variances, times_h
from driftgate.predict.filter_model import FilterModel
from driftgate.predict.prepared import Prepared
from driftgate.predict.sources import SourceTable
from driftgate.predict.values import BoolArray
from driftgate.schema.sensor import Sensor
from driftgate.sight.expect import model_of
from driftgate.sight.values import Reason
from driftgate.world.beam import RangeModel
from driftgate.world.carry import edge_middle
from driftgate.world.values import Edge


@dataclass
class State:
    """What is carried from knot to knot."""

    sensitivity: FloatArray  # (6, m + 1), last column the known part
    white: FloatArray  # (sources, 6, 6)
    timing: FloatArray  # (6,), effect of this step's own stretch
    filter: Six
    fixed: FloatArray  # (3, m + 1), sum of all fixes so far


class Readings:
    """The readings of one pass over the timeline."""

    def __init__(
        self,
        prepared: Prepared,
        table: SourceTable,
        model: FilterModel,
        line: Callable[[str], LineDisplacement],
    ) -> None:
        self.prepared = prepared
        self.plan = prepared.plan
        self.table = table
        self.index = table.index()
        self.line = line
        self.variances = reading_variances(model)
        self.means = {c.key: c.mean for c in table.constants}
        self.built = {edge.id: edge for edge in prepared.true.edges}
        readings = self.plan.timeline.readings
        self.accepted: BoolArray = np.zeros(len(readings.knot), dtype=bool)
        self.streak = [(0, -1)] * len(prepared.case.robot.sensors)
        self.taken, self.compared = echo_knots(prepared, table.off), compared_knots(prepared, table.off)
        late = self.taken[self.taken != readings.knot]
        # Truth, and belief without the fixes, at the echo of readings that arrive later.
        self.echoed: dict[int, FloatArray] = {int(knot): np.zeros((6, 0)) for knot in late}

    def keep_echo(self, state: State, knot: int) -> None:
        """Keep truth and belief at a knot if a reading taken there arrives later."""
        if knot in self.echoed:
            kept = state.sensitivity.copy()
            kept[0:3] -= state.fixed
            self.echoed[knot] = kept

    def read(self, state: State, r: int) -> None:
        """Put one reading through the stages; a fix moves the belief."""
        if self.prepared.sight.reason[r] != Reason.USABLE:
            self._interrupt(r)
            return
        case, readings = self.prepared.case, self.plan.timeline.readings
        which = int(readings.sensor[r])
        sensor, update = case.robot.sensors[which], case.robot.correction.update
        edge = self.prepared.believed.edges[int(self.prepared.sight.surface[r])]
        built = self.built[edge.id]
        pose = self.plan.timeline.pose
        echo_pose, used_pose = pose[self.taken[r]], pose[self.compared[r]]
        believed = _model(sensor, used_pose, edge)
        drawn = _model(sensor, echo_pose, edge)
        actual = float(_model(sensor, echo_pose, built).range_m)
        expected = float(believed.range_m)
        h = (believed.d_x, believed.d_y, believed.d_heading)
        ph = times_h(state.filter, h)
        variance = h[0] * ph[0] + h[1] * ph[1] + h[2] * ph[2] + self.variances[which].at(believed.range_m)
        innovation = self._innovation(state, r, drawn, actual, expected, np.array([float(v) for v in h]))
        gate = case.robot.correction.gate
        if gate is not None and abs(innovation[-1]) > gate.sigmas * math.sqrt(float(variance[0])):
            self._interrupt(r)
            return
        if not self._persists(which, int(self.prepared.sight.surface[r])):
            return
        self.accepted[r] = True
        nx, ny = (np.array(v) for v in edge.normal)
        gain = gain_of(update, ph, variance, nx, ny, h)
        k = np.array([float(np.ravel(g)[0]) for g in gain])
        limit = update.largest_move
        move = math.hypot(k[0], k[1]) * abs(float(innovation[-1]))
        if limit is not None and move > limit:
            k = k * (limit / move)
            gain = (k[0:1], k[1:2], k[2:3])
        state.filter = joseph(state.filter, gain, ph, variance)
        self._apply(state, r, k, innovation, drawn, np.array([float(v) for v in h]), expected)

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
        row[:-1] = d.d_offset * line.offset + d.d_tilt * line.tilt
        for key, slope in (
            (f"mount_position:{sensor.id}:x", d.d_mount_x),
            (f"mount_position:{sensor.id}:y", d.d_mount_y),
            (f"mount_angle:{sensor.id}", d.d_mount_angle),
        ):
            if key in self.index:
                row[self.index[key]] += float(slope)
        truth, belief = state.sensitivity[3:6], state.sensitivity[0:3]
        then = self.echoed.get(int(self.taken[r]))
        if then is not None:
            # An old reading tells of the truth at its echo. The white part of what happened since is
            # left out: it is that of a few ticks.
            truth = then[3:6]
            if self.prepared.case.robot.correction.compensate_latency:
                belief = then[0:3] + state.fixed
        row += self._true_row(d) @ truth
        pitch = means.get(f"mount_pitch:{sensor.id}", 0.0)
        slant = actual / math.cos(pitch)
        row *= self._stretch(sensor)
        row[-1] += slant * (1.0 + scale) + bias - expected
        # About level the slant grows with the square of the pitch: its spread is for the trials alone.
        for key, share in (
            (f"range_scale:{sensor.id}", slant),
            (f"mount_pitch:{sensor.id}", slant * math.tan(pitch) * (1.0 + scale)),
        ):
            if key in self.index:
                row[self.index[key]] += share
        for key in (f"range_bias:{sensor.id}", f"quantisation:{sensor.id}"):
            if key in self.index:
                row[self.index[key]] += 1.0
        return row - h @ belief

    def _stretch(self, sensor: Sensor) -> float:
        """Return what a metre in the plane reads as: scale, and the slant of a sensor that tilts."""
        scale = self.means.get(f"range_scale:{sensor.id}", 0.0)
        return (1.0 + scale) / math.cos(self.means.get(f"mount_pitch:{sensor.id}", 0.0))

    @staticmethod
    def _true_row(d: RangeModel) -> FloatArray:
        return np.array([float(d.d_x), float(d.d_y), float(d.d_heading)])

    def _apply(
        self,
        state: State,
        r: int,
        k: FloatArray,
        innovation: FloatArray,
        drawn: RangeModel,
        h: FloatArray,
        expected: float,
    ) -> None:
        sensor = self.prepared.case.robot.sensors[int(self.plan.timeline.readings.sensor[r])]
        state.sensitivity[0:3] += np.outer(k, innovation)
        state.fixed += np.outer(k, innovation)
        matrix = np.eye(6)
        matrix[0:3, 0:3] -= np.outer(k, h)
        matrix[0:3, 3:6] += np.outer(k, self._stretch(sensor) * self._true_row(drawn))
        state.white = matrix @ state.white @ matrix.T
        state.timing = matrix @ state.timing
        gain = np.outer(np.append(k, np.zeros(3)), np.append(k, np.zeros(3)))
        noise = sensor.errors.noise
        if noise is not None and "range_noise" not in self.table.off:
            state.white[WHITE_ROW["range_noise"]] += (noise.at_zero + noise.per_range * expected) ** 2 * gain
        if "quantisation" not in self.table.off and f"quantisation:{sensor.id}" not in self.index:
            # Rounding to a step q is uniform over q: variance q^2/12 (JCGM 100:2008, F.2.2.1).
            state.white[WHITE_ROW["quantisation"]] += sensor.resolution**2 / 12.0 * gain

    def _persists(self, sensor: int, surface: int) -> bool:
        """Count a pass of the gate; the n-th in a row on one surface and later ones are used."""
        count, last = self.streak[sensor]
        count = count + 1 if last == surface else 1
        self.streak[sensor] = (count, surface)
        persistence = self.prepared.case.robot.correction.persistence
        return persistence is None or count >= persistence.readings

    def _interrupt(self, r: int) -> None:
        self.streak[int(self.plan.timeline.readings.sensor[r])] = (0, -1)


def _model(sensor: Sensor, pose: FloatArray, edge: Edge) -> RangeModel:
    """Return the range to one edge from one pose."""
    return model_of(sensor, pose, edge.normal, edge_middle(edge), (*edge.a, *edge.b))
