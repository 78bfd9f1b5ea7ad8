"""What a believed beam and its corridor can possibly meet, settled once per plan.

The bound is that of `driftgate.predict.casting`: trials outside it look at everything.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from driftgate.plan.values import IntArray
from driftgate.predict.casting import angle_slack, position_slack
from driftgate.predict.prepared import Prepared
from driftgate.sight.corridor import Obstacle
from driftgate.sight.validity import ReadingLimits
from driftgate.world.beam import sensor_beam
from driftgate.world.culling import candidates_for_beam, candidates_for_disc
from driftgate.world.rays import EdgeArrays

Box = tuple[float, ...]


def surface_candidates(
    prepared: Prepared, knots: IntArray, edges: EdgeArrays, tall: Sequence[IntArray]
) -> list[IntArray]:
    """Return which believed surfaces each reading's believed beam may meet, inside the bound.

    Parameters
    ----------
    prepared : Prepared
        The case.
    knots : ndarray of int
        The knot whose belief each reading is compared with.
    edges : EdgeArrays
        The believed map's edges.
    tall : sequence of ndarray of int
        For each sensor, the edges that reach to its height.
    """
    readings, pose = prepared.plan.timeline.readings, prepared.plan.timeline.pose
    found: list[IntArray] = [np.zeros(0, dtype=np.intp)] * len(readings.knot)
    e = edges
    size = float(np.ptp(prepared.believed.outline, axis=0).sum())
    for s, sensor in enumerate(prepared.case.robot.sensors):
        mine = np.flatnonzero(readings.sensor == s)
        if len(mine) == 0:
            continue
        at, mount = pose[knots[mine]], sensor.mount
        px, py, ux, uy = sensor_beam(at[:, 0], at[:, 1], at[:, 2], mount.x, mount.y, mount.heading)
        may = candidates_for_beam(
            px, py, ux, uy, size, position_slack(sensor), angle_slack(sensor), e.ax, e.ay, e.bx, e.by, 0.0
        )
        high = np.isin(np.arange(len(e.ax)), tall[s])
        for row, r in enumerate(mine):
            found[r] = np.flatnonzero(may[row] & high)
    return found


def corridor_candidates(
    prepared: Prepared, knots: IntArray, limits: Sequence[ReadingLimits], boxes: Sequence[Sequence[Box]]
) -> list[list[int]]:
    """Return which obstacles can be in each reading's corridor, inside the bound.

    Parameters
    ----------
    prepared, knots
        As in `surface_candidates`.
    limits : sequence of ReadingLimits
        Limits of each sensor's readings.
    boxes : sequence of sequence of tuple
        For each sensor the boxes round the obstacles at its height.
    """
    readings, pose = prepared.plan.timeline.readings, prepared.plan.timeline.pose
    found: list[list[int]] = [[] for _ in readings.knot]
    for s, sensor in enumerate(prepared.case.robot.sensors):
        mine = np.flatnonzero(readings.sensor == s)
        margin, reach_m = limits[s].corridor_m, limits[s].high_m
        if len(mine) == 0 or margin < 0.0:
            continue
        at, mount = pose[knots[mine]], sensor.mount
        px, py, ux, uy = sensor_beam(at[:, 0], at[:, 1], at[:, 2], mount.x, mount.y, mount.heading)
        # The corridor's margin widens the beam's start.
        slack, turn = position_slack(sensor) + margin, angle_slack(sensor)
        for i, (low_x, high_x, low_y, high_y) in enumerate(boxes[s]):
            cx, cy = np.array([0.5 * (low_x + high_x)]), np.array([0.5 * (low_y + high_y)])
            radius = 0.5 * float(np.hypot(high_x - low_x, high_y - low_y))
            may = candidates_for_disc(px, py, ux, uy, reach_m, slack, turn, cx, cy, radius, 0.0)
            for row in np.flatnonzero(may[:, 0]).tolist():
                found[mine[row]].append(i)
    return found


def outer_box(obstacle: Obstacle) -> Box:
    """Return the box round an obstacle: low x, high x, low y, high y. [m]"""
    if obstacle.disc is not None:
        cx, cy, radius = obstacle.disc
        return cx - radius, cx + radius, cy - radius, cy + radius
    sides = obstacle.sides if obstacle.sides is not None else np.zeros((1, 4))
    x, y = sides[:, 0::2], sides[:, 1::2]
    return float(x.min()), float(x.max()), float(y.min()), float(y.max())


def boxes_overlap(a: Box, b: Box) -> bool:
    """Return whether two boxes have a point in common."""
    return a[0] <= b[1] and b[0] <= a[1] and a[2] <= b[3] and b[2] <= a[3]
