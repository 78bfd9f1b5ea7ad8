"""Nominal motions of a step from its own time zero: straight, turn, arc, squaring up.

Every motion has `duration_s` and `sample(time_s) -> (poses (n, 3), body rates (n, 3))`; the rates are
those just before the instant, and after its end a motion rests at its last pose.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.profile import Profile

PoseTuple = tuple[float, float, float]

AHEAD: Final = (1.0, 0.0)
BACK: Final = (-1.0, 0.0)
LEFT: Final = (0.0, 1.0)
RIGHT: Final = (0.0, -1.0)

# Instants closer than this are one instant, on every clock of the plan. [s]
INSTANT_S: Final = 1e-9


@dataclass(frozen=True)
class Straight:
    """Straight along a direction given in the robot's own axes, the heading held."""

    start: PoseTuple
    direction: tuple[float, float]
    profile: Profile

    @property
    def duration_s(self) -> float:
        """How long the profile takes. [s]"""
        return self.profile.duration_s

    def sample(self, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return poses and body rates."""
        way, speed = self.profile.sample(time_s)
        return _along(self.start, self.direction, way), _columns(
            speed * self.direction[0], speed * self.direction[1], np.zeros_like(speed)
        )


@dataclass(frozen=True)
class Turn:
    """A turn on the spot by a signed angle, counter-clockwise positive."""

    start: PoseTuple
    angle_rad: float
    profile: Profile

    @property
    def duration_s(self) -> float:
        """How long the profile takes. [s]"""
        return self.profile.duration_s

    def sample(self, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return poses and body rates."""
        way, rate = self.profile.sample(time_s)
        sign = math.copysign(1.0, self.angle_rad)
        x, y, heading = self.start
        rest = np.zeros_like(way)
        return _columns(rest + x, rest + y, heading + sign * way), _columns(rest, rest, sign * rate)


@dataclass(frozen=True)
class ArcMotion:
    """A circular arc.

    `side` is +1 if the centre lies on the left, -1 on the right; `ahead` is +1 forwards, -1
    backwards. The heading turns by side x ahead x way / radius.
    """

    start: PoseTuple
    radius_m: float
    side: float
    ahead: float
    profile: Profile

    @property
    def duration_s(self) -> float:
        """How long the profile takes. [s]"""
        return self.profile.duration_s

    def sample(self, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return poses and body rates."""
        way, speed = self.profile.sample(time_s)
        x, y, heading = self.start
        turned = self.side * self.ahead * way / self.radius_m
        # The chord of an arc points along the mean of its end headings: 2 R sin(turned / 2) long.
        chord = 2.0 * self.radius_m * self.side * np.sin(0.5 * turned)
        mean = heading + 0.5 * turned
        poses = _columns(x + chord * np.cos(mean), y + chord * np.sin(mean), heading + turned)
        rates = _columns(
            self.ahead * speed, np.zeros_like(speed), self.side * self.ahead * speed / self.radius_m
        )
        return poses, rates


@dataclass(frozen=True)
class Push:
    """Squaring up: straight on at constant speed, flush with the wall at the touch, then pushing.

    The turn onto the wall takes no time of its own; `touch_s` is the last instant before it.
    """

    start: PoseTuple
    direction: tuple[float, float]
    speed_m_s: float
    touch_s: float
    push_s: float
    flush: PoseTuple

    @property
    def duration_s(self) -> float:
        """Approach and push. [s]"""
        return self.touch_s + self.push_s

    def sample(self, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return poses and body rates."""
        t = np.asarray(time_s, float)
        # With no push the touch is the end, and the end is flush.
        pushing = (t > self.touch_s + INSTANT_S) | (t >= self.duration_s)
        way = self.speed_m_s * np.clip(t, 0.0, self.touch_s)
        poses = np.where(pushing[:, None], np.array(self.flush), _along(self.start, self.direction, way))
        speed = np.where((t > self.touch_s + INSTANT_S) | (t < 0.0), 0.0, self.speed_m_s)
        return poses, _columns(speed * self.direction[0], speed * self.direction[1], np.zeros_like(speed))


def _along(start: PoseTuple, direction: tuple[float, float], way: FloatArray) -> FloatArray:
    x, y, heading = start
    c, s = math.cos(heading), math.sin(heading)
    ahead, left = direction
    return _columns(
        x + way * (c * ahead - s * left), y + way * (s * ahead + c * left), np.full_like(way, heading)
    )


def _columns(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    return np.stack([a, b, c], axis=-1)
