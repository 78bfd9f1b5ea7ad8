"""The trials engine: Monte Carlo over everything that is not linear or not Gaussian.

Vectorised over trials; time runs in the outer loop. A trial is a pure function of the seed and its
number: neither batch size nor the number of workers changes a digit.
"""

from __future__ import annotations

import functools
import math
import operator
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray, Law, PlannedStep
from driftgate.predict.attach import Attachments
from driftgate.predict.candidates import BeamCandidates, compared_knots
from driftgate.predict.contact_reset import wall_reset
from driftgate.predict.covariance_engine import settle_course
from driftgate.predict.doubt import factor_key
from driftgate.predict.filter import (
    SixNumbers,
    process_noise,
)
from driftgate.predict.filter_model import FilterModel
from driftgate.predict.increments import drift_constants
from driftgate.predict.linear import travelling_ticks
from driftgate.predict.moments import moments_by_step
from driftgate.predict.prepared import Prepared
from driftgate.predict.recorder import Recorder
from driftgate.predict.sources import SourceTable, source_table
from driftgate.predict.streams import Streams
from driftgate.predict.things import Things
from driftgate.predict.tilt import Tilt, TiltedLuck
from driftgate.predict.tolerance import shares_of
from driftgate.predict.touching import TouchPlan, TouchTest, touch_plan
from driftgate.predict.trial_contact import Approach, reset_belief, square_up, true_line
from driftgate.predict.trial_correction import Corrector
from driftgate.predict.trial_memory import CorrectionState, Tally
from driftgate.predict.trial_moments import moment_trials, wanted_offset
from driftgate.predict.trial_motion import Poses, TickPlan, move_tick, rest_tick, steer, tick_plans
from driftgate.predict.trial_readings import TrialReadings
from driftgate.predict.trial_world import Draws, true_world
from driftgate.predict.values import Moment, MomentTrials, TrialsResult
from driftgate.predict.walk import Walker, WalkPlan, walk_plan

DEFAULT_BATCH = 12288  # fastest on workload W
_KNOWN = np.ones(1)


@dataclass(frozen=True)
class TrialsPlan:
    """What all batches of a case share."""

    prepared: Prepared
    table: SourceTable
    attach: Attachments
    model: FilterModel
    ticks: list[TickPlan]
    filter_noise: list[SixNumbers]
    links_left: list[float]
    walk: WalkPlan
    candidates: BeamCandidates
    touch: TouchPlan
    corrector: Corrector


def trials_plan(prepared: Prepared, off: frozenset[str] = frozenset()) -> TrialsPlan:
    """Return what all batches of a case share, worked out once."""
    table = source_table(prepared.case, off)
    ticks = tick_plans(prepared.plan, prepared.case.robot.controller, travelling_ticks(prepared.plan))
    return TrialsPlan(
        prepared=prepared,
        table=table,
        attach=Attachments(prepared.case, prepared.believed, prepared.true, table),
        model=prepared.filter,
        ticks=ticks,
        filter_noise=[process_noise(prepared.filter, t.ds, t.dl, t.dth, t.dt, t.heading) for t in ticks],
        links_left=[prepared.filter.left_over(math.hypot(t.ds, t.dl)) for t in ticks],
        walk=walk_plan(prepared),
        candidates=BeamCandidates(prepared, off),
        touch=touch_plan(prepared),
        corrector=Corrector(prepared, prepared.filter, compared_knots(prepared, off)),
    )


def run_trials(
    prepared: Prepared,
    trials: int,
    seed: int,
    first: int = 0,
    off: frozenset[str] = frozenset(),
    batch: int = DEFAULT_BATCH,
    redrawn: frozenset[str] = frozenset(),
    tilt: Tilt | None = None,
    shared: TrialsPlan | None = None,
) -> TrialsResult:
    """Return the outcome of trials first .. first + trials - 1.

    Parameters
    ----------
    prepared : Prepared
        The case with plan, geometry and sight lines.
    trials : int
        How many, at least 1.
    seed : int
        Seed of the run, zero or more.
    first : int
        Number of the first trial.
    off : frozenset of str
        Error sources to silence.
    batch : int
        Trials held in memory at a time; changes nothing but speed.
    redrawn : frozenset of str
        Error sources that draw from a second stream: the same trials, other luck in these alone.
    tilt : Tilt, optional
        A mixture to draw the trials from; they then have weights, and only weighted means over them
        say anything.
    shared : TrialsPlan, optional
        What `trials_plan` gave for this case and `off`, to spare working it out again.

    Raises
    ------
    ModelError
        If a number is out of range.
    """
    if trials < 1 or first < 0 or seed < 0 or batch < 1:
        raise ModelError(
            f"trials and batch must be positive, got {trials}, {batch}; seed and first not negative"
        )
    shared = shared or trials_plan(prepared, off)
    parts = []
    for begin in range(first, first + trials, batch):
        count = min(batch, first + trials - begin)
        parts.append(_Batch(shared, Streams(seed, begin, count, redrawn), seed, count, tilt).run())
    return merge_trials(parts)


def run_recorded(
    prepared: Prepared,
    numbers: IntArray,
    seed: int,
    recorder: Recorder | None,
    shared: TrialsPlan | None = None,
    streams: Streams | None = None,
) -> TrialsResult:
    """Return the outcome of the trials with these rising numbers, and tell a recorder, if any, what happens.

    They have the luck of `streams` if it is given, else what they have in a run of all.

    Raises
    ------
    ModelError
        If the numbers do not rise from 0 or more, or there is none.
    """
    streams = streams or Streams.of_trials(seed, numbers)
    shared = shared or trials_plan(prepared)
    return _Batch(shared, streams, seed, len(numbers), recorder=recorder).run()


def merge_trials(parts: Sequence[TrialsResult]) -> TrialsResult:
    """Return several ranges of trials of one case, given in trial order, as one."""
    if not parts:
        raise ModelError("there are no trials to merge")
    if len(parts) == 1:
        return parts[0]
    moments = tuple(
        MomentTrials(
            *(np.concatenate([getattr(part.moments[i], name) for part in parts]) for name in _MOMENT_FIELDS)
        )
        for i in range(len(parts[0].moments))
    )
    return TrialsResult(
        trials=sum(part.trials for part in parts),
        seed=parts[0].seed,
        moments=moments,
        counts=np.sum([part.counts for part in parts], axis=0),
        wrongly_accepted=np.sum([part.wrongly_accepted for part in parts], axis=0),
        wrongly_refused=np.sum([part.wrongly_refused for part in parts], axis=0),
        fix_move_nm=np.sum([part.fix_move_nm for part in parts], axis=0),
        touch_step=np.concatenate([part.touch_step for part in parts]),
        touch_obstacle=np.concatenate([part.touch_obstacle for part in parts]),
        obstacles=parts[0].obstacles,
        lost=np.concatenate([part.lost for part in parts]),
        own=functools.reduce(operator.add, (part.own for part in parts)),
        weight=_joined([part.weight for part in parts]),
    )


def _joined(parts: Sequence[FloatArray | None]) -> FloatArray | None:
    known = [part for part in parts if part is not None]
    return np.concatenate(known) if known else None


_MOMENT_FIELDS = ("error", "along", "across", "estimation", "tracking", "clock_s", "touched")


class _Batch:
    """One batch of trials, from start to end; `recorder` is told what happens in each."""

    def __init__(
        self,
        shared: TrialsPlan,
        streams: Streams,
        seed: int,
        count: int,
        tilt: Tilt | None = None,
        recorder: Recorder | None = None,
    ) -> None:
        self.shared = shared
        self.prepared = shared.prepared
        self.seed, self.count, self.streams = seed, count, streams
        self.luck = None if tilt is None else TiltedLuck(tilt, self.streams, count)
        self.draws = Draws(shared.table, self.streams, count, self.luck)
        world = true_world(self.prepared, shared.attach, self.draws, self.streams)
        self.things = Things(world)
        if recorder is not None:
            recorder.started(self.draws.deviation, world)
        value = self.draws.value
        self.constants = drift_constants(value.get)
        self.readings = TrialReadings(
            self.prepared, shared.corrector, shared.candidates, world, self.draws, self.streams
        )
        self.touch = TouchTest(self.prepared, shared.touch, self.things, count)
        self.memory: CorrectionState = shared.corrector.memory(shared.model, count)
        self.tally: Tally = shared.corrector.tally()
        self.recorder = self.tally.recorder = recorder
        self.poses = self._start()
        self.walker = Walker(shared.walk, shared.table.noise, self.streams, value)
        self.clock = np.zeros(count)

    def _start(self) -> Poses:
        dx, dy, turn = self.draws.displaced(self.shared.attach.start())
        value = self.draws.value
        zero = np.zeros(self.count)
        return Poses(
            bx=zero,
            by=zero,
            bh=zero,
            xx=zero + (dx + value["start_placement:x"]),
            xy=zero + (dy + value["start_placement:y"]),
            xh=zero + (turn + value["start_placement:heading"]),
        )

    def run(self) -> TrialsResult:
        plan = self.prepared.plan
        timeline = plan.timeline
        due = moments_by_step(self.prepared.moments)
        found: dict[int, MomentTrials] = {}
        if plan.steps and len(timeline.twist):
            self.touch.test(0, int(timeline.step[0]), self.poses, self.clock, knot=0)
        self._readings_at(0)
        for step in plan.steps:
            self._step(step)
            if self.recorder is not None:
                self.recorder.step_ended(step.index, self.poses, self.clock)
            for i, moment in due.get(step.index, []):
                p = self.poses
                error = (p.xx - p.bx, p.xy - p.by, p.xh - p.bh)
                self.tally.watch.moment(i, error, self.memory.filter, self.count)
                found[i] = self._moment(moment)
        self.readings.finished()
        if self.recorder is not None:
            self.recorder.touched(self.touch.knot)
        return TrialsResult(
            trials=self.count,
            seed=self.seed,
            moments=tuple(found[i] for i in range(len(self.prepared.moments))),
            counts=self.tally.counts,
            wrongly_accepted=self.tally.wrongly_accepted,
            wrongly_refused=self.tally.wrongly_refused,
            fix_move_nm=self.tally.fix_move_nm,
            touch_step=self.touch.step,
            touch_obstacle=self.touch.obstacle,
            obstacles=self.shared.touch.ids,
            lost=self.memory.lost,
            own=self.tally.watch.finished(),
            weight=None if self.luck is None else self.luck.weight(),
        )

    def _stretch(self, step: PlannedStep) -> FloatArray:
        """Return how much longer this step takes: the trial's own clock against the plan's."""
        stretch = 1.0 + self.draws.value.get("step_timing", np.zeros(1))
        spread = self.shared.table.noise.step_timing
        if spread > 0.0:
            drawn = spread * self.streams.normals("step_timing", step.place, 0)
            stretch = stretch + self._doubted("step_timing") * drawn
        return np.maximum(stretch, 0.05)

    def _doubted(self, name: str) -> FloatArray:
        """Return the factor on an intensity that is itself uncertain, by trial; one where it is known."""
        return self.draws.value.get(factor_key(name), _KNOWN)

    def _step(self, step: PlannedStep) -> None:
        timeline = self.prepared.plan.timeline
        first, last = int(timeline.first_tick[step.index]), int(timeline.first_tick[step.index + 1])
        if first == last:
            return
        stretch = self._stretch(step)
        if step.law is Law.CONTACT:
            self._contact(step, first, last, stretch)
            return
        moving = step.motion is not None
        for k in range(first, last):
            tick = self.shared.ticks[k]
            dt = tick.dt * stretch
            walk = self.walker.tick(step, k, stretch)
            if moving:
                command = steer(step, tick, self.prepared.case.robot.controller, self.poses)
                moved = move_tick(tick, command, self.poses, self.constants, dt, walk)
            else:
                rest_tick(self.poses, self.constants, dt, walk)
                moved = (np.zeros(1), np.zeros(1))
            self.clock = self.clock + dt
            if self.recorder is not None:
                self.recorder.moved(k + 1, self.poses, self.clock)
            self._grow(k, moved)
            if moving or self.shared.touch.timed:
                # Before the readings: what is pushed now stands where it was pushed to.
                self.touch.test(k, step.index, self.poses, self.clock)
            self._readings_at(k + 1)
        if moving:
            self._settle(step, first, last)
            self.touch.test(last - 1, step.index, self.poses, self.clock)

    def _grow(self, tick: int, moved: tuple[FloatArray, FloatArray]) -> None:
        self.memory.grow(*moved, self.shared.filter_noise[tick], self.shared.links_left[tick])

    def _settle(self, step: PlannedStep, first: int, last: int) -> None:
        """Come to rest about where the motion should end; the odometry sees it."""
        noise, p, timeline = self.shared.table.noise, self.poses, self.prepared.plan.timeline
        factor = self._doubted("settling")
        if noise.settle_heading_rad > 0.0:
            turn = noise.settle_heading_rad * factor
            turn = turn * self.streams.normals("settling:heading", step.place, 0)
            p.bh, p.xh = p.bh + turn, p.xh + turn
        course = settle_course(timeline.twist[first:last], float(timeline.pose[last, 2]))
        if course is not None and noise.settle_along_m > 0.0:
            along = noise.settle_along_m * factor
            along = along * self.streams.normals("settling:along", step.place, 0)
            p.bx, p.by = p.bx + along * np.cos(course + p.bh), p.by + along * np.sin(course + p.bh)
            p.xx, p.xy = p.xx + along * np.cos(course + p.xh), p.xy + along * np.sin(course + p.xh)

    def _contact(self, step: PlannedStep, first: int, last: int, stretch: FloatArray) -> None:
        contact = self.prepared.plan.contacts[step.index]
        w = self.things.world
        row = next(i for i, e in enumerate(w.edges) if e.id == contact.wall)
        edge = next(e for e in self.prepared.believed.edges if e.id == contact.wall)
        line = true_line(*w.built.ends(row))
        approach = contact.travel_m / contact.speed_m_s
        duration = step.end_s - step.begin_s
        times = (approach * stretch, np.maximum(duration - approach, 0.0) * stretch)
        noise, normals = self.shared.table.noise, self.streams.normals
        root = math.sqrt(contact.travel_m)
        factors = [self._doubted(name) for name in ("distance_walk", "lateral_walk", "heading_walk")]
        heading_sd = np.sqrt(
            noise.heading_per_root_m**2 * contact.travel_m + noise.heading_per_root_s**2 * duration * stretch
        )
        walk = (
            noise.distance_per_root_m * root * factors[0] * normals("distance_walk", step.place, 0),
            noise.lateral_per_root_m * root * factors[1] * normals("lateral_walk", step.place, 0),
            heading_sd * factors[2] * normals("heading_walk", step.place, 0),
        )
        slips = self.walker.slips(contact.travel_m, step.place, 0)
        walk = (walk[0] + slips, walk[1], walk[2])
        believed_rad = self.poses.bh
        end = square_up(
            self.prepared.case.robot, step, contact, line, self.poses, self.constants, times, walk
        )
        clock = self.clock + duration * stretch + end.late_s
        if self.recorder is not None:
            self.recorder.moved(last, self.poses, clock)
        reset = wall_reset(self.prepared, step)
        if reset is not None:
            reset_belief(self.poses, edge, end.touched)
        self._test_approach(step, first, last, end.approach, approach, stretch)
        self.clock = clock
        # Before the readings, as in any other step.
        self.touch.test(last - 1, step.index, self.poses, self.clock)
        for k in range(first, last):
            self._grow(
                k,
                (np.full(1, self.shared.ticks[k].moved_x), np.full(1, self.shared.ticks[k].moved_y)),
            )
            self._readings_at(k + 1)
        if reset is not None:
            self.memory.touched(end.touched, reset, believed_rad)

    def _test_approach(
        self, step: PlannedStep, first: int, last: int, way: Approach, approach_s: float, stretch: FloatArray
    ) -> None:
        """Test the way to the wall for unintended contact, knot by knot."""
        timeline = self.prepared.plan.timeline
        for k in range(first, last):
            elapsed = float(timeline.time_s[k + 1]) - step.begin_s
            if elapsed > approach_s:
                break
            x, y, heading = way.at(elapsed / approach_s)
            px, py, nominal = (float(v) for v in timeline.pose[k + 1])
            zero = np.zeros(1)
            here = Poses(zero, zero, zero, x - px, y - py, heading - nominal)
            self.touch.test(k, step.index, here, self.clock + elapsed * stretch)

    def _moment(self, moment: Moment) -> MomentTrials:
        """Return the trials at a moment; where its event holds, what it takes is gone afterwards."""
        wanted = wanted_offset(moment, self.shared.attach, self.draws, self.things.world)
        trials = moment_trials(moment, self.poses, self.clock, self.touch.step >= 0, wanted)
        if moment.takes:
            own = shares_of(moment, trials, self.prepared.case.routine.time_limit).own
            self.things.take(moment.takes, own)
        return trials

    def _readings_at(self, knot: int) -> None:
        self.readings.at(knot, self.poses, self.clock, self.things.world, self.memory, self.tally)
        if self.recorder is not None:
            self.recorder.corrected(knot, self.poses)
