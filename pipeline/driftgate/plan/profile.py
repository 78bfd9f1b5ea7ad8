"""Rest-to-rest speed profile: trapezoidal, or triangular where the way is too short to cruise.

Source: B. Siciliano, L. Sciavicco, L. Villani and G. Oriolo, "Robotics: Modelling, Planning and
Control" (2009), section 4.2; K. M. Lynch and F. C. Park, "Modern Robotics" (2017), section 9.2
(attribution from memory; the closed form is derived in the tests).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray


@dataclass(frozen=True)
class Profile:
    """A distance or an angle covered from rest to rest.

    Attributes
    ----------
    distance : float
        Way covered, zero or more. [m or rad]
    peak : float
        Largest speed reached. [m/s or rad/s]
    acceleration : float
        Of both ramps. [m/s^2 or rad/s^2]
    ramp_s, cruise_s : float
        Duration of each ramp, and of the part between them. [s]
    """

    distance: float
    peak: float
    acceleration: float
    ramp_s: float
    cruise_s: float

    @property
    def duration_s(self) -> float:
        """Time from rest to rest. [s]"""
        return 2.0 * self.ramp_s + self.cruise_s

    def sample(self, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the way covered and the speed; before the start and after the end it rests."""
        total = self.duration_s
        t = np.clip(np.asarray(time_s, float), 0.0, total)
        # Each ramp is counted from its own end, so that the end is met exactly.
        up, down = np.minimum(t, self.ramp_s), np.minimum(total - t, self.ramp_s)
        ramp_way = 0.5 * self.acceleration * self.ramp_s**2
        way = np.where(
            t <= self.ramp_s,
            0.5 * self.acceleration * up**2,
            np.where(
                t < self.ramp_s + self.cruise_s,
                ramp_way + self.peak * (t - self.ramp_s),
                self.distance - 0.5 * self.acceleration * down**2,
            ),
        )
        return way, self.acceleration * np.minimum(up, down)


def rest_to_rest(distance: float, speed: float, acceleration: float) -> Profile:
    """Return the quickest profile over `distance` within a speed and an acceleration.

    Parameters
    ----------
    distance : float
        Way to cover, zero or more. [m or rad]
    speed, acceleration : float
        Limits, above zero. [m/s or rad/s; m/s^2 or rad/s^2]

    Returns
    -------
    Profile
        Triangular if distance <= speed^2 / acceleration, else trapezoidal.

    Raises
    ------
    ModelError
        If an argument is outside its domain.

    Examples
    --------
    >>> rest_to_rest(4.0, 2.0, 3.0).duration_s
    2.6666666666666665
    """
    if not (math.isfinite(distance) and distance >= 0.0):
        raise ModelError(f"distance must be finite and >= 0, got {distance!r}")
    if not (math.isfinite(speed) and speed > 0.0 and math.isfinite(acceleration) and acceleration > 0.0):
        raise ModelError(f"speed and acceleration must be finite and > 0, got {speed!r}, {acceleration!r}")
    if distance * acceleration <= speed * speed:
        peak = math.sqrt(distance * acceleration)
        return Profile(distance, peak, acceleration, peak / acceleration, 0.0)
    ramp_s = speed / acceleration
    return Profile(distance, speed, acceleration, ramp_s, distance / speed - ramp_s)
