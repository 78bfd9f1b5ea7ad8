"""What the sight stage gives."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray

# Before the name of a surface that is met too near its end; no name holds a blank.
END_OF: Final = "end of "


class Reason(IntEnum):
    """Why a reading gives no fix; USABLE when it may. In the order the tests are made.

    Up to TURNING they are the robot's own; the robot tries what passes them. The later ones are the field's:
    the beam does not get to the surface that the robot expects, whether or not the robot knows.
    """

    USABLE = 0
    SWITCHED_OFF = 1  # by the robot's `enabled` and `when`, or the step's `fixes`
    IN_CONTACT = 2  # during a square-up step
    NO_SURFACE = 3  # association: the beam meets no wall or structure
    NOT_REFERENCE = 4
    OUT_OF_RANGE = 5
    INCIDENCE = 6
    CORRIDOR = 7  # something may stand in the sight line, or the hit is near the end of the surface
    TOO_FAST = 8
    TURNING = 9
    OBSTRUCTED = 10  # something stands in the sight line, and the robot does not test for it
    OVER_OR_UNDER = 11  # the beam tilts past the surface, over its top or under it
    FLOOR_FIRST = 12  # the beam tilts down and meets the floor before the surface

    @property
    def tried(self) -> bool:
        """Whether the robot's own tests let it pass."""
        return self is Reason.USABLE or self >= Reason.OBSTRUCTED

    @property
    def words(self) -> str:
        """The reason as people read it."""
        return self.name.lower().replace("_", " ")


@dataclass(frozen=True)
class Sight:
    """What each reading should see on the nominal pose and the believed map; arrays of length R.

    Attributes
    ----------
    surface : ndarray of int
        Index of the edge that the beam meets, -1 for none.
    range_m : ndarray
        Expected range, nan for none. [m]
    incidence_rad : ndarray
        Angle between beam and surface normal, nan for none. [rad]
    reason : ndarray of int8
        `Reason` of each reading.
    obstacle : tuple of str
        For CORRIDOR and OBSTRUCTED: what stands in the corridor, or in the sight line; for a hit too near
        the end of a surface "end of" it ("" otherwise).
    """

    surface: IntArray
    range_m: FloatArray
    incidence_rad: FloatArray
    reason: NDArray[np.int8]
    obstacle: tuple[str, ...]

    def words(self, reading: int) -> str:
        """Return the reason of a reading as people read it, the two tests of the corridor told apart."""
        reason = Reason(int(self.reason[reading]))
        if reason is Reason.CORRIDOR and self.obstacle[reading].startswith(END_OF):
            return "edge margin"
        return reason.words


@dataclass(frozen=True)
class DarkInterval:
    """A time in which no sensor can give a fix on one coordinate."""

    axis: str  # "x", "y" or "heading"
    begin_s: float
    end_s: float
    first_step: int
    last_step: int
