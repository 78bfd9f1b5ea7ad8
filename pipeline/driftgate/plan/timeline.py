"""The nominal motion cut into ticks, with every reading that falls due."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from driftgate.core.pose import FloatArray, compose, inverse, log
from driftgate.plan.motions import INSTANT_S, Push
from driftgate.plan.values import IntArray, Law, PlannedStep, ReadingPlan, Timeline
from driftgate.schema.sensor import Sensor

# Of a phase that is drawn each run: no two values are further apart than this, unless that takes more
# than so many (our choice; a robot at 1 m/s drives 12.5 mm in it). [s]
_SPACING_S: Final = 0.0125
_FEWEST: Final = 2
_MOST: Final = 8


@dataclass(frozen=True)
class _Due:
    """Every reading by sensor: echo and arrival on the plan's clock."""

    sensor: IntArray
    slot: IntArray
    echo_s: FloatArray
    arrival_s: FloatArray


def build_timeline(
    steps: Sequence[PlannedStep],
    start_pose: tuple[float, float, float],
    sensors: Sequence[Sensor],
    longest_tick_s: float,
) -> Timeline:
    """Return the timeline of planned steps.

    Knots fall on every step boundary, on the touch of every square-up, and on every echo and arrival
    of a reading; instants closer than a nanosecond are one knot, on a step boundary if there is one.

    Parameters
    ----------
    steps : sequence of PlannedStep
        In order; each begins where the last one ends.
    start_pose : tuple of float
        Nominal pose at time zero.
    sensors : sequence of Sensor
        In the order of the robot file. Sensor s echoes at phase + k / rate, k = 0, 1, ..., and the
        reading arrives its latency later; what arrives after the end of the routine is left out. Of
        a sensor whose phase is drawn each run all `sub_phases` are laid out.
    longest_tick_s : float
        Longer gaps between knots are cut into equal ticks.

    Returns
    -------
    Timeline
        See there.
    """
    bounds = _boundaries(steps)
    due = _readings_due(sensors, float(bounds[-1]))
    touches = [s.begin_s + s.motion.touch_s for s in steps if isinstance(s.motion, Push)]
    events = np.concatenate([due.echo_s, due.arrival_s, touches])
    base, where = _merge(bounds, events)
    time, knot_of_base = _cut(base, longest_tick_s)
    ends = knot_of_base[np.searchsorted(base, [s.end_s for s in steps])] if steps else np.zeros(0, np.intp)
    first_tick = np.concatenate([[0], ends]).astype(np.intp)
    pose, rate = _sample(steps, first_tick, time, start_pose)
    ticks_of_step = np.diff(first_tick)
    step = np.repeat(np.arange(len(steps), dtype=np.intp), ticks_of_step)
    stands = np.array([s.law is Law.STAND for s in steps], bool)
    count = due.echo_s.size
    return Timeline(
        time_s=time,
        pose=pose,
        twist=log(compose(inverse(pose[:-1]), pose[1:])),
        rate=rate,
        step=step,
        moving=~stands[step],
        first_tick=first_tick,
        readings=_reading_plan(
            due, knot_of_base[where[:count]], knot_of_base[where[count : 2 * count]], step, sensors
        ),
        longest_tick_s=longest_tick_s,
    )


def expected_knots(steps: Sequence[PlannedStep], sensors: Sequence[Sensor], longest_tick_s: float) -> float:
    """Return about how many knots a timeline would have, before it is built."""
    duration = steps[-1].end_s if steps else 0.0
    return (
        len(steps)
        + duration / longest_tick_s
        + sum(2.0 * duration * s.rate * len(sub_phases(s)) for s in sensors)
    )


def sub_phases(sensor: Sensor) -> FloatArray:
    """Return when the first reading of a sensor may fall: its phase, or some equally spaced ones.

    A phase that is drawn each run takes one of 2 to 8 values, the middles of equal parts of the
    interval between two readings. Where eight are enough they are at most 12.5 ms apart, so that a reading
    is taken at most 6.25 ms of driving from where it might have been: 6 mm at 1 m/s. Of a sensor
    slower than 10 Hz they are an eighth of the interval apart, whatever the robot does meanwhile.
    """
    if not sensor.random_phase:
        return np.array([sensor.phase])
    count = min(max(math.ceil(1.0 / (sensor.rate * _SPACING_S) - 1e-9), _FEWEST), _MOST)
    return np.asarray((np.arange(count) + 0.5) / (count * sensor.rate))


def middle_phase(sensor: Sensor) -> int:
    """Return which of `sub_phases` stands for all of them where none is drawn."""
    return len(sub_phases(sensor)) // 2


def _boundaries(steps: Sequence[PlannedStep]) -> FloatArray:
    return np.unique(np.array([0.0, *(s.end_s for s in steps)]))


def _readings_due(sensors: Sequence[Sensor], duration_s: float) -> _Due:
    """Return the readings that arrive by the end, sensor by sensor in the order of the file."""
    index, slots, echoes, arrivals = (
        [np.zeros(0, np.intp)],
        [np.zeros(0, np.intp)],
        [np.zeros(0)],
        [np.zeros(0)],
    )
    for i, sensor in enumerate(sensors):
        for slot, phase_s in enumerate(sub_phases(sensor).tolist()):
            last = (duration_s + INSTANT_S - sensor.latency - phase_s) * sensor.rate
            # The count is settled on the clock itself, not on its product with the rate.
            echo = phase_s + np.arange(max(math.floor(last) + 2, 0)) / sensor.rate
            arrival = echo + sensor.latency
            within = arrival <= duration_s + INSTANT_S
            index.append(np.full(int(within.sum()), i, np.intp))
            slots.append(np.full(int(within.sum()), slot if sensor.random_phase else -1, np.intp))
            echoes.append(echo[within])
            arrivals.append(arrival[within])
    return _Due(
        np.concatenate(index), np.concatenate(slots), np.concatenate(echoes), np.concatenate(arrivals)
    )


def _merge(bounds: FloatArray, events: FloatArray) -> tuple[FloatArray, IntArray]:
    """Return the knots before cutting, and the knot of each event.

    Events move onto a step boundary within a nanosecond, else onto the first of a group of events.
    """
    after = np.clip(np.searchsorted(bounds, events), 1, max(bounds.size - 1, 1))
    if bounds.size == 1:
        nearest = np.zeros(events.size, np.intp)
    else:
        nearest = np.where(events - bounds[after - 1] <= bounds[after] - events, after - 1, after)
    on_bound = np.abs(events - bounds[nearest]) <= INSTANT_S
    free = np.sort(events[~on_bound])
    groups = free[np.concatenate([[True], np.diff(free) > INSTANT_S])] if free.size else free
    base = np.sort(np.concatenate([bounds, groups]))
    # A free event belongs to the group that begins at or before it.
    moved = np.where(on_bound, bounds[nearest], events)
    if groups.size:
        group = groups[np.clip(np.searchsorted(groups, events, side="right") - 1, 0, None)]
        moved = np.where(on_bound, moved, group)
    return base, np.searchsorted(base, moved)


def _cut(base: FloatArray, longest_tick_s: float) -> tuple[FloatArray, IntArray]:
    """Return all knots, and where the given ones are among them."""
    gap = np.diff(base)
    parts = np.maximum(np.ceil(gap / longest_tick_s - 1e-9), 1.0).astype(np.intp)
    knot_of_base = np.concatenate([[0], np.cumsum(parts)]).astype(np.intp)
    left = np.repeat(np.arange(gap.size), parts)
    share = (np.arange(knot_of_base[-1]) - knot_of_base[:-1][left]) / parts[left]
    return np.concatenate([base[:-1][left] + share * gap[left], base[-1:]]), knot_of_base


def _sample(
    steps: Sequence[PlannedStep],
    first_tick: IntArray,
    time: FloatArray,
    start_pose: tuple[float, float, float],
) -> tuple[FloatArray, FloatArray]:
    """Return poses at the knots, and body rates just before them."""
    pose, rate = np.empty((time.size, 3)), np.zeros((time.size, 3))
    pose[0] = start_pose
    for i, step in enumerate(steps):
        own = slice(first_tick[i] + 1, first_tick[i + 1] + 1)
        if own.start == own.stop:
            continue
        if step.motion is None:
            pose[own] = step.end_pose
        else:
            pose[own], rate[own] = step.motion.sample(time[own] - step.begin_s)
            pose[own.stop - 1] = step.end_pose
    return pose, rate


def _reading_plan(
    due: _Due, echo_knot: IntArray, knot: IntArray, step: IntArray, sensors: Sequence[Sensor]
) -> ReadingPlan:
    order = np.lexsort([echo_knot, due.sensor, knot])
    knot, echo_knot, sensor, slot = knot[order], echo_knot[order], due.sensor[order], due.slot[order]
    # The step of a knot is that of the tick that ends there; time zero is the first step's.
    owner = step[np.maximum(knot - 1, 0)] if step.size else np.zeros(knot.size, np.intp)
    middle = np.array([middle_phase(s) for s in sensors], np.intp)
    nominal = (slot < 0) | (slot == middle[sensor])
    # The readings of one number draw the same luck at every phase.
    ordinal = _ordinals(sensor * (_MOST + 1) + slot, owner)
    return ReadingPlan(knot, echo_knot, sensor, owner, ordinal, slot, nominal)


def _ordinals(sensor: IntArray, step: IntArray) -> IntArray:
    """Return the number of each reading among those of its sensor in its step."""
    order = np.lexsort([np.arange(sensor.size), step, sensor])
    s, t = sensor[order], step[order]
    new = np.ones(s.size, bool)
    new[1:] = (s[1:] != s[:-1]) | (t[1:] != t[:-1])
    begin = np.maximum.accumulate(np.where(new, np.arange(s.size), 0))
    ordinal = np.empty(s.size, np.intp)
    ordinal[order] = np.arange(s.size) - begin
    return ordinal
