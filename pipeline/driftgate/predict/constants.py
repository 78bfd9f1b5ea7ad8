"""By how much what stays the same over a run changes a reading: of a sensor, and of the surface it sees.

The signs are those of the derivatives (`driftgate.world.beam`), so that a mount's angle acts the other way
round at the opposite incidence, and a wall's tilt at the other end of it. A sensor that sits off its place
along its axis reads short by as much, which is a bias; one that sits aside of it reads as a robot does that
stands aside, and an oblique beam tells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.consider import NOTHING, BoolArray, Effect, Effects, Key, Three
from driftgate.predict.movers import Mover, Movers


@dataclass(frozen=True)
class SensorConstants:
    """How far off what is constant in the readings of one sensor has to be expected: root mean squares.

    Attributes
    ----------
    bias_m : float
        Of what is the same at every range: its bias, and where it sits along its axis.
    scale : float
        Of its scale.
    angle_rad : float
        Of the direction it looks in.
    aside_m : float
        Of where it sits aside of its axis.
    """

    bias_m: float
    scale: float
    angle_rad: float
    aside_m: float = 0.0


NO_CONSTANTS = SensorConstants(0.0, 0.0, 0.0)

Pair = tuple[FloatArray | float, FloatArray | float]
NOWHERE: Pair = (0.0, 0.0)


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
    axis : pair of ndarray or float
        Where the sensor looks, of length 1.
    robot : pair of ndarray or float
        Where the robot is. [m]
    """

    weight: FloatArray | float
    sensor: int
    range_m: FloatArray
    h: Three
    d_angle: FloatArray
    axis: Pair = NOWHERE
    robot: Pair = NOWHERE

    def d_aside(self) -> FloatArray:
        """Return the derivative by the sensor's place, to the left of where it looks. [m/m]"""
        (d_x, d_y, _), (ax, ay) = self.h, self.axis
        return _sum(d_y, ax, d_x, -ay)

    def d_mover(self, mover: Mover) -> FloatArray:
        """Return that by what moves the surface. [m/m, or m/rad]

        Of what tells at ends alone zero, and not merely nearly so, wherever no end answers: what trials have
        in common must not depend on which of them are looked at together.
        """
        d_x, d_y, d_heading = self.h
        if mover.turns:
            x, y = self.robot
            return np.asarray(d_x * (y - mover.y) - d_y * (x - mover.x) - d_heading)
        slope = _sum(d_x, -mover.x, d_y, -mover.y)
        if not mover.ends_only or slope is NOTHING:
            return slope
        return np.where(np.abs(slope) > _LEAST_SLIDE, slope, 0.0)


def _sum(
    a: FloatArray, times_a: FloatArray | float, b: FloatArray, times_b: FloatArray | float
) -> FloatArray:
    """Return a times_a + b times_b without what is nothing."""
    with_a = a is not NOTHING and not (isinstance(times_a, float) and times_a == 0.0)
    with_b = b is not NOTHING and not (isinstance(times_b, float) and times_b == 0.0)
    if with_a and with_b:
        return np.asarray(a * times_a + b * times_b)
    return np.asarray(a * times_a) if with_a else np.asarray(b * times_b) if with_b else NOTHING


# Of an end that is met as squarely as this a shift along the surface changes nothing. [m/m]
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
    looks: Sequence[Look], sensors: Sequence[SensorConstants], movers: Movers, met: Met
) -> Effects:
    """Return the effects of a reading's constants, or of those of two readings of one surface.

    Parameters
    ----------
    looks : sequence of Look
        The reading, or both.
    sensors : sequence of SensorConstants
        The constants of their sensors.
    movers : sequence
        What moves each surface.
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
        if own.aside_m > 0.0:
            found.append(Effect(("aside", look.sensor), look.weight * own.aside_m * look.d_aside()))
    moved: dict[Key, FloatArray] = {}
    for surface, who in met:
        for mover in movers[surface] if movers else ():
            whole = looks[0].d_mover(mover)
            if len(looks) > 1:
                whole = looks[0].weight * whole + looks[1].weight * looks[1].d_mover(mover)
            if whole is NOTHING or (mover.ends_only and not whole.any()):
                continue
            whole = mover.size * whole
            if who is not None:
                whole = np.where(who, whole, 0.0)
            # Two faces of one thing, each seen in other trials, are moved by the same.
            moved[mover.key] = moved[mover.key] + whole if mover.key in moved else whole
    # In one order for all: effects are summed, and what a trial comes to must not depend on which others look
    # at which surfaces beside it.
    return (*found, *(Effect(key, moved[key]) for key in sorted(moved)))
