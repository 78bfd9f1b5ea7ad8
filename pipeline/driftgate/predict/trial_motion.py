"""One tick of the three poses, exact on SE(2), vectorised over trials.

Belief and truth are held as deviations from the plan in field axes, so that small numbers stay exact.
The controller steers the belief; the measured increment enters the belief, the true one the truth.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from driftgate.core.pose import FloatArray, cos_sin
from driftgate.plan.values import Law, Plan, PlannedStep
from driftgate.predict.increments import DriftConstants, true_increment
from driftgate.predict.linear import decay, distance_tau, look_ahead, remaining_distance
from driftgate.schema.robot import Controller

Walk = tuple[FloatArray, FloatArray, FloatArray]
Number = TypeVar("Number", float, FloatArray)


@dataclass
class Poses:
    """Deviations of belief (b) and truth (x) from the plan, field axes, each of shape (n,)."""

    bx: FloatArray
    by: FloatArray
    bh: FloatArray
    xx: FloatArray
    xy: FloatArray
    xh: FloatArray


def wide(row: FloatArray, count: int) -> FloatArray:
    """Return a row with one value for each of so many trials."""
    return row if row.shape == (count,) else np.broadcast_to(row, (count,))


@dataclass(frozen=True)
class Command:
    """What the controller asks of one tick.

    Attributes
    ----------
    ahead, left : ndarray
        Measured displacement in the believed robot's axes, after `turn_before`. [m]
    turn : ndarray
        The controller's own turn in this tick, beside the plan's. [rad]
    turn_before : ndarray
        The part of it that acts before the displacement, on average over the tick. [rad]
    """

    ahead: FloatArray
    left: FloatArray
    turn: FloatArray
    turn_before: FloatArray


@dataclass(frozen=True)
class TickPlan:
    """The plan's part of one tick, as floats."""

    x: float
    y: float
    heading: float
    moved_x: float
    moved_y: float
    ds: float
    dl: float
    dth: float
    dt: float
    left: float  # what is left of a heading difference
    closed: float  # share of it closed on average
    distance_left: float
    remaining: float  # plan's distance left at the start of the tick
    remaining_after: float
    travelling: bool


def tick_plans(plan: Plan, controller: Controller, travelling: np.ndarray) -> list[TickPlan]:
    """Return the plan's part of every tick."""
    timeline = plan.timeline
    dt = np.diff(timeline.time_s)
    left, closed = decay(dt, controller.time_constant)
    distance_left, _ = decay(dt, distance_tau(controller))
    remaining, after = np.zeros(len(dt)), np.zeros(len(dt))
    for step in plan.steps:
        span = slice(int(timeline.first_tick[step.index]), int(timeline.first_tick[step.index + 1]))
        if span.start == span.stop or step.law not in (Law.DRIVE, Law.CURVE):
            continue
        remaining[span] = remaining_distance(plan, step, span)
        after[span.start : span.stop - 1] = remaining[span.start + 1 : span.stop]
    moved = np.diff(timeline.pose[:, :2], axis=0)
    table = np.column_stack(
        [timeline.pose[:-1], moved, timeline.twist, dt, left, closed, distance_left, remaining, after]
    )
    return [
        TickPlan(*row, travelling=bool(go))  # type: ignore[misc]  # the rows have the length of the fields
        for row, go in zip(table.tolist(), travelling, strict=True)
    ]


def steer(step: PlannedStep, tick: TickPlan, controller: Controller, p: Poses) -> Command:
    """Return the controller's command for one tick of a moving step."""
    if step.law is Law.DRIVE and step.target is not None:
        return _steer_drive(step.target, step.backwards, tick, controller, p)
    if step.law is Law.CURVE:
        return _steer_curve(step.backwards, tick, controller, p)
    if step.law is Law.GLIDE:
        turn, before = (tick.left - 1.0) * p.bh, -tick.closed * p.bh
        wanted_x = tick.moved_x + (tick.distance_left - 1.0) * p.bx
        wanted_y = tick.moved_y + (tick.distance_left - 1.0) * p.by
        heading = tick.heading + p.bh + before
        c, s = cos_sin(heading)
        return Command(c * wanted_x + s * wanted_y, -s * wanted_x + c * wanted_y, turn, before)
    difference = p.bh
    if step.law is Law.FACE and step.target is not None:
        difference = p.bh - _bearing_change(step.target, tick, p)
    if step.law in (Law.TURN, Law.FACE):
        turn, before = (tick.left - 1.0) * difference, -tick.closed * difference
        return Command(np.full(1, tick.ds), np.full(1, tick.dl), turn, before)
    nothing = np.zeros(1)
    return Command(np.full(1, tick.ds), np.full(1, tick.dl), nothing, nothing)


def _bearing_change(target: tuple[float, float], tick: TickPlan, p: Poses) -> FloatArray:
    """Return by how much the believed bearing of a point differs from the planned one. [rad]"""
    nx, ny = target[0] - tick.x, target[1] - tick.y
    rx, ry = nx - p.bx, ny - p.by
    return np.arctan2(nx * ry - ny * rx, nx * rx + ny * ry)


def _steer_drive(
    target: tuple[float, float], backwards: bool, tick: TickPlan, controller: Controller, p: Poses
) -> Command:
    rx, ry = target[0] - tick.x - p.bx, target[1] - tick.y - p.by
    c, s = cos_sin(tick.heading + p.bh + (np.pi if backwards else 0.0))
    ahead, aside = c * rx + s * ry, s * rx - c * ry
    # Heading off the bearing: the angle from the target's direction to the course.
    off = np.arctan2(aside, ahead)
    off = np.where(ahead >= max(controller.stop_steering, 1e-9), off, 0.0)
    turn, before = (tick.left - 1.0) * off, -tick.closed * off
    cb, sb = cos_sin(before)
    # The target in the axes that the course has after the turn.
    ahead_now = cb * ahead - sb * aside
    move = ahead_now - tick.remaining_after - tick.distance_left * (ahead_now - tick.remaining)
    return Command(-move if backwards else move, np.full(1, tick.dl), turn, before)


def _steer_curve(backwards: bool, tick: TickPlan, controller: Controller, p: Poses) -> Command:
    course = tick.heading + (np.pi if backwards else 0.0)
    c, s = np.cos(course), np.sin(course)
    ahead, left = c * p.bx + s * p.by, c * p.by - s * p.bx
    close = (tick.distance_left - 1.0) * ahead
    along = tick.ds + (-close if backwards else close)
    if tick.remaining < max(controller.stop_steering, 1e-9):
        nothing = np.zeros(1)
        return Command(along, np.full(1, tick.dl), nothing, nothing)
    off = p.bh + np.arctan(left / look_ahead(controller))
    return Command(along, np.full(1, tick.dl), (tick.left - 1.0) * off, -tick.closed * off)


def sinc_half(turn: Number) -> Number:
    """Return sin(turn / 2) / (turn / 2), for turns of a tick (below 1.4 rad, to 1e-9)."""
    q = 0.25 * turn * turn
    return 1.0 - q / 6.0 * (1.0 - q / 20.0 * (1.0 - q / 42.0 * (1.0 - q / 72.0)))


def move_tick(
    tick: TickPlan, command: Command, p: Poses, c: DriftConstants, dt: FloatArray, walk: Walk
) -> tuple[FloatArray, FloatArray]:
    """Move belief and truth through one tick of a moving step, in place.

    Returns the believed displacement, field axes, for the robot's filter.
    """
    gain = 1.0 / (1.0 + c.heading_scale)
    turn_measured = tick.dth + command.turn
    ahead, left, turn = true_increment(command.ahead, command.left, turn_measured, dt, c, walk)
    believed_ahead = command.ahead
    if not tick.travelling:
        believed_ahead = command.ahead - c.wheel_offset * turn
        ahead, left = np.zeros(1), np.zeros(1)
    else:
        before = command.turn_before * gain
        rest = turn - command.turn * gain
        angle = tick.heading + p.xh + before + 0.5 * rest
        chord = sinc_half(rest)
        c_x, s_x = cos_sin(angle)
        cx, sx = c_x * chord, s_x * chord
        p.xx = p.xx + (cx * ahead - sx * left - tick.moved_x)
        p.xy = p.xy + (sx * ahead + cx * left - tick.moved_y)
    angle = tick.heading + p.bh + command.turn_before + 0.5 * tick.dth
    planned_chord = sinc_half(tick.dth)
    c_b, s_b = cos_sin(angle)
    cb, sb = c_b * planned_chord, s_b * planned_chord
    moved_x = cb * believed_ahead - sb * command.left
    moved_y = sb * believed_ahead + cb * command.left
    p.bx = p.bx + (moved_x - tick.moved_x)
    p.by = p.by + (moved_y - tick.moved_y)
    p.bh = p.bh + command.turn
    p.xh = p.xh + (turn - tick.dth)
    return moved_x, moved_y


def rest_tick(p: Poses, c: DriftConstants, dt: FloatArray, walk: Walk) -> None:
    """Let the gyro drift at rest: its bias and walk turn the belief and not the truth."""
    p.bh = p.bh + (c.heading_bias * dt - walk[2])
