"""What stays the same all through a run, as the robot's filter takes it: considered, not estimated.

A sensor's bias, scale and mount and a wall that stands off its place are the same in every reading of a run.
A filter that takes them for new noise each time believes that a hundred readings average them out. A
consider filter keeps x, y and heading as its only states and remembers beside them how their error goes with
each constant. With the error e of the belief, covariance P, and for each slot (`driftgate.sight.pairs`) one
constant u of variance 1, C = E[e u], a reading deviates from what is expected of it by

    h e + d u + w,    d^2 the variance of what is constant, R = E[w^2] that of its white noise

so that with a = P h + d C and S = h P h' + 2 d h C + d^2 + R (`driftgate.predict.filter` has the rest)

    K = a / S,   P' = P - K a' - a K' + K S K',   C' = C - K (h C + d),   of other slots C' = C - K (h C)

for any gain K, and between readings C moves with the pose as P does. Two things make one constant a slot do:

- On another surface only the sensor's own part of it is the same: C shrinks to that part's share of d^2.
- A wall is not straight, and a field is not quite as drawn: u is a Gauss-Markov process of the distance
  driven, and C decays over `constants_hold`.

Left out is what the constants have to do with each other: two sensors that look at one wall, a pair's two
readings and each of them alone.

Sources: S. F. Schmidt, "Application of State-Space Methods to Navigation Problems", Advances in Control
Systems 3 (1966) 293-340; A. H. Jazwinski, Stochastic Processes and Filtering Theory (1970), section 8.4 (both
from memory). One constant a slot, its share on another surface and its decay are our choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray

BoolArray = NDArray[np.bool_]
Three = tuple[FloatArray, FloatArray, FloatArray]

_LEAST_VARIANCE = 1e-24  # (1e-12 m)^2
_LEAST_SHARE = 1e-9  # of an innovation's variance, were it not for what it has in common with earlier ones


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

    def variance(self, range_m: FloatArray, d_x: FloatArray, d_y: FloatArray) -> FloatArray:
        """Return the variance at an expected range and its derivatives by the place. [m^2]

        A beam that turns by da meets a surface at incidence i at a range that differs by r tan(i) da, and
        (d_x, d_y) is 1 / cos(i) long; at the foot of a perpendicular and at an end of a surface it is 1.
        """
        found = self.bias_m**2 + self.scale**2 * (range_m * range_m)
        if self.angle_rad > 0.0:
            square = np.maximum(d_x * d_x + d_y * d_y - 1.0, 0.0)
            found = found + self.angle_rad**2 * (square * (range_m * range_m))
        return np.asarray(found)


NO_CONSTANTS = SensorConstants(0.0, 0.0, 0.0)


class Constant(NamedTuple):
    """The constant of a reading, or of the difference or mean of two: d, and the sensors' share of d^2."""

    sd_m: FloatArray
    kept: FloatArray


def constant_of(own: FloatArray, wall: FloatArray | float) -> Constant:
    """Return the constant of which the sensors' own part and the wall's have such variances. [m^2]"""
    total = own + wall
    return Constant(np.sqrt(total), own / np.maximum(total, _LEAST_VARIANCE))


class Link(NamedTuple):
    """How the error of the belief goes with the constant of a slot, and the surface it was last met on.

    x, y, heading : E[e u], in every trial. [m, m, rad]
    """

    x: FloatArray
    y: FloatArray
    heading: FloatArray
    surface: IntArray


# By slot; a slot without a fix so far has none.
Links = dict[int, Link]
_ZERO = np.zeros(1)
NO_LINK = Link(_ZERO, _ZERO, _ZERO, np.full(1, -1, dtype=np.intp))


def link_to(links: Links, slot: int, surface: IntArray, constant: Constant) -> Three:
    """Return C of a slot for a reading of a surface."""
    link = links.get(slot)
    if link is None:
        return _ZERO, _ZERO, _ZERO
    if link.surface is surface:
        return link.x, link.y, link.heading
    same = link.surface == surface
    if same.all():
        return link.x, link.y, link.heading
    share = np.where(same, 1.0, constant.kept)
    return link.x * share, link.y * share, link.heading * share


def with_constant(
    ph: Three, s: FloatArray, h: Three, c: Three, constant: Constant
) -> tuple[Three, FloatArray]:
    """Return a = P h + d C and S, of P h and h P h' + R."""
    d = constant.sd_m
    a = (ph[0] + d * c[0], ph[1] + d * c[1], ph[2] + d * c[2])
    apart = s + d * d
    # Of readings without noise nothing may be left but rounding, and a gain made of it.
    return a, np.maximum(apart + 2.0 * d * (h[0] * c[0] + h[1] * c[1] + h[2] * c[2]), _LEAST_SHARE * apart)


def after_fix(
    links: Links, slot: int, surface: IntArray, constant: Constant | None, k: Three, h: Three, used: BoolArray
) -> Links:
    """Return the links after an update with gain k, which is zero where the reading is not used."""
    found = dict(links)
    for other, link in links.items():
        if other != slot:
            along = h[0] * link.x + h[1] * link.y + h[2] * link.heading
            x, y, heading = link.x - k[0] * along, link.y - k[1] * along, link.heading - k[2] * along
            found[other] = Link(x, y, heading, link.surface)
    if constant is None:
        return found
    c = link_to(links, slot, surface, constant)
    along = h[0] * c[0] + h[1] * c[1] + h[2] * c[2] + constant.sd_m
    new = Link(c[0] - k[0] * along, c[1] - k[1] * along, c[2] - k[2] * along, surface)
    found[slot] = new if used.all() else _chosen(used, new, links.get(slot))
    return found


def carried(links: Links, dx: FloatArray, dy: FloatArray, left: float) -> Links:
    """Return the links after a believed displacement, field axes, over which `left` is left of them."""
    if not links:
        return links
    return {
        slot: Link(
            (link.x - dy * link.heading) * left,
            (link.y + dx * link.heading) * left,
            link.heading * left,
            link.surface,
        )
        for slot, link in links.items()
    }


def reset_links(links: Links, normal: tuple[float, float], touched: BoolArray) -> Links:
    """Return the links after a contact reset of the coordinate along `normal` and the heading."""
    nx, ny = normal
    found: Links = {}
    for slot, link in links.items():
        # What is left is the coordinate along the wall, tangent (ny, -nx).
        tangent = ny * link.x - nx * link.y
        new = Link(ny * tangent, -nx * tangent, np.zeros_like(tangent), link.surface)
        found[slot] = _chosen(touched, new, link)
    return found


def _chosen(which: BoolArray, new: Link, old: Link | None) -> Link:
    old = old or NO_LINK
    return Link(
        np.where(which, new.x, old.x),
        np.where(which, new.y, old.y),
        np.where(which, new.heading, old.heading),
        np.where(which, new.surface, old.surface),
    )
