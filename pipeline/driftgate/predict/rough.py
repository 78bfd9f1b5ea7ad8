"""Where the floor is rough."""

from __future__ import annotations

import numpy as np

from driftgate.core.pose import FloatArray, compose, exp
from driftgate.world.values import World

_LOOKS = 8  # places looked at along each stretch


def bumps_per_metre(world: World, pose: FloatArray, twist: FloatArray) -> FloatArray:
    """Return the bumps per metre of stretches of the nominal path, averaged along each.

    Parameters
    ----------
    world : World
        The true map with its rough zones.
    pose : ndarray, shape (n, 3)
        Where each stretch begins.
    twist : ndarray, shape (n, 3)
        Body increments over it.

    Returns
    -------
    ndarray, shape (n,)
        Bumps per metre; the share of a stretch that lies in a zone is found to an eighth. [1/m]
    """
    rate = np.zeros(len(pose))
    if not world.zones:
        return rate
    for share in (np.arange(_LOOKS) + 0.5) / _LOOKS:
        at = compose(pose, exp(share * twist))
        for _, corners, bumps in world.zones:
            rate += bumps / _LOOKS * inside_polygon(at[:, 0], at[:, 1], corners)
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
