"""The robot's own filter: three states (x, y, heading), one scalar update at a time.

The same arithmetic serves the covariance engine (one filter) and the trials (one filter a trial, arrays
over trials): the covariance is six arrays xx, xy, xh, yy, yh, hh.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.predict.consider import NO_LINKS, NOTHING, Effects, Links, Rows, Three
from driftgate.predict.constants import Look, Met, SensorConstants, effects_of
from driftgate.predict.filter_model import FilterModel
from driftgate.predict.movers import NO_MOVERS, Movers
from driftgate.schema.correction import Update

_LEAST_VARIANCE = 1e-24  # (1e-12 m)^2: below what a double resolves of a field

# A path of no more than this radius is a turn on the spot, in which no wheel counts. [m]
_ON_THE_SPOT_M = 0.01

_LEAST_LEVER_M = 1e-3  # a difference of ranges that changes by less per radian does not tell the heading

Six = tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]
SixNumbers = tuple[float, float, float, float, float, float]
Number = TypeVar("Number", float, FloatArray)
# What a tick adds: parts of the place's covariance may differ from trial to trial.
Noise = tuple[float | FloatArray, float | FloatArray, float, float | FloatArray, float, float]


def start_filter(model: FilterModel) -> Six:
    """Return the filter's covariance before the first step: how it is put down, and what that is against."""
    p = np.diag(np.square(model.start_sd))
    for part in model.start_carry:
        p = p + np.outer(part.by, part.by)
    xx, xy, xh, yy, yh, hh = (p[i : i + 1, j] for i, j in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)))
    return xx, xy, xh, yy, yh, hh


def start_links(model: FilterModel) -> Links:
    """Return how the start's error goes with the surfaces that it is placed against."""
    found: Rows = {}
    for part in model.start_carry:
        x, y, heading = (np.full(1, v) for v in part.by)
        found[part.key] = x, y, heading
    return Links(found, NO_LINKS.way)


def grow_filter(p: Six, dx: FloatArray, dy: FloatArray, noise: Noise) -> Six:
    """Return the covariance after a believed displacement (dx, dy), field axes, with process noise."""
    xx, xy, xh, yy, yh, hh = p
    nxx, nxy, nxh, nyy, nyh, nhh = noise
    # J P J' with J = [[1, 0, -dy], [0, 1, dx], [0, 0, 1]], its columns from the right.
    new_xh, new_yh = xh - dy * hh, yh + dx * hh
    return (
        xx - dy * (xh + new_xh) + nxx,
        xy - dy * yh + dx * new_xh + nxy,
        new_xh + nxh if nxh else new_xh,
        yy + dx * (yh + new_yh) + nyy,
        new_yh + nyh if nyh else new_yh,
        hh + nhh,
    )


def process_noise(
    model: FilterModel, ds: float, dl: float, dth: float, dt: float, heading_rad: float
) -> SixNumbers:
    """Return what one tick adds, at the nominal heading. Field axes."""
    course = heading_rad + (math.atan2(dl, ds) if ds != 0.0 or dl != 0.0 else 0.0)
    return noise_towards(noise_parts(model, ds, dl, dth, dt), math.cos(course), math.sin(course))


class NoiseParts(NamedTuple):
    """What a tick adds: variances along and across the course, their covariance, and the heading's."""

    along: float
    across: float
    both: float
    heading: float


def noise_parts(model: FilterModel, ds: float, dl: float, dth: float, dt: float) -> NoiseParts:
    """Return what a tick adds about the course.

    Parameters
    ----------
    model : FilterModel
        The filter's own numbers.
    ds, dl, dth, dt : float
        The tick's way ahead and to the left, its turn and its time, which is not zero. [m, m, rad, s]

    Notes
    -----
    Derived. With c and s the cosine and sine of the course in the robot's own axes, A and B the walks along
    and across the course of driving ahead, a and b those of driving sideways, a metre adds in its axes

        ahead  A^2 c^2 + b^2 s^2,   left  B^2 c^2 + a^2 s^2,   both  (A a - B b) c s,

    which is right ahead and sideways. In between it is right for walks of the robot's axes (a = B, b = A),
    for one scale of both wheels and for a crab angle (a = A, b = B); of mixtures it still is a covariance.
    """
    length = math.hypot(ds, dl)
    heading = (
        model.heading_per_root_m**2 * length
        + model.heading_per_root_s**2 * dt
        + model.heading_per_root_rad**2 * abs(dth)
    )
    ahead_along, ahead_across = model.along_per_root_m, model.across_per_root_m
    turn_ahead = turn_left = 0.0
    if length > _ON_THE_SPOT_M * abs(dth) > 0.0:
        turning = model.turning
        turn_ahead = turning.ahead**2 * abs(dth)
        # Slip and lateness act on the wheel that looks ahead.
        turn_left = (turning.left**2 + (turning.left_s * ds / dt) ** 2) * abs(dth) if ds != 0.0 else 0.0
    if dl == 0.0 or model.sideways_per_root_m is None:
        return NoiseParts(
            ahead_along**2 * length + turn_ahead, ahead_across**2 * length + turn_left, 0.0, heading
        )
    along, across = model.sideways_per_root_m
    c, s = ds / length, dl / length
    cc, ss, cs = c * c * length, s * s * length, c * s * length
    ahead = ahead_along**2 * cc + across**2 * ss + turn_ahead
    left = ahead_across**2 * cc + along**2 * ss + turn_left
    both = (ahead_along * along - ahead_across * across) * cs
    # From the robot's axes to the course.
    return NoiseParts(
        c * c * ahead + 2.0 * c * s * both + s * s * left,
        s * s * ahead - 2.0 * c * s * both + c * c * left,
        c * s * (left - ahead) + (c * c - s * s) * both,
        heading,
    )


def noise_towards(
    parts: NoiseParts, c: Number, s: Number
) -> tuple[Number, Number, float, Number, float, float]:
    """Return what a tick adds in field axes, on a course of such cosine and sine."""
    along, across, both, heading = parts
    return (
        c * c * along + s * s * across - 2.0 * c * s * both,
        c * s * (along - across) + (c * c - s * s) * both,
        0.0,
        s * s * along + c * c * across + 2.0 * c * s * both,
        0.0,
        heading,
    )


def times_h(p: Six, h: Three) -> Three:
    """Return P h."""
    xx, xy, xh, yy, yh, hh = p
    hx, hy, ht = h
    if hx is NOTHING:
        return xy * hy + xh * ht, yy * hy + yh * ht, yh * hy + hh * ht
    if hy is NOTHING:
        return xx * hx + xh * ht, xy * hx + yh * ht, xh * hx + hh * ht
    return xx * hx + xy * hy + xh * ht, xy * hx + yy * hy + yh * ht, xh * hx + yh * hy + hh * ht


def kalman_gain(ph: Three, s: FloatArray, factor: FloatArray | float = 1.0) -> Three:
    """Return P h / S times a factor: one where the reading is used, zero where it is not."""
    # A filter that is sure of both has S = 0, and P h = 0 with it: the reading changes nothing.
    inverse = factor / np.maximum(s, _LEAST_VARIANCE)
    return ph[0] * inverse, ph[1] * inverse, ph[2] * inverse


def gain_of(law: Update, ph: Three, s: FloatArray, h: Three) -> Three:
    """Return the gain of the update law.

    Kalman: P h / S. Replace: the shortest way until the expected range is the reading; blend: a share of
    that. The shortest way is along (hx, hy): the normal of a surface that is met, -n / (n.u), and the
    sight line to an end of it that answers in a cone, -u, which says nothing of what lies across.
    """
    if law.law == "kalman":
        return kalman_gain(ph, s)
    share = law.share if law.law == "blend" else 1.0
    # Moving by d changes the expected range by h.d.
    along = share / (h[0] * h[0] + h[1] * h[1])
    return along * h[0], along * h[1], np.zeros_like(along)


def turning_gain_of(law: Update, ph: Three, s: FloatArray, h: Three) -> Three:
    """Return the gain of the update law for what only the heading changes, as a difference of two ranges.

    Kalman: P h / S. Replace: the heading alone, until the expected difference is the one that was read
    (one Newton step: of a robot that is 5 deg off it leaves 0.013 deg); blend: a share of that.
    """
    if law.law == "kalman":
        return kalman_gain(ph, s)
    share = law.share if law.law == "blend" else 1.0
    turns = np.abs(h[2]) > _LEAST_LEVER_M
    turn = np.where(turns, share / np.where(turns, h[2], 1.0), 0.0)
    return np.zeros_like(turn), np.zeros_like(turn), turn


def limited_gain(law: Update, k: Three, innovation: FloatArray, reach_m: float) -> Three:
    """Return a gain scaled down so that its fix keeps to the largest move.

    The move is that of the robot's origin, or what the turn moves the furthest point of its outline by
    (`reach_m` from the origin), whichever is more: a limit on the place alone would let a pair of sensors
    turn the belief by anything.
    """
    if law.largest_move is None:
        return k
    kx, ky, kh = k
    move = np.maximum(np.sqrt(kx * kx + ky * ky), reach_m * np.abs(kh)) * np.abs(innovation)
    over = move > law.largest_move
    factor = np.where(over, law.largest_move / np.where(over, move, 1.0), 1.0)
    return kx * factor, ky * factor, kh * factor


def joseph(p: Six, k: Three, ph: Three, s: FloatArray) -> Six:
    """Return (I - k h) P (I - k h)' + k R k' for any gain k; `s` is h P h' + R and `ph` is P h.

    With considered constants they are S and a of `driftgate.predict.consider`, and it holds all the same.

    Source: Bar-Shalom, Li and Kirubarajan, Estimation with Applications to Tracking and Navigation
    (2001), the Joseph form, expanded for a scalar reading.
    """
    xx, xy, xh, yy, yh, hh = p
    kx, ky, kt = k
    ax, ay, at = ph
    # P - k a' - b k' with a = P h and b = a - k s, which is zero for the Kalman gain.
    bx, by, bt = ax - kx * s, ay - ky * s, at - kt * s
    return (
        xx - kx * (ax + bx),
        xy - kx * ay - ky * bx,
        xh - kx * at - kt * bx,
        yy - ky * (ay + by),
        yh - ky * at - kt * by,
        hh - kt * (at + bt),
    )


def reset_normal(p: Six, normal: tuple[float, float], position_sd: float, heading_sd: float) -> Six:
    """Return the covariance after a contact reset of the coordinate along `normal` and the heading."""
    nx, ny = normal
    # What is left is the coordinate along the wall, tangent (ny, -nx).
    xx, xy, _, yy, _, _ = p
    tangent = ny * ny * xx - 2.0 * nx * ny * xy + nx * nx * yy
    zero = np.zeros_like(xx)
    n2 = position_sd**2
    return (
        nx * nx * n2 + ny * ny * tangent,
        nx * ny * (n2 - tangent),
        zero,
        ny * ny * n2 + nx * nx * tangent,
        zero,
        zero + heading_sd**2,
    )


def choose(where: NDArray[np.bool_], p: Six, q: Six) -> Six:
    """Return p where true and q elsewhere."""
    return (
        np.where(where, p[0], q[0]),
        np.where(where, p[1], q[1]),
        np.where(where, p[2], q[2]),
        np.where(where, p[3], q[3]),
        np.where(where, p[4], q[4]),
        np.where(where, p[5], q[5]),
    )


def as_matrix(p: Six) -> FloatArray:
    """Return the covariance of the first trial as a (3, 3) matrix."""
    xx, xy, xh, yy, yh, hh = (float(np.ravel(a)[0]) for a in p)
    return np.array([[xx, xy, xh], [xy, yy, yh], [xh, yh, hh]])


@dataclass(frozen=True)
class ReadingVariance:
    """The filter's variances of a reading of one sensor.

    Its noise is (a + b range)^2; where constants are considered the wall is one of them, otherwise wall^2 is
    noise, too. `wall_tilt_rad` is then for the difference of a pair alone (`driftgate.sight.pairs`).
    """

    at_zero_m: float
    per_range: float
    wall_m: float
    wall_tilt_rad: float
    constants: SensorConstants | None = None
    movers: Movers = NO_MOVERS  # of each surface, for all sensors the same

    def at(self, range_m: FloatArray) -> FloatArray:
        """Return R at an expected range, shape (1,) if it is the same at every range. [m^2]"""
        wall = self.wall_m**2 if self.constants is None else 0.0
        if self.per_range == 0.0:
            return np.full(1, self.at_zero_m**2 + wall)
        return self.own(range_m) + wall

    def own(self, range_m: FloatArray) -> FloatArray:
        """Return the sensor's own part of R: what two sensors that look at one wall do not share. [m^2]"""
        return (self.at_zero_m + self.per_range * range_m) ** 2


@dataclass(frozen=True)
class PairVariance:
    """The filter's variances of the difference or the mean of two readings of one surface.

    By the weights of both: the difference's are 1 and -1, and its wall is one that is turned.
    """

    sensors: tuple[ReadingVariance, ReadingVariance]
    weights: tuple[FloatArray, FloatArray]
    turns: bool

    def at(self, noise: tuple[FloatArray, FloatArray], h: Three) -> FloatArray:
        """Return R, of both sensors' own parts of it and the derivative of the whole. [m^2]"""
        (a, b), (first, second), wall = noise, self.weights, self.sensors[0]
        own = first**2 * a + second**2 * b
        if wall.constants is not None:
            return own
        return own + np.square(wall.wall_tilt_rad * h[2] if self.turns else wall.wall_m)


def constant_effects(
    variances: Sequence[ReadingVariance], looks: Sequence[Look], met: Callable[[], Met]
) -> Effects:
    """Return what is constant in a reading, or in two of one surface; nothing where that is not considered.

    `met` gives the surfaces met, and is asked only where it matters.
    """
    own = [v.constants for v in variances if v.constants is not None]
    if len(own) != len(looks):
        return ()
    movers = variances[0].movers
    return effects_of(looks, own, movers, met() if movers else ())


def reading_variances(model: FilterModel) -> tuple[ReadingVariance, ...]:
    """Return the reading variance of every sensor."""
    constants = model.constants or (None,) * len(model.range_at_zero_m)
    return tuple(
        ReadingVariance(a, b, model.wall_m, model.wall_tilt_rad, c, model.movers)
        for a, b, c in zip(model.range_at_zero_m, model.range_per_range, constants, strict=True)
    )
