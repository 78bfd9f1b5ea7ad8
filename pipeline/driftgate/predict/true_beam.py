"""The true beam or cone of every trial, and what it may meet, with heights and times of presence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.trial_world import TrueElement, TrueWorld
from driftgate.predict.values import BoolArray
from driftgate.world.answering import Disc, Outline, Point, Side, Thing
from driftgate.world.cone import Axis


class TrueBeam(NamedTuple):
    """The true beam or cone of every trial.

    Attributes
    ----------
    cone : Axis
        In the plane, arrays of shape (n,).
    height_m, climb : ndarray, shape (n,), or None
        Height of the sensor, and how much the beam's centre rises per metre; None for a level beam at its
        nominal height, which is what the surfaces at hand were chosen for. [m, m/m]
    """

    cone: Axis
    height_m: FloatArray | None = None
    climb: FloatArray | None = None

    def at(self, trials: slice | IntArray) -> TrueBeam:
        """Return the beams of some trials."""
        cone = self.cone.at(trials)
        if self.height_m is None or self.climb is None:
            return TrueBeam(cone)
        return TrueBeam(cone, self.height_m[trials], self.climb[trials])

    def seen(self, range_m: FloatArray, low_m: float, high_m: float) -> FloatArray:
        """Return ranges with those met below or above a thing's height range made a miss."""
        if self.height_m is None or self.climb is None:
            return range_m
        height_m = self.height_m + self.climb * np.where(np.isfinite(range_m), range_m, 0.0)
        return np.where((height_m >= low_m) & (height_m <= high_m), range_m, np.inf)


@dataclass(frozen=True)
class _Standing:
    """A thing that answers a beam at its own height only, in the trials in which it is there."""

    thing: Thing
    beam: TrueBeam
    low_m: float
    high_m: float
    there: BoolArray | None = None

    def nearest(self, cone: Axis) -> Point:
        """Return its nearest point in each cone."""
        point = self.thing.nearest(cone)
        range_m = self.beam.seen(point.range_m, self.low_m, self.high_m)
        return point._replace(
            range_m=range_m if self.there is None else np.where(self.there, range_m, np.inf)
        )

    def along(self, ray: Axis, rows: IntArray) -> FloatArray:
        """Return where a ray first meets it. [m]"""
        range_m = self.beam.at(rows).seen(self.thing.along(ray, rows), self.low_m, self.high_m)
        return range_m if self.there is None else np.where(self.there[rows], range_m, np.inf)


def edge_side(world: TrueWorld, e: int, trials: IntArray, beam: TrueBeam) -> Thing:
    """Return an edge of the true field as it is in some trials, for their beams."""
    side = Side(*(np.broadcast_to(v, trials.shape) for v in world.built.ends(e, trials)))
    return _Standing(side, beam, world.edges[e].low_m, world.edges[e].high_m)


def element_thing(element: TrueElement, trials: IntArray, clock_s: FloatArray, beam: TrueBeam) -> Thing:
    """Return a loose element as it is in some trials at the times of their own clocks, for their beams."""
    height = element.source.source.height
    thing: Thing
    if element.corners_x is not None and element.corners_y is not None:
        thing = Outline(element.corners_x[:, trials], element.corners_y[:, trials])
    else:
        thing = Disc(element.x[trials], element.y[trials], element.source.outline.radius_m or 0.0)
    return _Standing(thing, beam, height.low, height.high, element.present(clock_s, trials))
