"""Where the floor is rough."""

from __future__ import annotations

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import Timeline
from driftgate.world.values import World


def bumps_per_metre(world: World, timeline: Timeline) -> FloatArray:
    """Return the bumps per metre at the middle of every tick of the nominal path, shape (K,). [1/m]"""
    middle = 0.5 * (timeline.pose[:-1, :2] + timeline.pose[1:, :2])
    rate = np.zeros(len(middle))
    for _, corners, bumps in world.zones:
        rate += bumps * inside_polygon(middle[:, 0], middle[:, 1], corners)
    return rate


def inside_polygon(x: FloatArray, y: FloatArray, corners: FloatArray) -> np.ndarray:
    """Return whether points lie in a polygon, by the even-odd rule."""
    inside = np.zeros(np.shape(x), dtype=bool)
    for (ax, ay), (bx, by) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if ay == by:
            continue
        crosses = (ay > y) != (by > y)
        inside ^= crosses & (x < ax + (y - ay) * (bx - ax) / (by - ay))
    return inside
