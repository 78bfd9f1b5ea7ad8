"""When no sensor can give a fix, and how often each can and cannot."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from driftgate.core.errors import ModelError
from driftgate.plan.values import Plan, Timeline
from driftgate.schema.case import Case
from driftgate.sight.expect import belief_knots, model_of
from driftgate.sight.pairs import partners
from driftgate.sight.stages import persists_before_gate, persists_before_validity
from driftgate.sight.values import DarkInterval, Reason, Sight
from driftgate.world.carry import edge_middle
from driftgate.world.values import World

AXES = ("x", "y", "heading")

# What counts as informing a coordinate (our choice, no source): a surface whose normal is within
# 60 deg of the axis, and for the heading a range that changes by 0.1 m per radian, so that a sensor
# good to 15 mm tells the heading to about 9 deg from one reading, and to 1 deg from a hundred.
LEAST_NORMAL_SHARE = 0.5
LEAST_HEADING_LEVER_M = 0.1
# cos(60 deg) comes out a rounding below one half.
_ROUNDING = 1e-12


def informing(case: Case, plan: Plan, sight: Sight, world: World) -> NDArray[np.bool_]:
    """Return which coordinates each reading informs, shape (R, 3) for x, y, heading.

    Of a sensor whose phase is drawn each run the readings of the middle phase stand for all. A usable
    reading informs x if the direction that its range changes in has an x component of at least one half, y
    alike: the surface's normal, or for an end of it that answers in a cone the sight line. It informs the
    heading if the range (under the Kalman law, as the others turn the belief by pairs alone), or the
    difference of a pair's ranges, changes with it by at least 0.1 m/rad. Other readings inform nothing, nor
    do those that persistence holds back.
    """
    informs = np.zeros((len(sight.surface), 3), dtype=bool)
    nominal = plan.timeline.readings.nominal
    usable = np.flatnonzero(nominal & (sight.reason == Reason.USABLE) & persisting(case, plan, sight))
    if not usable.size:
        return informs
    lever_m = np.full(len(sight.surface), np.nan)
    pose, sensor = plan.timeline.pose[belief_knots(case, plan)], plan.timeline.readings.sensor
    for i, seeing in enumerate(case.robot.sensors):
        rows = usable[sensor[usable] == i]
        if not rows.size:
            continue
        edges = [world.edges[e] for e in sight.surface[rows]]
        normal, middle = np.array([e.normal for e in edges]), np.array([edge_middle(e) for e in edges])
        ends = np.array([(*e.a, *e.b) for e in edges])
        model = model_of(seeing, pose[rows], tuple(normal.T), tuple(middle.T), tuple(ends.T))
        slope = np.stack([model.d_x, model.d_y], axis=-1)
        along = np.abs(slope) / np.hypot(model.d_x, model.d_y)[:, None]
        informs[rows, :2] = along >= LEAST_NORMAL_SHARE - _ROUNDING
        lever_m[rows] = model.d_heading
    if case.robot.correction.update.law == "kalman":
        # The other laws move the belief along the surface's normal, and leave the heading to pairs.
        informs[:, 2] = np.abs(lever_m) >= LEAST_HEADING_LEVER_M - _ROUNDING
    for first, partner in partners(case.robot, plan.timeline.readings).items():
        both = [first, partner.reading]
        if sight.surface[first] != sight.surface[partner.reading]:
            continue
        reasons = [Reason(int(r)) for r in sight.reason[both]]
        if all(reason.tried for reason in reasons) and any(r is not Reason.USABLE for r in reasons):
            # The robot makes one of two, and one of the two is wrong.
            informs[both] = False
        else:
            # Not a number where one of the two is of no use.
            informs[both, 2] |= abs(lever_m[first] - lever_m[both[1]]) >= LEAST_HEADING_LEVER_M - _ROUNDING
    return informs


def persisting(case: Case, plan: Plan, sight: Sight) -> NDArray[np.bool_]:
    """Return which readings come after enough usable ones in a row, shape (R,).

    With persistence n the first n - 1 readings of a sensor on a surface are held back; a reading that
    is not usable, or another surface, starts the count again. Where persistence comes before validity,
    every reading that meets a surface counts.
    """
    correction = case.robot.correction
    rule = correction.persistence
    sensor = plan.timeline.readings.sensor
    enough = np.ones(len(sensor), dtype=bool)
    early, ungated = (
        persists_before_validity(case.robot.correction),
        persists_before_gate(case.robot.correction),
    )
    if rule is None:
        return enough
    streak, last = [0] * len(case.robot.sensors), [-1] * len(case.robot.sensors)
    for r, s in enumerate(sensor.tolist()):
        if not plan.timeline.readings.nominal[r]:
            continue
        reason = sight.reason[r]
        counts = reason == Reason.USABLE or (ungated and reason == Reason.OBSTRUCTED)
        counts |= early and Reason.NO_SURFACE < reason < Reason.OBSTRUCTED
        surface = int(sight.surface[r]) if counts else -1
        streak[s] = 0 if surface < 0 else streak[s] + 1 if surface == last[s] else 1
        last[s] = surface
        enough[r] = streak[s] >= rule.readings
    return enough


def dark_intervals(
    case: Case, plan: Plan, sight: Sight, world: World, shortest_s: float = 1.0
) -> tuple[DarkInterval, ...]:
    """Return the times in which no usable reading informs a coordinate.

    Parameters
    ----------
    case : Case
        Routine and robot.
    plan : Plan
        The nominal timeline.
    sight : Sight
        What each reading should see.
    world : World
        Geometry of the believed map.
    shortest_s : float, optional
        Shorter intervals are left out. [s]

    Returns
    -------
    tuple of DarkInterval
        By coordinate (x, y, heading), then by time. An interval runs from one informing reading's
        arrival, or the start, to the next one's, or the end.

    Raises
    ------
    ModelError
        If `shortest_s` is negative or not a number.
    """
    if not shortest_s >= 0.0:
        raise ModelError(f"shortest_s must be >= 0, got {shortest_s!r}")
    timeline = plan.timeline
    informs = informing(case, plan, sight, world)
    arrival = timeline.time_s[timeline.readings.knot]
    found = []
    for column, axis in enumerate(AXES):
        lit = np.sort(arrival[informs[:, column]])
        bounds = np.concatenate([timeline.time_s[:1], lit, timeline.time_s[-1:]])
        for i in np.flatnonzero(np.diff(bounds) > shortest_s):
            begin, end = float(bounds[i]), float(bounds[i + 1])
            found.append(DarkInterval(axis, begin, end, *_steps_between(timeline, begin, end)))
    return tuple(found)


def fix_opportunities(case: Case, plan: Plan, sight: Sight) -> NDArray[np.int64]:
    """Return how many readings of each sensor in each step have each `Reason`.

    Returns
    -------
    ndarray of int, shape (sensors, steps, reasons)
        Counts; the last axis is indexed by `Reason`.
    """
    counts = np.zeros((len(case.robot.sensors), len(plan.steps), len(Reason)), dtype=np.int64)
    readings = plan.timeline.readings
    mine = readings.nominal
    place = readings.sensor[mine], readings.step[mine], sight.reason[mine].astype(np.intp)
    np.add.at(counts, place, 1)
    return counts


def _steps_between(timeline: Timeline, begin_s: float, end_s: float) -> tuple[int, int]:
    """Return the step that goes on just after the beginning and the one just before the end."""
    first = int(np.searchsorted(timeline.time_s, begin_s, side="right")) - 1
    last = int(np.searchsorted(timeline.time_s, end_s, side="left")) - 1
    return int(timeline.step[first]), int(timeline.step[last])
