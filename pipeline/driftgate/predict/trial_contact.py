"""Squaring up against a wall, exact in the plane, vectorised over trials."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray, wrap_angles
from driftgate.plan.values import Contact, PlannedStep
from driftgate.predict.increments import DriftConstants, true_increment
from driftgate.predict.trial_motion import Poses, Walk
from driftgate.schema.robot import Robot
from driftgate.world.values import Edge

_LEAST_TRAVEL_M = 1e-3


@dataclass(frozen=True)
class ContactEnd:
    """What a square-up left behind.

    Attributes
    ----------
    late_s : ndarray
        Extra time on the trial's clock. [s]
    touched : ndarray of bool
        Whether it touched.
    approach : Approach
        The way there, for the test of unintended contact.
    """

    late_s: FloatArray
    touched: np.ndarray
    approach: Approach


@dataclass(frozen=True)
class Approach:
    """The true way to the wall: start, displacement and turn of the planned travel, and how much of it."""

    x: FloatArray
    y: FloatArray
    heading: FloatArray
    travel_x: FloatArray
    travel_y: FloatArray
    turn: FloatArray
    share: FloatArray

    def at(self, share: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the true pose after a share of the planned travel; it stays where it touched."""
        done = np.minimum(share, np.maximum(self.share, 0.0))
        return self.x + done * self.travel_x, self.y + done * self.travel_y, self.heading + done * self.turn


@dataclass(frozen=True)
class TrueLine:
    """The real wall in every trial: a point on it and its unit normal into the field, shape (n,) each."""

    x: FloatArray
    y: FloatArray
    nx: FloatArray
    ny: FloatArray


def true_line(ax: FloatArray, ay: FloatArray, bx: FloatArray, by: FloatArray) -> TrueLine:
    """Return a surface's line from its ends; the free side is on the left of a -> b."""
    ex, ey = bx - ax, by - ay
    length = np.hypot(ex, ey)
    return TrueLine(ax, ay, -ey / length, ex / length)


def square_up(
    robot: Robot,
    step: PlannedStep,
    contact: Contact,
    line: TrueLine,
    p: Poses,
    c: DriftConstants,
    times: tuple[FloatArray, FloatArray],
    walk: Walk,
) -> ContactEnd:
    """Drive into the wall, pivot flush about the corner that touches first, push; in place.

    Parameters
    ----------
    line : TrueLine
        The real wall.
    times : tuple of ndarray
        Duration of the approach and of the rest of the step on the trial's clock. [s]
    walk : tuple of ndarray
        Random walk of the whole step: distance, lateral, heading. [m, m, rad]

    Notes
    -----
    Wheels that only track stop with the robot, encoders of driven wheels go on to the planned end.
    The gyro sees the pivot; its sideways motion is seen by a holonomic drive only. A robot that has
    not touched within the late time stays where it then is, not flush.
    """
    approach_s, rest_s = times
    sign = -1.0 if step.backwards else 1.0
    start = step.start_pose
    heading = start[2] + p.xh
    # A robot that stands flush already is moved by a nominal millimetre's direction and no distance.
    travel_m = max(contact.travel_m, _LEAST_TRAVEL_M)
    least_s = _LEAST_TRAVEL_M / contact.speed_m_s
    ahead, left, drift = true_increment(
        np.full(1, sign * travel_m), np.zeros(1), np.zeros(1), np.maximum(approach_s, least_s), c, walk
    )
    angle = heading + 0.5 * drift
    vx, vy = np.cos(angle) * ahead - np.sin(angle) * left, np.sin(angle) * ahead + np.cos(angle) * left
    touch_heading = heading + drift
    x, y = start[0] + p.xx, start[1] + p.xy
    closing = -(line.nx * vx + line.ny * vy)
    shares, corners = [], []
    for half in (contact.half_width_m, -contact.half_width_m):
        side = contact.middle_left_m + half
        cx, cy = _turned(touch_heading, sign * contact.reach_m, side)
        corners.append((cx, cy))
        shares.append((line.nx * (x + cx - line.x) + line.ny * (y + cy - line.y)) / closing)
    first = shares[0] <= shares[1]
    share = np.where(first, shares[0], shares[1])
    planned = contact.travel_m / travel_m
    longest = planned + contact.late_s * contact.speed_m_s / travel_m
    touched = (closing > 0.0) & (share <= longest)
    # A share below zero puts a robot that began inside the real wall back onto it.
    share = np.where(touched, share, longest)
    wall_course = np.arctan2(-line.ny, -line.nx) - (np.pi if step.backwards else 0.0)
    pivot = np.where(touched, wrap_angles(wall_course - touch_heading), 0.0)
    cx, cy = (np.where(first, corners[0][i], corners[1][i]) for i in (0, 1))
    cp, sp = np.cos(pivot), np.sin(pivot)
    swing_x, swing_y = cx - (cp * cx - sp * cy), cy - (sp * cx + cp * cy)
    end_x, end_y = x + share * vx + swing_x, y + share * vy + swing_y
    end = step.end_pose
    p.xx, p.xy = end_x - end[0], end_y - end[1]
    p.xh = touch_heading + pivot - end[2]
    rolled_m = np.maximum(share, 0.0) * travel_m
    _move_belief(robot, step, contact, p, c, rolled_m, (swing_x, swing_y, touch_heading, pivot), rest_s)
    late = np.maximum(share - planned, 0.0) * travel_m / contact.speed_m_s
    return ContactEnd(late, touched, Approach(x, y, heading, vx, vy, drift, share))


def _turned(heading: FloatArray, ahead: float, left: float) -> tuple[FloatArray, FloatArray]:
    c, s = np.cos(heading), np.sin(heading)
    return c * ahead - s * left, s * ahead + c * left


def _move_belief(
    robot: Robot,
    step: PlannedStep,
    contact: Contact,
    p: Poses,
    c: DriftConstants,
    rolled_m: FloatArray,
    swing: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    rest_s: FloatArray,
) -> None:
    """Lay the measured motion onto the belief."""
    swing_x, swing_y, touch_heading, pivot = swing
    sign = -1.0 if step.backwards else 1.0
    start, end = step.start_pose, step.end_pose
    heading = start[2] + p.bh
    if robot.odometry.distance_from == "driven wheels":
        # The encoders go on to the planned end, or to the late touch, and through the push.
        travel = np.maximum(rolled_m, contact.travel_m) + contact.speed_m_s * contact.push_s
        measured_ahead, measured_left = sign * travel, np.zeros(1)
    else:
        ct, st = np.cos(touch_heading), np.sin(touch_heading)
        seen = ct * swing_x + st * swing_y
        measured_ahead = sign * rolled_m + seen * (1.0 + c.distance_scale)
        measured_left = np.zeros(1)
        if robot.drive.type == "holonomic":
            measured_left = (ct * swing_y - st * swing_x) * (1.0 + c.sideways_scale)
    cb, sb = np.cos(heading), np.sin(heading)
    moved_x = cb * measured_ahead - sb * measured_left
    moved_y = sb * measured_ahead + cb * measured_left
    turn = pivot * (1.0 + c.heading_scale) + c.heading_bias * rest_s
    p.bx = start[0] + p.bx + moved_x - end[0]
    p.by = start[1] + p.by + moved_y - end[1]
    p.bh = heading + turn - end[2]


def reset_belief(p: Poses, edge: Edge, touched: np.ndarray) -> None:
    """Put the belief's coordinate along the believed normal, and its heading, on the plan's."""
    nx, ny = edge.normal
    off = np.where(touched, nx * p.bx + ny * p.by, 0.0)
    p.bx, p.by = p.bx - nx * off, p.by - ny * off
    p.bh = np.where(touched, 0.0, p.bh)
