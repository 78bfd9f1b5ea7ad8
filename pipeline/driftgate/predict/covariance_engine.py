"""The covariance engine: linear covariance analysis of the true error of a possibly mistuned filter.

Deviations of belief and truth from the plan are carried as sensitivities to every constant of the run
and as one covariance per white source, under the filter's own gains and a stated acceptance schedule.
For that schedule the shares of the error budget are exact and add up; a reading never redraws its
wall's offset, because the offset is one of the constants.

Source: P. S. Maybeck, Stochastic Models, Estimation and Control, vol. 1 (1979), chapter 6; A. Gelb (ed.),
Applied Optimal Estimation (1974), chapter 7 (both from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import PlannedStep
from driftgate.predict.attach import Attachments, LineDisplacement
from driftgate.predict.contact_linear import contact_jump
from driftgate.predict.covariance_shares import (
    WHITE_ROW,
    WHITE_SOURCES,
    between_fields_part,
    guessed_part,
    means_by_source,
    shares_by_source,
    wanted_rows,
)
from driftgate.predict.echoes import compared_knots, echo_knots
from driftgate.predict.filter import (
    Six,
    as_matrix,
    gain_of,
    grow_filter,
    joseph,
    process_noise,
    reading_variances,
    reset_normal,
    start_filter,
    times_h,
)
from driftgate.predict.linear import WHITE, TickModel, tick_model
from driftgate.predict.moments import moments_by_step
from driftgate.predict.prepared import Prepared
from driftgate.predict.rough import bumps_per_metre
from driftgate.predict.sources import SourceTable, source_table
from driftgate.predict.values import BoolArray, CovarianceResult, Moment, MomentCovariance
from driftgate.schema.routine import SquareUp
from driftgate.sight.values import Reason
from driftgate.world.beam import RangeModel, expected_range
from driftgate.world.carry import edge_middle
from driftgate.world.values import Edge


@dataclass
class _State:
    """What is carried from knot to knot."""

    sensitivity: FloatArray  # (6, m + 1), last column the known part
    white: FloatArray  # (sources, 6, 6)
    timing: FloatArray  # (6,), effect of this step's own stretch
    filter: Six
    fixed: FloatArray  # (3, m + 1), sum of all fixes so far


def covariance(prepared: Prepared, off: frozenset[str] = frozenset()) -> CovarianceResult:
    """Return the predicted distribution of the true pose error, to first order.

    Parameters
    ----------
    prepared : Prepared
        The case with plan, geometry and sight lines.
    off : frozenset of str
        Error sources to silence (keys of `driftgate.predict.sources.TITLES`). The filter keeps its
        numbers, so the gains stay what they are.

    Returns
    -------
    CovarianceResult
        Means and covariances at every moment, shares by source, and the acceptance schedule.
    """
    return _Pass(prepared, off).run()


class _Pass:
    """One pass over the timeline."""

    def __init__(self, prepared: Prepared, off: frozenset[str]) -> None:
        case = prepared.case
        self.prepared = prepared
        self.plan = prepared.plan
        self.table: SourceTable = source_table(case, off)
        self.index = self.table.index()
        self.attach = Attachments(case, prepared.believed, prepared.true, self.table)
        self.filter = prepared.filter
        self.variances = reading_variances(self.filter)
        self.means = {c.key: c.mean for c in self.table.constants}
        self.built = {edge.id: edge for edge in prepared.true.edges}
        self.lines: dict[str, LineDisplacement] = {}
        self.spread = np.array([c.spread for c in self.table.constants])
        bumps = bumps_per_metre(prepared.true, self.plan.timeline)
        self.ticks: TickModel = tick_model(self.plan, case.robot.controller, self.table, bumps)
        self.accepted: BoolArray = np.zeros(len(self.plan.timeline.readings.knot), dtype=bool)
        self.late_s = 0.0
        self.streak = [(0, -1)] * len(case.robot.sensors)
        readings = self.plan.timeline.readings
        self.taken, self.compared = echo_knots(prepared, off), compared_knots(prepared, off)
        late = self.taken[self.taken != readings.knot]
        # Truth, and belief without the fixes, at the echo of readings that arrive later.
        self.echoed: dict[int, FloatArray] = {int(knot): np.zeros((6, 0)) for knot in late}
        knots = len(self.plan.timeline.time_s)
        self.knot_mean = np.zeros((knots, 3))
        self.knot_cov = np.zeros((knots, 3, 3))

    def run(self) -> CovarianceResult:
        state = self._start()
        timeline = self.plan.timeline
        readings = timeline.readings
        by_knot = np.searchsorted(readings.knot, np.arange(len(timeline.time_s) + 1))
        due = moments_by_step(self.prepared.moments)
        found: dict[int, MomentCovariance] = {}
        self._record(state, 0)
        self._keep_echo(state, 0)
        for r in range(by_knot[0], by_knot[1]):
            self._read(state, r)
        for step in self.plan.steps:
            first, last = int(timeline.first_tick[step.index]), int(timeline.first_tick[step.index + 1])
            for k in range(first, last):
                self._tick(state, k)
                self._keep_echo(state, k + 1)
                for r in range(by_knot[k + 1], by_knot[k + 2]):
                    self._read(state, r)
                self._record(state, k + 1)
            if last > first:
                self._end_step(state, step.index)
                self._record(state, last)
            for i, moment in due.get(step.index, []):
                found[i] = self._moment(state, moment)
        return CovarianceResult(
            moments=tuple(found[i] for i in range(len(self.prepared.moments))),
            accepted=self.accepted,
            fixes=np.bincount(readings.step[self.accepted], minlength=len(self.plan.steps)),
            sources=self.table.info,
            knot_mean=self.knot_mean,
            knot_cov=self.knot_cov,
        )

    def _start(self) -> _State:
        count = len(self.table.constants)
        sensitivity = np.zeros((6, count + 1))
        start = self.attach.start()
        own = np.zeros((3, count))
        for row, axis in enumerate(("x", "y", "heading")):
            own[row, self.index[f"start_placement:{axis}"]] = 1.0
        sensitivity[3:6, :count] = start.columns + own
        sensitivity[3:6, count] = start.mean
        white = np.zeros((len(WHITE_SOURCES), 6, 6))
        fixed = np.zeros((3, count + 1))
        return _State(sensitivity, white, np.zeros(6), start_filter(self.filter), fixed)

    def _tick(self, state: _State, k: int) -> None:
        a = self.ticks.transition[k]
        state.sensitivity = a @ state.sensitivity + self.ticks.columns[k]
        state.white = a @ state.white @ a.T
        state.white[: len(WHITE)] += self.ticks.white[k]
        state.timing = a @ state.timing + self.ticks.stretch[k]
        timeline = self.plan.timeline
        ds, dl, dth = (float(v) for v in timeline.twist[k])
        dt = float(timeline.time_s[k + 1] - timeline.time_s[k])
        dx, dy = timeline.pose[k + 1, :2] - timeline.pose[k, :2]
        noise = process_noise(self.filter, ds, dl, dth, dt, float(timeline.pose[k, 2]))
        state.filter = grow_filter(state.filter, dx, dy, noise)

    def _record(self, state: _State, knot: int) -> None:
        rows = state.sensitivity[3:6, :-1] * self.spread
        self.knot_mean[knot] = state.sensitivity[3:6, -1]
        timing = self.table.noise.step_timing * state.timing[3:6]
        self.knot_cov[knot] = rows @ rows.T + state.white[:, 3:6, 3:6].sum(axis=0) + np.outer(timing, timing)

    def _keep_echo(self, state: _State, knot: int) -> None:
        if knot in self.echoed:
            kept = state.sensitivity.copy()
            kept[0:3] -= state.fixed
            self.echoed[knot] = kept

    def _end_step(self, state: _State, step: int) -> None:
        planned = self.plan.steps[step]
        noise = self.table.noise
        if noise.step_timing > 0.0:
            state.white[WHITE_ROW["step_timing"]] += noise.step_timing**2 * np.outer(
                state.timing, state.timing
            )
        state.timing = np.zeros(6)
        contact = self.plan.contacts.get(step)
        if contact is not None:
            self._contact(state, step)
        elif planned.motion is not None:
            first, last = self.plan.timeline.first_tick[step], self.plan.timeline.first_tick[step + 1]
            self._settle(state, int(first), int(last))

    def _settle(self, state: _State, first: int, last: int) -> None:
        noise, timeline = self.table.noise, self.plan.timeline
        course = settle_course(timeline.twist[first:last], float(timeline.pose[last, 2]))
        row = state.white[WHITE_ROW["settling"]]
        turn = np.array([0.0, 0.0, 1.0, 0.0, 0.0, 1.0])
        row += noise.settle_heading_rad**2 * np.outer(turn, turn)
        if course is not None:
            c, s = math.cos(course), math.sin(course)
            ahead = np.array([c, s, 0.0, c, s, 0.0])
            row += noise.settle_along_m**2 * np.outer(ahead, ahead)

    def _contact(self, state: _State, step: int) -> None:
        planned, contact = self.plan.steps[step], self.plan.contacts[step]
        line = self._line(contact.wall)
        edge = next(e for e in self.prepared.believed.edges if e.id == contact.wall)
        late_m = self._late(state, planned, edge, line)
        self.late_s += max(late_m, 0.0) / contact.speed_m_s
        jump = contact_jump(self.prepared.case.robot, planned, contact, edge, late_m > 1e-9)
        reset = planned.source.reset if isinstance(planned.source, SquareUp) else None
        count = len(self.table.constants)
        offset = np.append(line.offset, line.offset_mean)
        tilt = np.append(line.tilt, line.tilt_mean)
        known = np.zeros(count + 1)
        known[count] = 1.0
        state.sensitivity = (
            jump.matrix @ state.sensitivity
            + np.outer(jump.offset, offset)
            + np.outer(jump.tilt, tilt)
            + np.outer(jump.known, known)
        )
        state.white = jump.matrix @ state.white @ jump.matrix.T
        if reset is not None:
            state.filter = reset_normal(state.filter, edge.normal, reset.position, reset.heading)
        # An echo from the end of a contact comes from a robot that already lies flush.
        first, last = self.plan.timeline.first_tick[step], self.plan.timeline.first_tick[step + 1]
        for knot in range(int(first) + 1, int(last) + 1):
            self._keep_echo(state, knot)

    def _late(self, state: _State, planned: PlannedStep, edge: Edge, line: LineDisplacement) -> float:
        """Return how much further than planned the robot has to go to the wall, on average. [m]"""
        mean, normal, mid = state.sensitivity[3:5, -1], np.array(edge.normal), edge_middle(edge)
        along = (planned.end_pose[0] - mid[0]) * normal[1] - (planned.end_pose[1] - mid[1]) * normal[0]
        return float(np.dot(normal, mean)) - float(line.offset_mean + along * line.tilt_mean)

    def _read(self, state: _State, r: int) -> None:
        if self.prepared.sight.reason[r] != Reason.USABLE:
            self._interrupt(r)
            return
        case, readings = self.prepared.case, self.plan.timeline.readings
        which = int(readings.sensor[r])
        sensor, update = case.robot.sensors[which], case.robot.correction.update
        edge = self.prepared.believed.edges[int(self.prepared.sight.surface[r])]
        built = self.built[edge.id]
        pose = self.plan.timeline.pose
        mount = (sensor.mount.x, sensor.mount.y, sensor.mount.heading)
        echo_pose, used_pose = pose[self.taken[r]], pose[self.compared[r]]
        believed = expected_range(used_pose, mount, edge.normal, edge_middle(edge))
        drawn = expected_range(echo_pose, mount, edge.normal, edge_middle(edge))
        actual = float(expected_range(echo_pose, mount, built.normal, edge_middle(built)).range_m)
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
        self, state: _State, r: int, drawn: RangeModel, actual: float, expected: float, h: FloatArray
    ) -> FloatArray:
        """Return the innovation as a row over the constants, last its mean."""
        sensor = self.prepared.case.robot.sensors[int(self.plan.timeline.readings.sensor[r])]
        means = self.means
        scale, bias = means.get(f"range_scale:{sensor.id}", 0.0), means.get(f"range_bias:{sensor.id}", 0.0)
        edge = self.prepared.believed.edges[int(self.prepared.sight.surface[r])]
        line = self._line(edge.id)
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
        row *= 1.0 + scale
        row[-1] += actual * (1.0 + scale) + bias - expected
        if f"range_scale:{sensor.id}" in self.index:
            row[self.index[f"range_scale:{sensor.id}"]] += actual
        for key in (f"range_bias:{sensor.id}", f"quantisation:{sensor.id}"):
            if key in self.index:
                row[self.index[key]] += 1.0
        return row - h @ belief

    def _line(self, edge_id: str) -> LineDisplacement:
        if edge_id not in self.lines:
            self.lines[edge_id] = self.attach.line(edge_id)
        return self.lines[edge_id]

    @staticmethod
    def _true_row(d: RangeModel) -> FloatArray:
        return np.array([float(d.d_x), float(d.d_y), float(d.d_heading)])

    def _apply(
        self,
        state: _State,
        r: int,
        k: FloatArray,
        innovation: FloatArray,
        drawn: RangeModel,
        h: FloatArray,
        expected: float,
    ) -> None:
        sensor = self.prepared.case.robot.sensors[int(self.plan.timeline.readings.sensor[r])]
        scale = self.means.get(f"range_scale:{sensor.id}", 0.0)
        state.sensitivity[0:3] += np.outer(k, innovation)
        state.fixed += np.outer(k, innovation)
        matrix = np.eye(6)
        matrix[0:3, 0:3] -= np.outer(k, h)
        matrix[0:3, 3:6] += np.outer(k, (1.0 + scale) * self._true_row(drawn))
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

    def _moment(self, state: _State, moment: Moment) -> MomentCovariance:
        count = len(self.table.constants)
        wanted = wanted_rows(self.attach, moment, len(self.table.constants))
        error = state.sensitivity[3:6] - wanted
        by_source = shares_by_source(error, state.white[:, 3:6, 3:6], self.table)
        estimation = state.sensitivity[3:6] - state.sensitivity[0:3]
        swap = np.hstack([-np.eye(3), np.eye(3)])
        tracking = state.sensitivity[0:3]
        white = state.white.sum(axis=0)
        spread2 = self.spread**2
        clock_mean, clock_sd = self._clock(moment.knot)
        return MomentCovariance(
            mean=error[:, count].copy(),
            cov=np.sum(list(by_source.values()), axis=0),
            by_source=by_source,
            mean_by_source=means_by_source(error, self.table),
            guessed=guessed_part(error, state.white[:, 3:6, 3:6], self.table),
            between_fields=between_fields_part(error, self.table),
            estimation_mean=estimation[:, count].copy(),
            estimation_cov=(estimation[:, :count] * spread2) @ estimation[:, :count].T
            + swap @ white @ swap.T,
            tracking_mean=tracking[:, count].copy(),
            tracking_cov=(tracking[:, :count] * spread2) @ tracking[:, :count].T + white[0:3, 0:3],
            filter_cov=as_matrix(state.filter),
            clock_mean_s=clock_mean,
            clock_sd_s=clock_sd,
        )

    def _clock(self, knot: int) -> tuple[float, float]:
        timing = self.prepared.case.robot.errors.step_timing
        time_s = float(self.plan.timeline.time_s[knot])
        late_s = self.late_s
        if timing is None or "step_timing" in self.table.off:
            return time_s + late_s, 0.0
        if timing.constant_over == "run":
            return time_s * (1.0 + timing.mean) + late_s, time_s * timing.spread
        done = [min(s.end_s, time_s) - s.begin_s for s in self.plan.steps if s.begin_s < time_s]
        return time_s * (1.0 + timing.mean) + late_s, timing.spread * math.sqrt(sum(d * d for d in done))


def settle_course(twist: FloatArray, heading_rad: float) -> float | None:
    """Return the direction of travel at a step's end, field frame; None if it did not travel. [rad]"""
    moved = np.flatnonzero(np.hypot(twist[:, 0], twist[:, 1]) > 1e-12)
    if len(moved) == 0:
        return None
    ds, dl = twist[moved[-1], 0], twist[moved[-1], 1]
    return heading_rad + math.atan2(dl, ds)
