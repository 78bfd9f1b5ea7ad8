"""Which surfaces a beam can possibly meet, settled before any trial is drawn.

The *reach* of a beam here is the set of all points of all beams that start within `position_slack`
of p, point within `angle_slack` of u, and are at most `reach` long.

Proof that no surface is wrongly left out. Let S be the sector {p + t u(phi): 0 <= t <= reach,
|phi| <= angle_slack}. A point of an allowed beam is p + d + t u(phi) with |d| <= position_slack, so it
lies within position_slack of S. A segment whose two ends each move by at most `edge_slack` becomes
a segment whose every point (1 - s) a' + s b' is within edge_slack of the point (1 - s) a + s b of the
original. So if they meet, the original segment has a point within s = position_slack + edge_slack of
S; a disc of radius r whose centre moves by edge_slack has its centre within s + r of S.
S is contained in four convex sets: the disc of radius `reach` about p, and, for an angle slack of at
most 90 deg, the half-planes u.(x - p) >= 0, (normal of the left rim).(x - p) <= 0 and that of the
right rim, whose points at angle phi satisfy sin(phi -+ angle_slack) <= 0 resp. >= 0. A point within s
of S is within s of each of these sets. The original segment therefore has one point in all three
half-planes pushed out by s (tested by clipping) and within reach + s of p (the distance of what the
clipping leaves). Beyond 90 deg only the disc is used. Only necessary conditions are tested: the mask may
keep a surface that no beam meets, and never drops one that some beam does.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.world.rays import Values

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]
Array = TypeVar("Array", BoolArray, FloatArray)

# Covers the rounding of the test itself on fields of up to a kilometre. [m]
_ROUNDING_M = 1e-9


def candidates_for_beam(
    px: Values,
    py: Values,
    ux: Values,
    uy: Values,
    reach_m: Values,
    position_slack_m: Values,
    angle_slack_rad: Values,
    ax: FloatArray,
    ay: FloatArray,
    bx: FloatArray,
    by: FloatArray,
    edge_slack_m: Values,
) -> BoolArray:
    """Return which segments any beam near a nominal beam can meet; the module says why it is safe.

    Parameters
    ----------
    px, py, ux, uy : ndarray, shape (R,), or float
        Nominal beams: start and unit direction. [m]
    reach_m, position_slack_m, angle_slack_rad : ndarray, shape (R,), or float
        Longest range, and bounds on how far the start and the direction are off. [m, m, rad]
    ax, ay, bx, by : ndarray, shape (E,)
        End points of the segments. [m]
    edge_slack_m : ndarray, shape (E,), or float
        Bound on how far either end of a segment may be off. [m]

    Returns
    -------
    ndarray of bool, shape (R, E)
        False only where no such beam meets the segment. (For one beam given as floats: (1, E).)
    """
    pairs = _pairs(
        (px, py, ux, uy), reach_m, position_slack_m, angle_slack_rad, (ax, ay, bx, by), edge_slack_m
    )
    low, high = _part_in_wedge(pairs)
    inside = low <= high
    wide = pairs.angle > 0.5 * np.pi
    if wide.any():
        low, high, inside = np.where(wide, 0.0, low), np.where(wide, 1.0, high), inside | wide
    return pairs.spread(inside & (_distance_of_part(pairs, low, high) <= pairs.reach + pairs.slack), False)


def farthest_met(
    px: Values,
    py: Values,
    ux: Values,
    uy: Values,
    position_slack_m: Values,
    angle_slack_rad: Values,
    ax: FloatArray,
    ay: FloatArray,
    bx: FloatArray,
    by: FloatArray,
    edge_slack_m: Values,
) -> FloatArray:
    """Return within which range every beam near a nominal beam meets a segment; inf if some may not.

    Arguments and shape as in `candidates_for_beam`. No beam needs to be followed beyond the least of these:
    it has met something there. [m]

    Notes
    -----
    The point that is met lies within s of a point of the nominal segment (see above), which lies in the
    wedge pushed out by s. Of the part in there no point is further from the start than its ends.
    """
    bounds = position_slack_m, angle_slack_rad
    pairs = _pairs((px, py, ux, uy), np.inf, *bounds, (ax, ay, bx, by), edge_slack_m)
    low, high = _part_in_wedge(pairs)
    wx, wy, vx, vy = pairs.ends
    away = [
        np.hypot(wx + share * (vx - wx), wy + share * (vy - wy))
        for share in (np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0))
    ]
    far = np.where(_crossed_by_all(pairs), np.maximum(away[0], away[1]) + pairs.slack, np.inf)
    return pairs.spread(far, np.inf)


def surely_met(
    px: Values,
    py: Values,
    ux: Values,
    uy: Values,
    position_slack_m: Values,
    angle_slack_rad: Values,
    ax: FloatArray,
    ay: FloatArray,
    bx: FloatArray,
    by: FloatArray,
    edge_slack_m: Values,
) -> BoolArray:
    """Return which segments every beam near a nominal beam crosses, whatever its reach.

    Arguments and shape as in `candidates_for_beam`. False where the angle slack is a quarter turn or more.

    Notes
    -----
    Relative to the beam's start either end is off by at most s = position_slack + edge_slack. With
    w the nominal end in the beam's axes, u(phi) x w = |w| sin(theta - phi) is positive at both rims only
    if it is over the whole wedge, and then least at one of them, since the sine is concave there. So if it
    exceeds s at both rims the end lies to the left of every beam. One end to the left of every
    beam and the other to the right: the segment crosses every beam's line. Were it behind
    the start for one of them, some beam in the opposite direction would meet it.
    """
    bounds = position_slack_m, angle_slack_rad
    pairs = _pairs((px, py, ux, uy), np.inf, *bounds, (ax, ay, bx, by), edge_slack_m)
    return pairs.spread(_crossed_by_all(pairs), False)


def candidates_for_disc(
    px: Values,
    py: Values,
    ux: Values,
    uy: Values,
    reach_m: Values,
    position_slack_m: Values,
    angle_slack_rad: Values,
    cx: FloatArray,
    cy: FloatArray,
    radius_m: Values,
    centre_slack_m: Values,
) -> BoolArray:
    """Return which discs any beam near a nominal beam can meet.

    Parameters
    ----------
    px, py, ux, uy, reach_m, position_slack_m, angle_slack_rad
        As in `candidates_for_beam`.
    cx, cy : ndarray, shape (D,)
        Centres. [m]
    radius_m, centre_slack_m : ndarray, shape (D,), or float
        Radii, and bound on how far a centre may be off. [m]

    Returns
    -------
    ndarray of bool, shape (R, D)
        False only where no such beam meets the disc.
    """
    px, py, ux, uy, reach, near, angle = _columns(px, py, ux, uy, reach_m, position_slack_m, angle_slack_rad)
    slack = near + centre_slack_m + radius_m + _ROUNDING_M
    wx, wy = cx - px, cy - py
    along, left = wx * ux + wy * uy, ux * wy - uy * wx
    in_wedge = (along >= -slack) & (np.abs(left) * np.cos(angle) - along * np.sin(angle) <= slack)
    return np.asarray((in_wedge | (angle > 0.5 * np.pi)) & (wx * wx + wy * wy <= np.square(reach + slack)))


def by_row(mask: BoolArray) -> list[IntArray]:
    """Return for each row of a table which of its columns are true."""
    row, column = np.nonzero(mask)
    ends = np.searchsorted(row, np.arange(len(mask) + 1)).tolist()
    return [column[begin:end] for begin, end in pairwise(ends)]


def _columns(*values: Values) -> list[FloatArray]:
    return [np.atleast_1d(np.asarray(v, dtype=float))[:, None] for v in values]


class _Pairs(NamedTuple):
    """Pairs of a beam and a segment that may meet; `ends` are the segment's, relative to the beam's start."""

    shape: tuple[int, int]
    row: IntArray
    column: IntArray
    ends: tuple[FloatArray, FloatArray, FloatArray, FloatArray]
    ux: FloatArray
    uy: FloatArray
    reach: FloatArray
    slack: FloatArray
    angle: FloatArray

    def spread(self, values: Array, otherwise: float) -> Array:
        """Return a table with a value for each of these pairs, another one elsewhere."""
        table = np.full(self.shape, otherwise, dtype=values.dtype)
        table[self.row, self.column] = values
        return table


def _pairs(
    beam: tuple[Values, Values, Values, Values],
    reach_m: Values,
    position_slack_m: Values,
    angle_slack_rad: Values,
    ends: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    edge_slack_m: Values,
) -> _Pairs:
    """Return the pairs of which no cheap test says that they do not meet.

    A segment with both ends outside one of the half-planes, pushed out by the slack, has no point in it; nor
    has one with both ends further along the beam than it reaches. Most pairs end here.
    """
    px, py, ux, uy, reach, near, angle = _columns(*beam, reach_m, position_slack_m, angle_slack_rad)
    ax, ay, bx, by = ends
    slack = near + edge_slack_m + _ROUNDING_M
    # Twice the rounding: whatever is near a limit is left to the test of the pair.
    edge = slack + _ROUNDING_M
    sine, cosine = np.sin(angle), np.cos(angle)

    def outside(x: FloatArray, y: FloatArray, limit: FloatArray) -> BoolArray:
        # Both ends have x * their x + y * their y above that of the start by more than the limit.
        beyond = limit + (x * px + y * py)
        return np.asarray((x * ax + y * ay > beyond) & (x * bx + y * by > beyond))

    out = outside(-ux, -uy, edge)
    for side in (1.0, -1.0):
        out |= outside(-side * uy * cosine - ux * sine, side * ux * cosine - uy * sine, edge)
    out &= angle <= 0.5 * np.pi
    if np.isfinite(reach).any():
        out |= outside(ux, uy, reach + edge)
    row, column = np.nonzero(~out)
    shape = out.shape
    start_x, start_y, along, aside, *bounds = (
        np.broadcast_to(v, shape)[row, column] for v in (px, py, ux, uy, reach, slack, angle)
    )
    relative = ax[column] - start_x, ay[column] - start_y, bx[column] - start_x, by[column] - start_y
    return _Pairs(shape, row, column, relative, along, aside, *bounds)


def _in_wedge(pairs: _Pairs) -> BoolArray:
    """Return which segments have a point in all three half-planes pushed out by the slack."""
    low, high = _part_in_wedge(pairs)
    return np.asarray((low <= high) | (pairs.angle > 0.5 * np.pi))


def _crossed_by_all(pairs: _Pairs) -> BoolArray:
    """Return which segments every beam near its nominal one crosses; `surely_met` says why."""
    slack, sine, cosine = pairs.slack, np.sin(pairs.angle), np.cos(pairs.angle)

    def side(wx: FloatArray, wy: FloatArray) -> tuple[BoolArray, BoolArray]:
        ahead, left = wx * pairs.ux + wy * pairs.uy, pairs.ux * wy - pairs.uy * wx
        near_rim, far_rim = left * cosine - ahead * sine, left * cosine + ahead * sine
        return (near_rim > slack) & (far_rim > slack), (near_rim < -slack) & (far_rim < -slack)

    (a_left, a_right), (b_left, b_right) = side(*pairs.ends[:2]), side(*pairs.ends[2:])
    behind = _in_wedge(pairs._replace(ux=-pairs.ux, uy=-pairs.uy))
    return ((a_left & b_right) | (a_right & b_left)) & ~behind & (pairs.angle < 0.5 * np.pi)


def _part_in_wedge(pairs: _Pairs) -> tuple[FloatArray, FloatArray]:
    """Return which part [low, high] of each segment lies in all three half-planes pushed out by the slack."""
    (wx, wy, vx, vy), ux, uy, slack = pairs.ends, pairs.ux, pairs.uy, pairs.slack
    # Ends in the axes of the beam: along it and to its left.
    a_along, a_left = wx * ux + wy * uy, ux * wy - uy * wx
    b_along, b_left = vx * ux + vy * uy, ux * vy - uy * vx
    sine, cosine = np.sin(pairs.angle), np.cos(pairs.angle)
    low, high = np.zeros_like(a_along), np.ones_like(a_along)
    low, high = _clip(-a_along - slack, -b_along - slack, low, high)
    for side in (1.0, -1.0):
        at_a = side * a_left * cosine - a_along * sine - slack
        at_b = side * b_left * cosine - b_along * sine - slack
        low, high = _clip(at_a, at_b, low, high)
    return low, high


def _clip(
    at_a: FloatArray, at_b: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Narrow the part [low, high] of a segment to where a linear function is <= 0 (Liang-Barsky, 1984)."""
    change = at_b - at_a
    # A segment along the rim is not clipped by it: that keeps more, never less.
    change = np.where(np.abs(change) < 1e-15, 0.0, change)
    share = -at_a / np.where(change == 0.0, 1.0, change)
    # Rounding of the share must not shut out a segment that just touches the half-plane.
    high = np.where(change > 0.0, np.minimum(high, share + 1e-12), high)
    low = np.where(change < 0.0, np.maximum(low, share - 1e-12), low)
    outside = (at_a > 0.0) & (at_b > 0.0)
    return low, np.where(outside, -np.inf, high)


def _distance_of_part(pairs: _Pairs, low: FloatArray, high: FloatArray) -> FloatArray:
    """Return how far the part [low, high] of each segment, if there is one, is from the beam's start. [m]"""
    ax, ay, bx, by = pairs.ends
    ex, ey = bx - ax, by - ay
    length2 = ex * ex + ey * ey
    # Of an empty part any place will do, as long as it is a number.
    share = np.clip(-(ax * ex + ay * ey) / np.where(length2 > 0.0, length2, 1.0), low, np.maximum(high, low))
    return np.hypot(ax + share * ex, ay + share * ey)
