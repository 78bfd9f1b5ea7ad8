"""What a contact reset leaves in the robot's filter: it lies flush with a wall that may itself stand off.

The wall tells the coordinate along its normal and the heading no better than it stands itself. What the
belief is then off by has to do with the wall's constants just as that of a start against it has
(`driftgate.predict.start_carry`), so that readings of the same wall say nothing new of it. With the
coordinate along the wall e_t as it was, and constants u_j that move a flush robot by b_j along the normal
and turn it by g_j,

    e_n = sum_j b_j u_j + w_n        e_h = sum_j g_j u_j + w_h

where w_n and w_h are what the step's standard deviations leave for all else.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from driftgate.plan.values import PlannedStep
from driftgate.predict.consider import BoolArray, Gained, Links
from driftgate.predict.filter import Six, choose, reset_normal
from driftgate.predict.prepared import Prepared
from driftgate.schema.routine import SquareUp
from driftgate.world.carry import edge_middle


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
    """

    normal: tuple[float, float]
    position_m: float
    heading_rad: float
    gained: tuple[Gained, ...] = ()


def wall_reset(prepared: Prepared, step: PlannedStep) -> WallReset | None:
    """Return what a step's touch makes of the filter; None for a step that resets nothing."""
    contact, source = prepared.plan.contacts.get(step.index), step.source
    reset = source.reset if isinstance(source, SquareUp) else None
    if contact is None or reset is None:
        return None
    edges, own = prepared.believed.edges, prepared.filter
    index = next(i for i, edge in enumerate(edges) if edge.id == contact.wall)
    edge = edges[index]
    if not own.considers:
        return WallReset(edge.normal, reset.position, reset.heading)
    (nx, ny), (mx, my) = edge.normal, edge_middle(edge)
    along = ny * (step.end_pose[0] - mx) - nx * (step.end_pose[1] - my)
    offset, tilt = own.wall_m, own.wall_tilt_rad
    gained = (
        Gained(("offset", index), offset, 0.0),
        Gained(("tilt", index), along * tilt, tilt),
    )
    return WallReset(
        edge.normal,
        math.sqrt(max(reset.position**2 - offset**2 - (along * tilt) ** 2, 0.0)),
        math.sqrt(max(reset.heading**2 - tilt**2, 0.0)),
        tuple(part for part in gained if part.normal_m or part.heading_rad),
    )


def after_touch(p: Six, links: Links, reset: WallReset, touched: BoolArray) -> tuple[Six, Links]:
    """Return covariance and links after a reset, in the trials that have touched."""
    (nx, ny), now = reset.normal, links.now()
    xx, xy, xh, yy, yh, hh = reset_normal(p, reset.normal, reset.position_m, reset.heading_rad)
    for key, b, g in reset.gained:
        xx, xy, yy = xx + nx * nx * (b * b), xy + nx * ny * (b * b), yy + ny * ny * (b * b)
        xh, yh, hh = xh + nx * (b * g), yh + ny * (b * g), hh + g * g
        if key in now:
            # The coordinate along the wall, tangent (ny, -nx), has to do with it already.
            t = ny * now[key][0] - nx * now[key][1]
            xx, xy, yy = (
                xx + 2.0 * nx * ny * (b * t),
                xy + (ny * ny - nx * nx) * (b * t),
                yy - 2.0 * nx * ny * (b * t),
            )
            xh, yh = xh + ny * (g * t), yh - nx * (g * t)
    return choose(touched, (xx, xy, xh, yy, yh, hh), p), links.reset(reset.normal, touched, reset.gained)
