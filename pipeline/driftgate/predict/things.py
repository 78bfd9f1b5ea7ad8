"""The true field as the trials change it: what they took, and what they pushed out of their way.

Light things do not hold a robot up: its motion is what it would have been. What is pushed is stopped by
nothing; against a wall it is pushed into it, and stays in front of the robot. It is let go where the
robot last touched it. In one instant the robot moves, then pushes, then its sensors read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.trial_world import TrueElement, TrueWorld
from driftgate.predict.values import BoolArray
from driftgate.world.pushing import Pushed


class Things:
    """The true field of a batch as it now is.

    `world` is replaced and never written to, so that a reading keeps the field of its own instant.
    """

    def __init__(self, world: TrueWorld) -> None:
        self.world = world
        self._pushed: dict[int, Pushed] = {}

    def take(self, names: Sequence[str], who: BoolArray) -> None:
        """Take elements off the field in some trials."""
        for j, element in enumerate(self.world.elements):
            if element.source.id in names and who.any():
                gone = who if element.gone is None else element.gone | who
                self._put(j, replace(element, gone=gone))

    def push(self, j: int, who: IntArray, hull: tuple[FloatArray, FloatArray]) -> None:
        """Push one element out of the footprints `hull` (m, k) of the k trials `who`."""
        element = self.world.elements[j]
        if j not in self._pushed:
            self._pushed[j] = Pushed(element.source.outline)
        dx, dy = self._pushed[j].out_of(hull, element.x[who], element.y[who], element.heading[who])
        moved = (dx != 0.0) | (dy != 0.0)
        if not moved.any():
            return
        pushed = np.zeros(len(element.x), dtype=bool) if element.pushed is None else element.pushed.copy()
        pushed[who] |= moved
        x, y = element.x.copy(), element.y.copy()
        x[who] += dx
        y[who] += dy
        corners_x, corners_y = element.corners_x, element.corners_y
        if corners_x is not None and corners_y is not None:
            corners_x, corners_y = corners_x.copy(), corners_y.copy()
            corners_x[:, who] += dx
            corners_y[:, who] += dy
        put = replace(element, x=x, y=y, corners_x=corners_x, corners_y=corners_y, pushed=pushed)
        self._put(j, put)

    def _put(self, j: int, element: TrueElement) -> None:
        elements = self.world.elements
        self.world = replace(self.world, elements=(*elements[:j], element, *elements[j + 1 :]))
