"""What stays the same all through a run, as the robot's filter takes it: considered, not estimated.

A sensor's bias, scale, mount angle and place and a wall that stands off its place are the same in every
reading of a run. A filter that takes them for new noise each time believes that a hundred readings average
them out. A consider filter keeps x, y and heading as its only states and remembers beside them how their
error goes with each constant. The constants are independent and of variance 1: some of every sensor, and of
every wall and structure, shared by all that looks at it. With the error e of the belief, covariance P, and
C_j = E[e u_j] of constant u_j, a reading deviates from what is expected of it by

    h e + sum_j d_j u_j + w,    d_j the effect of one standard deviation, R = E[w^2] that of its white noise

so that with a = P h + sum d_j C_j and S = h P h' + sum (2 d_j h C_j + d_j^2) + R

    K = a / S,   P' = P - K a' - a K' + K S K',   C_j' = C_j - K (h C_j + d_j),   d_j = 0 for all others

for any gain K, and between readings C_j moves with the pose as P does. `driftgate.predict.filter` has the
rest, and `driftgate.predict.constants` the effects.

A wall is not quite straight: with `constants_hold` what a surface is off by is a Gauss-Markov process of the
distance driven, and its C_j decay on the way. What a sensor is off by never changes.

Sources: S. F. Schmidt, "Application of State-Space Methods to Navigation Problems", Advances in Control
Systems 3 (1966) 293-340; A. H. Jazwinski, Stochastic Processes and Filtering Theory (1970), section 8.4 (both
from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray

BoolArray = NDArray[np.bool_]
Three = tuple[FloatArray, FloatArray, FloatArray]

# Which constant: of the sensor, or of the surface, with this index.
Key = tuple[str, int]
OF_SENSORS = ("bias", "scale", "angle", "aside")
# Of a wall, by the index of its surface; of a structure, by that of its first face.
OF_SURFACES = ("offset", "tilt", "slide", "x", "y", "turn")

_LEAST_SHARE = 1e-9  # of an innovation's variance, were it not for what it has in common with earlier ones


class Effect(NamedTuple):
    """By how much one standard deviation of a constant changes a reading, in every trial. [m]"""

    key: Key
    size_m: FloatArray


Effects = tuple[Effect, ...]
# How the error of the belief goes with each constant, E[e u]: x, y, heading. [m, m, rad]
# One without an entry has nothing to do with it so far.
Rows = dict[Key, Three]

# Stands for the derivative by a coordinate that changes nothing, in any trial.
NOTHING = np.zeros(1)
NO_ROW: Three = (np.zeros(1), np.zeros(1), np.zeros(1))


class Gained(NamedTuple):
    """By how much one standard deviation of a constant moves a robot that lies flush with a wall.

    Attributes
    ----------
    key : Key
        The constant.
    normal_m, heading_rad : float
        Along the wall's normal, and the turn. [m, rad]
    """

    key: Key
    normal_m: float
    heading_rad: float


class WithConstants(NamedTuple):
    """P h and the variance of an innovation with the constants in it, and h C of those that are linked."""

    ph: Three
    variance: FloatArray
    along: dict[Key, FloatArray]


@dataclass(frozen=True)
class Links:
    """How the error of the belief goes with each constant.

    Over a believed displacement C_x changes by -dy C_heading and C_y by dx C_heading. So rows are kept as
    they were at the origin of the way, C_x + way_y C_heading and C_y - way_x C_heading, and stay as they are
    between two fixes, however many ticks lie between them.

    Attributes
    ----------
    rows : dict
        At the origin of the way.
    way : tuple of ndarray
        Sum of the believed displacements by motion, field axes. [m]
    """

    rows: Rows
    way: tuple[FloatArray, FloatArray]

    def now(self) -> Rows:
        """Return C where the belief is now."""
        return {key: self._moved(row, 1.0) for key, row in self.rows.items()}

    def with_rows(self, now: Rows) -> Links:
        """Return the links that are these where the belief is now."""
        return Links({key: self._moved(row, -1.0) for key, row in now.items()}, self.way)

    def _moved(self, row: Three, sign: float) -> Three:
        x, y, heading = row
        way_x, way_y = self.way
        return x - sign * (way_y * heading), y + sign * (way_x * heading), heading

    def with_constants(self, ph: Three, s: FloatArray, h: Three, effects: Effects) -> WithConstants:
        """Return a = P h + sum d C and S, of P h and h P h' + R."""
        apart, mixed = s, None
        x = y = heading = NOTHING
        along: dict[Key, FloatArray] = {}
        back = self._back(h)
        for key, d in effects:
            apart = apart + d * d
            c = self.rows.get(key)
            if c is None:
                continue
            along[key] = hc = dot(back, c)
            if mixed is None:
                x, y, heading, mixed = d * c[0], d * c[1], d * c[2], d * hc
            else:
                x, y, heading, mixed = x + d * c[0], y + d * c[1], heading + d * c[2], mixed + d * hc
        if mixed is None:
            return WithConstants(ph, apart, along)
        x, y, heading = self._moved((x, y, heading), 1.0)
        a = ph[0] + x, ph[1] + y, ph[2] + heading
        # Of readings without noise nothing may be left but rounding, and a gain made of it.
        return WithConstants(a, np.maximum(apart + 2.0 * mixed, _LEAST_SHARE * apart), along)

    def after_fix(self, effects: Effects, along: dict[Key, FloatArray], k: Three, h: Three) -> Links:
        """Return the links after an update with gain k, which is zero where the reading is not used."""
        if not (self.rows or effects):
            return self
        own, back = dict(effects), self._back(h)
        kx, ky, kh = self._moved(k, -1.0)
        found: Rows = {}
        for key, c in self.rows.items():
            step = along.get(key)
            if step is None:
                step = dot(back, c)
            if key in own:
                step = step + own[key]
            x, y, heading = kx * step, ky * step, kh * step
            # A third of what is done here is on rows that are in nobody's hands yet: in place.
            found[key] = _from(c[0], x), _from(c[1], y), _from(c[2], heading)
        for key, d in effects:
            if key not in self.rows:
                found[key] = -kx * d, -ky * d, -kh * d
        return Links(found, self.way)

    def _back(self, h: Three) -> Three:
        """Return the derivatives by an error as it was at the origin of the way."""
        way_x, way_y = self.way
        if h[0] is NOTHING:
            return h[0], h[1], h[2] + h[1] * way_x
        if h[1] is NOTHING:
            return h[0], h[1], h[2] - h[0] * way_y
        return h[0], h[1], h[2] - h[0] * way_y + h[1] * way_x

    def carried(self, dx: FloatArray, dy: FloatArray, left: float = 1.0) -> Links:
        """Return the links after a believed displacement, field axes; `left` is left of those to surfaces."""
        rows = self.rows
        if left != 1.0:
            rows = {
                key: (x * left, y * left, heading * left) if key[0] in OF_SURFACES else (x, y, heading)
                for key, (x, y, heading) in rows.items()
            }
        return Links(rows, (self.way[0] + dx, self.way[1] + dy))

    def reset(
        self,
        normal: tuple[float, float],
        lever_m: float,
        touched: BoolArray,
        gained: tuple[Gained, ...] = (),
    ) -> Links:
        """Return the links after a contact reset of the coordinate along `normal` and the heading.

        What the robot is then off by goes with what the wall is off by, `gained`. Along the wall it has gone
        by `lever_m` for each radian that it turned.
        """
        nx, ny = normal
        found: Rows = {}
        for key, (x, y, heading) in self.now().items():
            # What is left is the coordinate along the wall, tangent (ny, -nx).
            tangent = ny * x - nx * y + lever_m * heading
            found[key] = (
                np.where(touched, ny * tangent, x),
                np.where(touched, -nx * tangent, y),
                np.where(touched, 0.0, heading),
            )
        for key, along, turn in gained:
            x, y, heading = found.get(key, NO_ROW)
            found[key] = (
                x + np.where(touched, nx * along - ny * lever_m * turn, 0.0),
                y + np.where(touched, ny * along + nx * lever_m * turn, 0.0),
                heading + np.where(touched, turn, 0.0),
            )
        return self.with_rows(found)


def _from(row: FloatArray, step: FloatArray) -> FloatArray:
    """Return row - step, in place of the step where it has room for it."""
    return np.subtract(row, step, out=step) if len(step) >= len(row) else row - step


NO_LINKS = Links({}, (np.zeros(1), np.zeros(1)))


def dot(h: Three, c: Three) -> FloatArray:
    """Return h c, without what is zero in all trials."""
    if h[0] is NOTHING:
        return h[1] * c[1] + h[2] * c[2]
    if h[1] is NOTHING:
        return h[0] * c[0] + h[2] * c[2]
    return h[0] * c[0] + h[1] * c[1] + h[2] * c[2]


def without_zeros(h: Three) -> Three:
    """Return derivatives of which those by x or y are `NOTHING` where they are zero in all trials.

    A beam that meets a wall along an axis says nothing of the coordinate along that wall.
    """
    x, y, heading = h
    if x[0] == 0.0 and not x.any():
        return NOTHING, y, heading
    if y[0] == 0.0 and not y.any():
        return x, NOTHING, heading
    return x, y, heading
