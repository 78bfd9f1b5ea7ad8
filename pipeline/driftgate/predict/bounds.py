"""The bounds inside which culling holds, from tight to wide.

What a beam may meet is settled beforehand for each of a few bounds on how far the pose is off the plan.
A batch takes for each reading the tightest one that holds for it, or for all but a few of its trials where
that leaves less to test; trials outside the widest are cast against everything. So these numbers only
trade speed.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.doubt import with_doubt
from driftgate.schema.fieldmap import Element, FieldMap
from driftgate.schema.sensor import Sensor
from driftgate.world.values import Edge

# The widest bound: deviation of the pose in metres and radians.
POSITION_SLACK_M = 0.6
ANGLE_SLACK_RAD = 0.48
# The bounds as shares of the widest one.
SHARES = (0.03, 0.05, 0.08, 0.125, 0.2, 0.4, 1.0)
# A tighter bound may leave out this share of the trials; these are looked at apart.
FEW = 1.0 / 24.0
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


def mount_place_slack(sensor: Sensor) -> float:
    """Return how far a sensor's place on the robot may be off inside the bound. [m]"""
    return 0.0 if sensor.errors.mount_position is None else MOUNT_SLACK_M


def true_position_slack(sensor: Sensor, share: float) -> float:
    """Return how far a true beam's start may be off inside a bound; the mount's own place adds to it. [m]"""
    return position_slack(sensor, share) + mount_place_slack(sensor)


def true_angle_slack(sensor: Sensor, share: float) -> float:
    """Return how far any direction in a true cone may be off inside a bound. [rad]"""
    return share * ANGLE_SLACK_RAD + 0.5 * sensor.beam_width + mount_slack(sensor)


def edge_slacks(edges: Sequence[Edge], field: FieldMap) -> FloatArray:
    """Return how far either end of each edge of the true map may be off inside the bound. [m]

    A structure that is built exactly, and fixed to no wall, stands where the map has it.
    """
    exact = {s.id for s in field.structures if s.build is None}
    stands = [e.kind == "structure" and e.carrier is None and e.owner in exact for e in edges]
    return np.where(stands, 0.0, SURFACE_SLACK_M)


def element_slack(element: Element) -> float:
    """Return how far a loose element may be off its mapped place inside the bound. [m]

    Where it is further, and where it strayed, it is tested by itself.
    """
    return SURFACE_SLACK_M + SCATTER_SPREADS * max(element.scatter.x, element.scatter.y)


class Bounded:
    """Which bounds hold for the poses of a batch.

    Parameters
    ----------
    x, y, turn : ndarray, shape (n,)
        Deviation of the pose from the plan. [m, m, rad]

    Attributes
    ----------
    level : int
        The tightest bound that holds for all trials inside the widest one, an index into `SHARES`.
    far : ndarray of int
        The trials that no bound holds for.
    """

    def __init__(self, x: FloatArray, y: FloatArray, turn: FloatArray) -> None:
        off2 = x * x
        off2 += y * y
        self._off2, self._turn = off2, turn
        self._most: tuple[int, IntArray] | None = None
        widest2_m2 = POSITION_SLACK_M * abs(POSITION_SLACK_M)
        far2 = float(np.maximum.reduce(off2))
        wide = max(float(np.maximum.reduce(turn)), -float(np.minimum.reduce(turn)))
        self.far: IntArray = _NOBODY
        if not (far2 <= widest2_m2 and wide <= ANGLE_SLACK_RAD):
            turned = np.abs(turn)
            inside = (off2 <= widest2_m2) & (turned <= ANGLE_SLACK_RAD)
            self.far = np.flatnonzero(~inside)
            far2 = float(off2.max(where=inside, initial=0.0))
            wide = float(turned.max(where=inside, initial=0.0))
        self.level = len(SHARES) - 1
        for level, share in enumerate(SHARES):
            if far2 <= (share * POSITION_SLACK_M) ** 2 and wide <= share * ANGLE_SLACK_RAD:
                self.level = level
                break

    def most(self) -> tuple[int, IntArray]:
        """Return a bound, perhaps a tighter one, and the few trials outside it, far ones included."""
        if self._most is None:
            self._most = self.level, self.far
            turned = np.abs(self._turn)
            for level in range(self.level - 1, -1, -1):
                share = SHARES[level]
                out = (self._off2 > (share * POSITION_SLACK_M) ** 2) | (turned > share * ANGLE_SLACK_RAD)
                if np.count_nonzero(out) > FEW * len(out):
                    break
                self._most = level, out.nonzero()[0]
        return self._most
