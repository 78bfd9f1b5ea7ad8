"""What a contact reset leaves in the robot's filter: it lies flush with a wall that may itself stand off.

The wall tells the coordinate along its normal and the heading no better than it stands itself. What the
belief is then off by has to do with the wall's constants just as that of a start against it has
(`driftgate.predict.start_carry`), so that readings of the same wall say nothing new of it. While the robot
comes flush it turns about the corner that touched first, and its origin swings along the wall by its reach
times the turn. A drive that cannot see itself go sideways does not take part in that. With the errors e_t
along the wall and e_h of the heading as they were, constants u_j that move a flush robot by b_j along the
normal and turn it by g_j, and the believed heading off the plan by t before the touch,

    e_n = sum_j b_j u_j + w_n        e_h' = sum_j g_j u_j + w_h
    e_t' = e_t + s (e_h - sum_j g_j u_j) + k t

where w_n and w_h are what the step's standard deviations leave for all else, s is the reach or, of a drive
that sees the swing, zero, and k is s less the way that driven wheels go on turning for.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import Contact, PlannedStep
from driftgate.predict.consider import BoolArray, Gained, Links
from driftgate.predict.filter import Six, choose, reset_normal
from driftgate.predict.prepared import Prepared
from driftgate.schema.robot import Robot
from driftgate.schema.routine import SquareUp


class Swing(NamedTuple):
    """How a robot goes along a wall, unseen by its odometry, while it comes flush.

    Attributes
    ----------
    lever_m : float
        For each radian that it turns. [m/rad]
    believed_m : float
        For each radian that it believed to be off the plan before. [m/rad]
    """

    lever_m: float
    believed_m: float


class WallReset(NamedTuple):
    """What a square-up that resets makes of the filter.

    Attributes
    ----------
    normal : tuple of float
        The wall's unit normal.
    position_m, heading_rad : float
        Standard deviations along it and of the heading of what has nothing to do with the wall. [m, rad]
    gained : tuple of Gained
        What has to do with it; nothing where the filter considers no walls.
    swing : Swing
        Along the wall.
    """

    normal: tuple[float, float]
    position_m: float
    heading_rad: float
    gained: tuple[Gained, ...] = ()
    swing: Swing = Swing(0.0, 0.0)


def swing_of(robot: Robot, contact: Contact) -> Swing:
    """Return how a robot swings along a wall; as in `driftgate.predict.contact_linear`."""
    driven = robot.odometry.distance_from == "driven wheels"
    lever_m = contact.reach_m if driven or robot.drive.type != "holonomic" else 0.0
    return Swing(lever_m, lever_m - contact.speed_m_s * contact.push_s if driven else lever_m)


def wall_reset(prepared: Prepared, step: PlannedStep) -> WallReset | None:
    """Return what a step's touch makes of the filter; None for a step that resets nothing."""
    contact, source = prepared.plan.contacts.get(step.index), step.source
    reset = source.reset if isinstance(source, SquareUp) else None
    if contact is None or reset is None:
        return None
    edges, own = prepared.believed.edges, prepared.filter
    index = next(i for i, edge in enumerate(edges) if edge.id == contact.wall)
    normal, swing = edges[index].normal, swing_of(prepared.case.robot, contact)
    if not own.considers:
        return WallReset(normal, reset.position, reset.heading, swing=swing)
    gained = []
    for mover in own.movers[index]:
        x, y, turn = mover.shift_at(step.end_pose[0], step.end_pose[1])
        along = normal[0] * x + normal[1] * y
        if mover.carries and (along or turn):
            gained.append(Gained(mover.key, along, turn))
    return WallReset(
        normal,
        math.sqrt(max(reset.position**2 - sum(part.normal_m**2 for part in gained), 0.0)),
        math.sqrt(max(reset.heading**2 - sum(part.heading_rad**2 for part in gained), 0.0)),
        tuple(gained),
        swing,
    )


def after_touch(
    p: Six, links: Links, reset: WallReset, touched: BoolArray, believed_square: FloatArray | float = 0.0
) -> tuple[Six, Links]:
    """Return covariance and links after a reset, in the trials that have touched.

    `believed_square` is the square of how far off the plan the heading was believed to be before the touch.
    [rad^2]
    """
    (nx, ny), (lever, known) = reset.normal, reset.swing
    xx, xy, xh, yy, yh, hh = p
    # The coordinate along the wall, tangent (ny, -nx), takes lever times the heading with it.
    turned = (
        xx + lever * ny * (2.0 * xh + lever * ny * hh) + (known * ny) ** 2 * believed_square,
        xy + lever * (ny * yh - nx * xh - lever * nx * ny * hh) - known**2 * nx * ny * believed_square,
        xh,
        yy - lever * nx * (2.0 * yh - lever * nx * hh) + (known * nx) ** 2 * believed_square,
        yh,
        hh,
    )
    xx, xy, xh, yy, yh, hh = reset_normal(turned, reset.normal, reset.position_m, reset.heading_rad)
    now = links.now()
    for key, b, g in reset.gained:
        # By how much the constant moves the flush robot, and how what is left goes with it already.
        x, y, left = nx * b - ny * lever * g, ny * b + nx * lever * g, np.zeros(1)
        if key in now:
            left = ny * now[key][0] - nx * now[key][1] + lever * now[key][2]
        left_x, left_y = ny * left, -nx * left
        xx, xy, yy = (
            xx + x * (x + 2.0 * left_x),
            xy + x * y + x * left_y + y * left_x,
            yy + y * (y + 2.0 * left_y),
        )
        xh, yh, hh = xh + g * (x + left_x), yh + g * (y + left_y), hh + g * g
    after = links.reset(reset.normal, lever, touched, reset.gained)
    return choose(touched, (xx, xy, xh, yy, yh, hh), p), after
