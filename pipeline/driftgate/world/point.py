"""The range from a robot to a point, such as a beacon, and how it changes with the robot's pose.

With the sensor at p_s = p + R(theta) l and the point q, r = |p_s - q| and u = (p_s - q) / r::

    dr/dp = u        dr/dtheta = u.(R' l)

Source: S. Thrun, W. Burgard and D. Fox, Probabilistic Robotics, MIT Press 2005, section 6.6 (range to a
landmark, from memory); derived here.
"""

from __future__ import annotations

import numpy as np

from driftgate.core.pose import FloatArray, cos_sin
from driftgate.world.beam import PoseModel
from driftgate.world.rays import Values

# Nearer than this a point has no direction worth differentiating. [m]
_LEAST_M = 1e-6


def range_to_point(
    pose: tuple[FloatArray, FloatArray, FloatArray],
    mount: tuple[float, float],
    point: tuple[Values, Values],
) -> PoseModel:
    """Return the range to a point and its derivatives by the pose.

    Parameters
    ----------
    pose : tuple of ndarray
        x, y and heading of the robot. [m, m, rad]
    mount : tuple of float
        Where the sensor sits on the robot: ahead, left. [m]
    point : tuple of float or ndarray
        The point. [m]
    """
    x, y, heading = pose
    c, s = cos_sin(heading)
    ahead, left = mount
    lever_x, lever_y = c * ahead - s * left, s * ahead + c * left
    dx, dy = x + lever_x - point[0], y + lever_y - point[1]
    range_m = np.hypot(dx, dy)
    far = range_m > _LEAST_M
    safe = np.where(far, range_m, 1.0)
    ux, uy = np.where(far, dx / safe, 1.0), np.where(far, dy / safe, 0.0)
    return PoseModel(range_m, np.ones_like(range_m), ux, uy, uy * lever_x - ux * lever_y, np.zeros_like(ux))
