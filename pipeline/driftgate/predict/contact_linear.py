"""Squaring up against a wall, to first order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import Contact, PlannedStep
from driftgate.schema.robot import Robot
from driftgate.schema.routine import SquareUp
from driftgate.world.values import Edge


@dataclass(frozen=True)
class ContactJump:
    """What a contact makes of the deviations (bx, by, bh, xx, xy, xh) that dead reckoning alone would give.

    new = matrix old + offset x (wall offset) + tilt x (wall tilt) + known
    """

    matrix: FloatArray
    offset: FloatArray
    tilt: FloatArray
    known: FloatArray


def contact_jump(
    robot: Robot, step: PlannedStep, contact: Contact, edge: Edge, late: bool = False
) -> ContactJump:
    """Return the jump of a square-up step; `late` if on average the touch comes after the planned one.

    The truth ends flush: its coordinate along the wall's normal and its heading are the real wall's.
    Pivoting about the corner that touches first moves the robot's origin along the wall by
    reach x heading difference, whichever corner it is. Dead reckoning sees the motion, so the
    estimation error e = truth - belief is that of a free run; driven wheels go on turning while the
    robot pushes, which moves the belief on into the wall.
    """
    normal = np.array(edge.normal)
    tangent = np.array([normal[1], -normal[0]])
    mid = np.array([(edge.a[0] + edge.b[0]) / 2.0, (edge.a[1] + edge.b[1]) / 2.0])
    end = np.array(step.end_pose[:2])
    # The robot travels against the wall's normal; left of travel is minus the tangent or plus it.
    travel = -normal
    left = np.array([-travel[1], travel[0]])
    along = float(tangent @ (end - mid))
    truth = np.zeros((3, 3))
    truth[:2, :2] = np.outer(left, left)
    truth[:2, 2] = contact.reach_m * left
    matrix = np.zeros((6, 6))
    matrix[3:, 3:] = truth
    offset, tilt, known = np.zeros(6), np.zeros(6), np.zeros(6)
    offset[3:5] = normal
    tilt[3:5] = along * normal - contact.reach_m * left
    tilt[5] = 1.0
    # belief = new truth - e, with e = old truth - old belief
    matrix[:3] = matrix[3:]
    matrix[:3, 3:] -= np.eye(3)
    matrix[:3, :3] += np.eye(3)
    offset[:3], tilt[:3] = offset[3:], tilt[3:]
    if robot.drive.type != "holonomic" or robot.odometry.distance_from == "driven wheels":
        # Nothing on the robot sees the sideways swing of its origin during the pivot.
        matrix[:2, 5] -= contact.reach_m * left
        tilt[:2] += contact.reach_m * left
    if robot.odometry.distance_from == "driven wheels":
        # On an early touch the belief runs on to the planned end whatever the wall does: its
        # deviation ahead is that of a free run. The push comes on top.
        if not late:
            free = np.outer(travel, travel)
            matrix[:2, :] -= free @ matrix[:2, :]
            matrix[:2, :2] += free
            offset[:2] -= free @ offset[:2]
            tilt[:2] -= free @ tilt[:2]
        push_m = contact.speed_m_s * contact.push_s
        known[:2] += travel * push_m
        # It goes on along the heading that the robot believes to have.
        matrix[:2, 2] += push_m * left
    source = step.source
    if isinstance(source, SquareUp) and source.reset is not None:
        keep = np.zeros((3, 3))
        keep[:2, :2] = np.outer(tangent, tangent)
        matrix[:3] = keep @ matrix[:3]
        offset[:3], tilt[:3], known[:3] = keep @ offset[:3], keep @ tilt[:3], keep @ known[:3]
    return ContactJump(matrix, offset, tilt, known)
