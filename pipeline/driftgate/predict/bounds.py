"""The bounds inside which culling holds, from tight to wide.

What a beam may meet is settled beforehand for each of a few bounds on how far the pose is off the plan.
A batch takes for each reading the tightest one that holds for it; trials outside the widest are cast
against everything. So these numbers only trade speed.
"""

from __future__ import annotations

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.doubt import with_doubt
from driftgate.schema.fieldmap import Element
from driftgate.schema.sensor import Sensor

# The widest bound: deviation of the pose in metres and radians.
POSITION_SLACK_M = 0.15
ANGLE_SLACK_RAD = 0.12
# The bounds as shares of the widest one.
SHARES = (0.12, 0.25, 0.4, 0.63, 1.0)
# How far surfaces and the sensor's place on the robot are off; its direction is bound by its spread.
SURFACE_SLACK_M = 0.06
MOUNT_SLACK_M = 0.02
MOUNT_SPREADS = 4.5
SCATTER_SPREADS = 3.0

_NOBODY: IntArray = np.zeros(0, dtype=np.intp)


def position_slack(sensor: Sensor, share: float) -> float:
    """Return how far a believed beam's start may be off inside a bound: the pose, the turn's lever. [m]"""
    lever = float(np.hypot(sensor.mount.x, sensor.mount.y))
    return share * (POSITION_SLACK_M + ANGLE_SLACK_RAD * lever)


def angle_slack(sensor: Sensor, share: float) -> float:
    """Return how far any direction in a believed cone may be off inside a bound. [rad]"""
    return share * ANGLE_SLACK_RAD + 0.5 * sensor.beam_width


def mount_slack(sensor: Sensor) -> float:
    """Return how far a sensor's direction on the robot may be off inside the bound. [rad]"""
    mount = sensor.errors.mount_angle
    if mount is None:
        return 0.0
    return abs(mount.mean) + MOUNT_SPREADS * with_doubt(mount.spread, mount.fitted)


def true_position_slack(sensor: Sensor, share: float) -> float:
    """Return how far a true beam's start may be off inside a bound; the mount's own place adds to it. [m]"""
    lever = float(np.hypot(sensor.mount.x, sensor.mount.y))
    return share * (POSITION_SLACK_M + ANGLE_SLACK_RAD * lever) + MOUNT_SLACK_M


def true_angle_slack(sensor: Sensor, share: float) -> float:
    """Return how far any direction in a true cone may be off inside a bound. [rad]"""
    return share * ANGLE_SLACK_RAD + 0.5 * sensor.beam_width + mount_slack(sensor)


def element_slack(element: Element) -> float:
    """Return how far a loose element may be off its mapped place inside the bound. [m]

    Where it is further, and where it strayed, it is tested by itself.
    """
    return SURFACE_SLACK_M + SCATTER_SPREADS * max(element.scatter.x, element.scatter.y)


def bound_of(x: FloatArray, y: FloatArray, turn: FloatArray) -> tuple[int, IntArray]:
    """Return the tightest bound that holds for all trials, and the trials that no bound holds for.

    Parameters
    ----------
    x, y, turn : ndarray, shape (n,)
        Deviation of the pose from the plan. [m, m, rad]

    Returns
    -------
    bound : int
        Index into `SHARES`; the trials outside the widest one do not count.
    outside : ndarray of int
        Those trials.
    """
    off2 = x * x
    off2 += y * y
    far2 = float(np.maximum.reduce(off2))
    wide = max(float(np.maximum.reduce(turn)), -float(np.minimum.reduce(turn)))
    if not (far2 <= POSITION_SLACK_M * abs(POSITION_SLACK_M) and wide <= ANGLE_SLACK_RAD):
        turned = np.abs(turn)
        inside = (off2 <= POSITION_SLACK_M * abs(POSITION_SLACK_M)) & (turned <= ANGLE_SLACK_RAD)
        outside = np.flatnonzero(~inside)
        far2 = float(off2.max(where=inside, initial=0.0))
        wide = float(turned.max(where=inside, initial=0.0))
    else:
        outside = _NOBODY
    for bound, share in enumerate(SHARES):
        if far2 <= (share * POSITION_SLACK_M) ** 2 and wide <= share * ANGLE_SLACK_RAD:
            return bound, outside
    return len(SHARES) - 1, outside
