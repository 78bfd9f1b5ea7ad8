"""What every trial looks like at a moment at which it is judged."""

from __future__ import annotations

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.predict.attach import Attachments
from driftgate.predict.trial_motion import Poses
from driftgate.predict.trial_world import Draws, TrueWorld
from driftgate.predict.values import BoolArray, Moment, MomentTrials

Three = tuple[FloatArray, FloatArray, FloatArray]


def moment_trials(
    moment: Moment, p: Poses, clock_s: FloatArray, touched: BoolArray, wanted: Three
) -> MomentTrials:
    """Return all trials at one moment; `wanted` is by how much the wanted pose is off the plan."""
    count = len(clock_s)
    wanted_x, wanted_y, wanted_h = wanted
    error = np.stack(
        [np.broadcast_to(v, (count,)) for v in (p.xx - wanted_x, p.xy - wanted_y, p.xh - wanted_h)],
        axis=-1,
    )
    heading = moment.pose[2] + wanted_h
    c, s = np.cos(heading), np.sin(heading)
    return MomentTrials(
        error=error,
        along=c * error[:, 0] + s * error[:, 1],
        across=c * error[:, 1] - s * error[:, 0],
        estimation=_relative(moment.pose[2] + p.bh, p.xx - p.bx, p.xy - p.by, p.xh - p.bh, count),
        tracking=_relative(np.full(1, moment.pose[2]), p.bx, p.by, p.bh, count),
        clock_s=clock_s.copy(),
        touched=touched,
    )


def wanted_offset(moment: Moment, attach: Attachments, draws: Draws, world: TrueWorld) -> Three:
    """Return by how much the wanted pose is off the plan: it turns with the real element."""
    target = moment.within.relative_to
    zero = np.zeros(draws.count)
    if target is None:
        return zero, zero, zero
    at = attach.drawn_place(target)
    for element in world.elements:
        if element.source.id == target:
            dx, dy, turn = element.x - at.x, element.y - at.y, element.heading - at.heading
            break
    else:
        dx, dy, turn = draws.displaced(attach.thing(target))
    rx, ry = moment.pose[0] - at.x, moment.pose[1] - at.y
    c, s = np.cos(turn), np.sin(turn)
    return dx + c * rx - s * ry - rx, dy + s * rx + c * ry - ry, turn


def _relative(
    heading: FloatArray, dx: FloatArray, dy: FloatArray, turn: FloatArray, count: int
) -> FloatArray:
    """Return a pose difference in the axes of `heading`, shape (n, 3)."""
    c, s = np.cos(heading), np.sin(heading)
    rows = (c * dx + s * dy, c * dy - s * dx, turn)
    return np.stack([np.broadcast_to(row, (count,)) for row in rows], axis=-1)
