"""What test vectors start from: beliefs, covariances and memories of many kinds, drawn by counter."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.export.constants import Numbering
from driftgate.export.values import Covariance, Pose
from driftgate.plan.values import IntArray
from driftgate.predict.consider import NO_LINKS, Key, Links, Rows
from driftgate.predict.filter import Six
from driftgate.predict.streams import Streams
from driftgate.schema.correction import Correction

Three = tuple[FloatArray, FloatArray, FloatArray]

_SEED: Final = 1
# Deviations of the belief from the plan: near, off, anywhere, and near but for a turn too many (our choice).
# [m, rad, rad]
_SPREADS: Final = ((0.01, 0.01, 0.0), (0.08, 0.12, 0.0), (1.5, math.pi, 0.0), (0.01, 0.01, math.tau))
# What has been mended or driven between an echo and its arrival. [m, m, rad]
_SINCE: Final = (0.004, 0.004, 0.01)
# By how many standard deviations readings are off; nan: nothing came back.
_OFF: Final = (0.0, 0.7, -1.6, 2.4, -4.5, 12.0, math.nan)
_SECOND_OFF: Final = (0.0, -3.0, 8.0)


class Draws:
    """Draws for n candidates of one reading.

    Parameters
    ----------
    row : int
        The reading; each has its own draws.
    count : int
        How many candidates.
    """

    def __init__(self, row: int, count: int) -> None:
        self._streams = Streams(_SEED, 0, count)
        self._row = row
        self._count = count

    def uniform(self, name: str, index: int = 0) -> FloatArray:
        """Return uniforms on (0, 1)."""
        return self._streams.uniforms(f"vectors:{name}", str(self._row), index)[0]

    def between(self, name: str, low: float, high: float, index: int = 0) -> FloatArray:
        """Return values between two limits, with few decimals: people read them."""
        return np.round(low + (high - low) * self.uniform(name, index), 6)

    def choice(self, name: str, values: Sequence[float]) -> FloatArray:
        """Return one of the values each."""
        at = np.minimum((self.uniform(name) * len(values)).astype(np.intp), len(values) - 1)
        return np.asarray(values, dtype=float)[at]

    def beliefs(self, compensates: bool) -> tuple[Three, Three]:
        """Return deviations from the plan: now, and of the belief that a reading is compared with."""
        size = np.asarray(_SPREADS)[np.arange(self._count) % len(_SPREADS)].T
        x, y, heading = (
            np.round(size[0 if k < 2 else 1] * self.between("belief", -1.0, 1.0, k), 6) for k in range(3)
        )
        heading = heading + size[2]
        if not compensates:
            return (x, y, heading), (x, y, heading)
        dx, dy, turn = (self.between("since", -most, most, k) for k, most in enumerate(_SINCE))
        now = np.round(x + dx, 6), np.round(y + dy, 6), np.round(heading + turn, 6)
        return now, (x, y, heading)

    def covariance(self) -> Six:
        """Return covariances L L' with standard deviations from a millimetre to some centimetres."""
        sx, sy = (10.0 ** self.between("spread", -3.0, -1.2, k) for k in (0, 1))
        sh = 10.0 ** self.between("spread", -2.7, -1.2, 2)
        a, b, c = (self.between("share", -0.6, 0.6, k) for k in range(3))
        l_yy, l_hh = np.sqrt(1.0 - a * a), np.sqrt(1.0 - b * b - c * c)
        return (
            sx * sx,
            sx * sy * a,
            sx * sh * b,
            sy * sy * (a * a + l_yy * l_yy),
            sy * sh * (a * b + l_yy * c),
            sh * sh * (b * b + c * c + l_hh * l_hh),
        )

    def links(self, p: Six, keys: Sequence[Key]) -> Links:
        """Return links that go with a covariance: it is large enough for all of them together."""
        xx, xy, xh, yy, yh, hh = p
        l_xx = np.sqrt(xx)
        l_yx, l_hx = xy / l_xx, xh / l_xx
        l_yy = np.sqrt(yy - l_yx**2)
        l_hy = (yh - l_hx * l_yx) / l_yy
        l_hh = np.sqrt(hh - l_hx**2 - l_hy**2)
        found: Rows = {}
        for i, key in enumerate(keys):
            # With each of the three below this, the sum of all squares stays below 0.75.
            most = 0.5 / math.sqrt(len(keys))
            a, b, c = (self.between("link", -most, most, 3 * i + k) for k in range(3))
            found[key] = l_xx * a, l_yx * a + l_yy * b, l_hx * a + l_hy * b + l_hh * c
        return Links(found, NO_LINKS.way)

    def streaks(self, rule: Correction, slots: int) -> list[IntArray]:
        """Return passes in a row by slot, about where persistence begins to use readings."""
        needed = 0 if rule.persistence is None else rule.persistence.readings
        likely = [0.0, max(needed - 2.0, 0.0), needed - 1.0, float(needed)] if needed else [0.0]
        return [self.choice(f"streak {slot}", likely).astype(np.intp) for slot in range(slots)]

    def refusals(self, rule: Correction) -> IntArray:
        """Return refusals in a row, about where the way back widens the filter and gives up."""
        back = rule.way_back
        many = [0.0, 1.0, 5.0]
        if back is not None:
            many = [0.0, 1.0, back.refusals - 1.0, back.refusals + back.lost_after - 1.0]
        return self.choice("refusals", many).astype(np.intp)

    def off(self, which: int) -> FloatArray:
        """Return by how many standard deviations readings are off; a second one often as the first."""
        first = self.choice("off", _OFF)
        if which == 0:
            return first
        return np.where(self.uniform("alike") < 0.6, first, self.choice("second", _SECOND_OFF))


class Spread(NamedTuple):
    """One standard deviation of readings, from a filter and an expected range."""

    at_zero_m: float
    per_range: float
    wall_m: float

    def of(self, p: Six, h: Three, range_m: FloatArray) -> FloatArray:
        """Return the innovations' predicted standard deviations. [m]"""
        xx, xy, xh, yy, yh, hh = p
        hx, hy, ht = h
        squares = xx * hx * hx + yy * hy * hy + hh * ht * ht
        mixed = xy * hx * hy + xh * hx * ht + yh * hy * ht
        own = (self.at_zero_m + self.per_range * range_m) ** 2 + self.wall_m**2
        return np.sqrt(np.maximum(squares + 2.0 * mixed, 0.0) + own)


def pose_at(nominal: FloatArray, off: Three, i: int) -> Pose:
    """Return a pose that is off a nominal one, in trial i."""
    return Pose(*(float(nominal[k] + off[k][i]) for k in range(3)))


def covariance_at(p: Six, i: int) -> Covariance:
    """Return the covariance of trial i."""
    return Covariance(*(float(np.ravel(part)[min(i, np.size(part) - 1)]) for part in p))


class LinkRows(NamedTuple):
    """The links of one trial, by constant."""

    link_x_m: tuple[float, ...]
    link_y_m: tuple[float, ...]
    link_rad: tuple[float, ...]


def links_at(links: Links, numbering: Numbering, i: int) -> LinkRows:
    """Return the links of trial i where the belief is now, in the places that the robot keeps them in."""
    rows = np.zeros((3, numbering.count))
    for key, row in links.now().items():
        place = numbering.at(key)
        if place >= 0:
            rows[:, place] = [float(np.ravel(part)[min(i, np.size(part) - 1)]) for part in row]
    return LinkRows(*(tuple(row.tolist()) for row in rows))
