"""The covariance engine: linear covariance analysis of the true error of a possibly mistuned filter.

Deviations of belief and truth from the plan are carried as sensitivities to every constant of the run
and as one covariance per white source, under the filter's own gains and a stated acceptance schedule.
For that schedule the shares of the error budget are exact and add up; a reading never redraws its
wall's offset, because the offset is one of the constants.

Source: P. S. Maybeck, Stochastic Models, Estimation and Control, vol. 1 (1979), chapter 6; A. Gelb (ed.),
Applied Optimal Estimation (1974), chapter 7 (both from memory).
"""

from __future__ import annotations

import functools
import math

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import PlannedStep
from driftgate.predict.attach import Attachments, LineDisplacement
from driftgate.predict.contact_linear import contact_jump
from driftgate.predict.contact_reset import after_touch, wall_reset
from driftgate.predict.covariance_reading import Readings, Seen, State
from driftgate.predict.covariance_shares import (
    WHITE_ROW,
    WHITE_SOURCES,
    between_fields_part,
    guessed_part,
    means_by_source,
    shares_by_source,
    wanted_rows,
    with_part_of,
)
from driftgate.predict.doubt import SOURCE as POORLY_KNOWN
from driftgate.predict.doubt import with_doubt
from driftgate.predict.filter import (
    as_matrix,
    grow_filter,
    process_noise,
    start_filter,
    start_links,
)
from driftgate.predict.late_white import no_white
from driftgate.predict.linear import WHITE, TickModel, tick_model
from driftgate.predict.moments import moments_by_step
from driftgate.predict.prepared import Prepared
from driftgate.predict.rough import bumps_per_metre
from driftgate.predict.sources import LATENCY, SourceTable, source_table
from driftgate.predict.values import CovarianceResult, Moment, MomentCovariance
from driftgate.world.carry import edge_middle
from driftgate.world.values import Edge


def covariance(
    prepared: Prepared, off: frozenset[str] = frozenset(), seen: dict[int, Seen] | None = None
) -> CovarianceResult:
    """Return the predicted distribution of the true pose error, to first order.

    Parameters
    ----------
    prepared : Prepared
        The case with plan, geometry and sight lines.
    off : frozenset of str
        Error sources to silence (keys of `driftgate.predict.sources.TITLES`). The filter keeps its
        numbers, so the gains stay what they are.
    seen : dict, optional
        What the readings see, by number: filled, and used again by whoever passes it on. It is the same for
        cases that differ in the filter's own numbers alone, and a third of the work.

    Returns
    -------
    CovarianceResult
        Means and covariances at every moment, shares by source, and the acceptance schedule.
    """
    found = _Pass(prepared, off, seen).run()
    own = prepared.case.robot.correction
    late = own.enabled and not own.compensate_latency and LATENCY not in off
    if not late or not any(source.name == LATENCY for source in found.sources):
        return found
    return with_part_of(LATENCY, found, _Pass(prepared, off | {LATENCY}).run())


class _Pass:
    """One pass over the timeline."""

    def __init__(self, prepared: Prepared, off: frozenset[str], seen: dict[int, Seen] | None = None) -> None:
        case = prepared.case
        self.prepared = prepared
        self.plan = prepared.plan
        self.table: SourceTable = source_table(case, off)
        self.index = self.table.index()
        self.attach = Attachments(case, prepared.believed, prepared.true, self.table)
        self.filter = prepared.filter
        self.line = functools.cache(self.attach.line)
        self.readings = Readings(prepared, self.table, self.filter, self.line, seen)
        self.spread = np.array([c.spread for c in self.table.constants])
        timeline = self.plan.timeline
        bumps = bumps_per_metre(prepared.true, timeline.pose[:-1], timeline.twist)
        self.ticks: TickModel = tick_model(self.plan, case.robot.controller, self.table, bumps)
        self.late_s = 0.0
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
        self.readings.keep_echo(state, 0)
        for r in range(by_knot[0], by_knot[1]):
            self.readings.read(state, r)
        for step in self.plan.steps:
            first, last = int(timeline.first_tick[step.index]), int(timeline.first_tick[step.index + 1])
            for k in range(first, last):
                self._tick(state, k)
                self.readings.keep_echo(state, k + 1)
                for r in range(by_knot[k + 1], by_knot[k + 2]):
                    self.readings.read(state, r)
                self._record(state, k + 1)
            if last > first:
                self._end_step(state, step.index)
                self._record(state, last)
            for i, moment in due.get(step.index, []):
                found[i] = self._moment(state, moment)
        return CovarianceResult(
            moments=tuple(found[i] for i in range(len(self.prepared.moments))),
            accepted=self.readings.accepted,
            fixes=np.bincount(readings.step[self.readings.accepted], minlength=len(self.plan.steps)),
            sources=self.table.info,
            knot_mean=self.knot_mean,
            knot_cov=self.knot_cov,
        )

    def _start(self) -> State:
        count = len(self.table.constants)
        sensitivity = np.zeros((6, count + 1))
        start = self.attach.start()
        own = np.zeros((3, count))
        off = np.zeros(3)
        for row, axis in enumerate(("x", "y", "heading")):
            position = self.index[f"start_placement:{axis}"]
            own[row, position] = 1.0
            off[row] = self.table.constants[position].mean
        sensitivity[3:6, :count] = start.columns + own
        sensitivity[3:6, count] = start.mean + off
        white = no_white(len(WHITE_SOURCES), late=bool(self.readings.last))
        fixed = np.zeros((3, count + 1))
        return State(sensitivity, white, start_filter(self.filter), fixed, start_links(self.filter))

    def _tick(self, state: State, k: int) -> None:
        a = self.ticks.transition[k]
        state.sensitivity = a @ state.sensitivity + self.ticks.columns[k]
        state.white.moved(a)
        state.white.cov[: len(WHITE), :6, :6] += self.ticks.white[k]
        state.white.timing[:6] += self.ticks.stretch[k]
        timeline = self.plan.timeline
        ds, dl, dth = (float(v) for v in timeline.twist[k])
        dt = float(timeline.time_s[k + 1] - timeline.time_s[k])
        dx, dy = timeline.pose[k + 1, :2] - timeline.pose[k, :2]
        noise = process_noise(self.filter, ds, dl, dth, dt, float(timeline.pose[k, 2]))
        state.filter = grow_filter(state.filter, dx, dy, noise)
        state.links = state.links.carried(dx, dy, self.filter.left_over(math.hypot(ds, dl)))

    def _record(self, state: State, knot: int) -> None:
        rows = state.sensitivity[3:6, :-1] * self.spread
        self.knot_mean[knot] = state.sensitivity[3:6, -1]
        timing = self.table.noise.step_timing * state.white.timing[3:6]
        white = state.white.cov[:, 3:6, 3:6].sum(axis=0)
        self.knot_cov[knot] = rows @ rows.T + white + np.outer(timing, timing)

    def _end_step(self, state: State, step: int) -> None:
        planned = self.plan.steps[step]
        noise = self.table.noise
        if noise.step_timing > 0.0:
            stretch = state.white.timing
            state.white.cov[WHITE_ROW["step_timing"]] += noise.step_timing**2 * np.outer(stretch, stretch)
        state.white.timing = np.zeros_like(state.white.timing)
        contact = self.plan.contacts.get(step)
        if contact is not None:
            self._contact(state, step)
        elif planned.motion is not None:
            first, last = self.plan.timeline.first_tick[step], self.plan.timeline.first_tick[step + 1]
            self._settle(state, int(first), int(last))

    def _settle(self, state: State, first: int, last: int) -> None:
        noise, timeline = self.table.noise, self.plan.timeline
        course = settle_course(timeline.twist[first:last], float(timeline.pose[last, 2]))
        row = state.white.cov[WHITE_ROW["settling"], :6, :6]
        turn = np.array([0.0, 0.0, 1.0, 0.0, 0.0, 1.0])
        row += noise.settle_heading_rad**2 * np.outer(turn, turn)
        if course is not None:
            c, s = math.cos(course), math.sin(course)
            ahead = np.array([c, s, 0.0, c, s, 0.0])
            row += noise.settle_along_m**2 * np.outer(ahead, ahead)

    def _contact(self, state: State, step: int) -> None:
        planned, contact = self.plan.steps[step], self.plan.contacts[step]
        line = self.line(contact.wall)
        edge = next(e for e in self.prepared.believed.edges if e.id == contact.wall)
        # As with the gate it is the mean that counts: the filter goes by no spread of the truth.
        square = float(state.sensitivity[2, -1]) ** 2
        late_m = self._late(state, planned, edge, line)
        self.late_s += max(late_m, 0.0) / contact.speed_m_s
        jump = contact_jump(self.prepared.case.robot, planned, contact, edge, late_m > 1e-9)
        reset = wall_reset(self.prepared, planned)
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
        state.white.moved(jump.matrix)
        if reset is not None:
            touched = np.ones(1, dtype=bool)
            state.filter, state.links = after_touch(state.filter, state.links, reset, touched, square)
        # An echo from the end of a contact comes from a robot that already lies flush.
        first, last = self.plan.timeline.first_tick[step], self.plan.timeline.first_tick[step + 1]
        for knot in range(int(first) + 1, int(last) + 1):
            self.readings.keep_echo(state, knot)

    def _late(self, state: State, planned: PlannedStep, edge: Edge, line: LineDisplacement) -> float:
        """Return how much further than planned the robot has to go to the wall, on average. [m]"""
        mean, normal, mid = state.sensitivity[3:5, -1], np.array(edge.normal), edge_middle(edge)
        along = (planned.end_pose[0] - mid[0]) * normal[1] - (planned.end_pose[1] - mid[1]) * normal[0]
        return float(np.dot(normal, mean)) - float(line.offset_mean + along * line.tilt_mean)

    def _moment(self, state: State, moment: Moment) -> MomentCovariance:
        count = len(self.table.constants)
        wanted = wanted_rows(self.attach, moment, len(self.table.constants))
        error = state.sensitivity[3:6] - wanted
        by_source = shares_by_source(error, state.white.cov[:, 3:6, 3:6], self.table)
        estimation = state.sensitivity[3:6] - state.sensitivity[0:3]
        swap = np.hstack([-np.eye(3), np.eye(3)])
        tracking = state.sensitivity[0:3]
        white = state.white.cov[:, :6, :6].sum(axis=0)
        spread2 = self.spread**2
        clock_mean, clock_sd = self._clock(moment.knot)
        return MomentCovariance(
            mean=error[:, count].copy(),
            cov=np.sum(list(by_source.values()), axis=0),
            by_source=by_source,
            columns=error[:, :count] * self.spread,
            mean_by_source=means_by_source(error, self.table),
            guessed=guessed_part(error, state.white.cov[:, 3:6, 3:6], self.table),
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
        mean_error = 0.0 if POORLY_KNOWN in self.table.off else with_doubt(0.0, timing.fitted)
        if timing.constant_over == "run":
            return time_s * (1.0 + timing.mean) + late_s, time_s * math.hypot(timing.spread, mean_error)
        done = [min(s.end_s, time_s) - s.begin_s for s in self.plan.steps if s.begin_s < time_s]
        spread_s = timing.spread * math.sqrt(sum(d * d for d in done))
        return time_s * (1.0 + timing.mean) + late_s, math.hypot(spread_s, time_s * mean_error)


def settle_course(twist: FloatArray, heading_rad: float) -> float | None:
    """Return the direction of travel at a step's end, field frame; None if it did not travel. [rad]"""
    moved = np.flatnonzero(np.hypot(twist[:, 0], twist[:, 1]) > 1e-12)
    if len(moved) == 0:
        return None
    ds, dl = twist[moved[-1], 0], twist[moved[-1], 1]
    return heading_rad + math.atan2(dl, ds)
