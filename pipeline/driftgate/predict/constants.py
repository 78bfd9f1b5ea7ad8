"""By how much what stays the same over a run changes a reading: of a sensor, and of the surface it sees.

The signs are those of the derivatives (`driftgate.world.beam`), so that a mount's angle acts the other way
round at the opposite incidence, and a wall's tilt at the other end of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.consider import NOTHING, BoolArray, Effect, Effects, Three


@dataclass(frozen=True)
class SensorConstants:
    """Standard deviations of what is constant in the readings of one sensor.

    Attributes
    ----------
    bias_m : float
        Of what is the same at every range: its bias, and where it sits.
    scale : float
        Of its scale.
    angle_rad : float
        Of the direction it looks in.
    """

    bias_m: float
    scale: float
    angle_rad: float


NO_CONSTANTS = SensorConstants(0.0, 0.0, 0.0)


@dataclass(frozen=True)
class WallConstants:
    """Standard deviations of what every surface is off the map by: along either axis, and turned."""

    offset_m: float
    tilt_rad: float


class Arm(NamedTuple):
    """Where the robot is, from a surface's middle, and which way the surface looks.

    Attributes
    ----------
    x, y : ndarray or float
        From the surface's middle to the robot. [m]
    normal_x, normal_y : ndarray or float
        The surface's unit normal; zero for what has none.
    """

    x: FloatArray | float
    y: FloatArray | float
    normal_x: FloatArray | float
    normal_y: FloatArray | float


class Look(NamedTuple):
    """An expected range as the constants act on it.

    Attributes
    ----------
    weight : ndarray or float
        What it counts for in a pair's difference or mean; 1 if it is alone.
    sensor : int
        The sensor.
    range_m : ndarray
        [m]
    h : tuple of ndarray
        Its derivatives by the pose. [m/m, m/m, m/rad]
    d_angle : ndarray
        That by the direction the sensor looks in. [m/rad]
    arm : Arm
        From the surface's middle to the robot.
    """

    weight: FloatArray | float
    sensor: int
    range_m: FloatArray
    h: Three
    d_angle: FloatArray
    arm: Arm

    def d_offset(self) -> FloatArray:
        """Return the derivative by the offset of the surface along its normal. [m/m]

        A surface that moves is a robot that moves the other way.
        """
        (d_x, d_y, _), (_, _, nx, ny) = self.h, self.arm
        return np.asarray(-(d_x * nx + d_y * ny))

    def d_slide(self) -> FloatArray:
        """Return that by a shift of the surface along itself, towards (n_y, -n_x). [m/m]

        Zero, and not merely nearly so, wherever it is not an end that answers: what trials have in common
        must not depend on which of them are looked at together.
        """
        (d_x, d_y, _), (_, _, nx, ny) = self.h, self.arm
        if (d_y is NOTHING and not np.any(ny)) or (d_x is NOTHING and not np.any(nx)):
            return NOTHING
        slide = d_y * nx - d_x * ny
        return np.asarray(np.where(np.abs(slide) > _LEAST_SLIDE, slide, 0.0))

    def d_tilt(self) -> FloatArray:
        """Return that by its tilt about its middle. [m/rad]

        A surface that turns about its middle is a robot that goes round that middle the other way.
        """
        d_x, d_y, d_heading = self.h
        return np.asarray(d_x * self.arm.y - d_y * self.arm.x - d_heading)


NO_ARM = Arm(0.0, 0.0, 0.0, 0.0)
# Of an end that is met as squarely as this the slide changes nothing. [m/m]
_LEAST_SLIDE = 1e-9

# The surfaces that the trials see, each with those that see it; None for all of them.
Met = Sequence[tuple[int, BoolArray | None]]


def met_by(surface: IntArray, tried: BoolArray, sure: int = -1) -> Met:
    """Return the surfaces that trials see which try a reading, in rising order.

    `sure` is the one of all trials where that is known.
    """
    if sure >= 0:
        return ((sure, None),)
    seen = surface[tried] if len(surface) == len(tried) else surface
    if not len(seen):
        return ()
    first = int(seen[0])
    if np.all(seen == first):
        return ((first, None),)
    return tuple((int(s), surface == s) for s in np.unique(seen).tolist())


def effects_of(
    looks: Sequence[Look], sensors: Sequence[SensorConstants], wall: WallConstants, met: Met
) -> Effects:
    """Return the effects of a reading's constants, or of those of two readings of one surface.

    Parameters
    ----------
    looks : sequence of Look
        The reading, or both.
    sensors : sequence of SensorConstants
        The constants of their sensors.
    wall : WallConstants
        Those of surfaces.
    met : sequence
        The surfaces, from `met_by`.
    """
    found = []
    for look, own in zip(looks, sensors, strict=True):
        if own.bias_m > 0.0:
            found.append(Effect(("bias", look.sensor), np.atleast_1d(look.weight * own.bias_m)))
        if own.scale > 0.0:
            found.append(Effect(("scale", look.sensor), look.weight * own.scale * look.range_m))
        if own.angle_rad > 0.0:
            found.append(Effect(("angle", look.sensor), look.weight * own.angle_rad * look.d_angle))
    for kind, size, slope in (
        ("offset", wall.offset_m, Look.d_offset),
        ("tilt", wall.tilt_rad, Look.d_tilt),
        ("slide", wall.offset_m, Look.d_slide),
    ):
        if size > 0.0 and met:
            if len(looks) == 1:
                whole = size * slope(looks[0])
            else:
                whole = size * (looks[0].weight * slope(looks[0]) + looks[1].weight * slope(looks[1]))
            if kind == "slide" and not whole.any():
                continue
            found += [
                Effect((kind, s), whole if who is None else np.where(who, whole, 0.0)) for s, who in met
            ]
    return tuple(found)
