"""Whether a beam gets to the surface that the robot expects it to meet, as the map has things.

This is geometry alone, whatever the robot tests for: things at their places while they are there, and the
height at which a sensor looks with its mean pitch. A thing that the beam passes over or under does not count.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.schema.sensor import Sensor
from driftgate.sight.corridor import obstacles_of_map
from driftgate.sight.values import Reason
from driftgate.world.cone import Axis
from driftgate.world.values import World


def hindered(
    world: World, sensor: Sensor, cone: Axis, time_s: FloatArray, surface: IntArray, range_m: FloatArray
) -> tuple[NDArray[np.int8], NDArray[np.object_]]:
    """Return what keeps each beam of a sensor from the surface that it should meet.

    Parameters
    ----------
    world : World
        The map, with loose elements where they are in truth.
    sensor : Sensor
        The sensor; of its error sources only the mean pitch counts.
    cone : Axis
        Where it looks, arrays of shape (n,).
    time_s : ndarray, shape (n,)
        When. [s]
    surface : ndarray of int, shape (n,)
        Index of the edge that the level beam should meet, -1 for none: then nothing is said.
    range_m : ndarray, shape (n,)
        Range of that edge, in the plane. [m]

    Returns
    -------
    ndarray of int8, shape (n,)
        OBSTRUCTED, OVER_OR_UNDER, FLOOR_FIRST, or USABLE: whichever comes first along the beam.
    ndarray of str, shape (n,)
        What stands in the way, "" for nothing.

    Notes
    -----
    A beam of height h and pitch a is at the height h + r tan(a) at the range r in the plane, and meets the
    floor at the range h / tan(-a). As in the trials, a cone is tested by its centre's height.
    """
    sighted = surface >= 0
    reason = np.full(len(surface), Reason.USABLE, dtype=np.int8)
    names = np.full(len(surface), "", dtype=object)
    if not sighted.any():
        return reason, names
    height_m = sensor.mount.height
    pitch = sensor.errors.mount_pitch
    climb = 0.0 if pitch is None else math.tan(pitch.mean)
    end_m = np.where(sighted, range_m, 0.0)
    nearest = end_m
    owner = np.array([*(e.owner for e in world.edges), ""], dtype=object)[surface]
    loose = {element.id for element in world.elements}
    for thing in obstacles_of_map(world):
        # To a level beam every structure of its height was there to be expected: what is nearer is mute.
        if climb == 0.0 and (thing.id not in loose or not thing.low_m <= height_m <= thing.high_m):
            continue
        there = sighted & thing.is_there(time_s) & (owner != thing.id)
        if not there.any():
            continue
        met_m = np.broadcast_to(thing.range_in(cone), end_m.shape)
        at_m = height_m + climb * np.where(there & np.isfinite(met_m), met_m, 0.0)
        closer = there & (met_m < nearest) & (at_m >= thing.low_m) & (at_m <= thing.high_m)
        names[closer] = thing.id
        nearest = np.where(closer, met_m, nearest)
    reason[nearest < end_m] = Reason.OBSTRUCTED
    if climb != 0.0:
        low_m, high_m = (np.array([*heights, 0.0])[surface] for heights in _heights(world))
        at_m = height_m + climb * end_m
        past = sighted & (reason == Reason.USABLE) & ((at_m < low_m) | (at_m > high_m))
        reason[past] = Reason.OVER_OR_UNDER
    if climb < 0.0:
        floor = sighted & (max(height_m, 0.0) / -climb < nearest)
        reason[floor], names[floor] = Reason.FLOOR_FIRST, ""
    return reason, names


def _heights(world: World) -> tuple[list[float], list[float]]:
    return [edge.low_m for edge in world.edges], [edge.high_m for edge in world.edges]
