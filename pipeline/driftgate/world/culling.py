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
half-planes pushed out by s (tested by clipping), and it comes within reach + s of p (tested by
distance). Beyond 90 deg only the disc is used. Only necessary conditions are tested: the mask may
keep a surface that no beam meets, and never drops one that some beam does.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.world.rays import Values

BoolArray = NDArray[np.bool_]

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
    px, py, ux, uy, reach, near, angle = _columns(px, py, ux, uy, reach_m, position_slack_m, angle_slack_rad)
    slack = near + edge_slack_m + _ROUNDING_M
    ends = ax - px, ay - py, bx - px, by - py
    low, high = _part_in_wedge(ends, ux, uy, slack, angle)
    in_wedge = (low <= high) | (angle > 0.5 * np.pi)
    return np.asarray(in_wedge & (_distance_from_origin(*ends) <= reach + slack))


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
    sure = surely_met(px, py, ux, uy, *bounds, ax, ay, bx, by, edge_slack_m)
    px, py, ux, uy, near, angle = _columns(px, py, ux, uy, *bounds)
    slack = near + edge_slack_m + _ROUNDING_M
    ends = ax - px, ay - py, bx - px, by - py
    low, high = _part_in_wedge(ends, ux, uy, slack, angle)
    away = [
        np.hypot(ends[0] + share * (ends[2] - ends[0]), ends[1] + share * (ends[3] - ends[1]))
        for share in (np.clip(low, 0.0, 1.0), np.clip(high, 0.0, 1.0))
    ]
    return np.where(sure, np.maximum(away[0], away[1]) + slack, np.inf)


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
    x, y, along, aside, near, angle = _columns(px, py, ux, uy, position_slack_m, angle_slack_rad)
    slack = near + edge_slack_m + _ROUNDING_M
    sine, cosine = np.sin(angle), np.cos(angle)

    def side(ex: FloatArray, ey: FloatArray) -> tuple[BoolArray, BoolArray]:
        wx, wy = ex - x, ey - y
        ahead, left = wx * along + wy * aside, along * wy - aside * wx
        near_rim, far_rim = left * cosine - ahead * sine, left * cosine + ahead * sine
        return (near_rim > slack) & (far_rim > slack), (near_rim < -slack) & (far_rim < -slack)

    (a_left, a_right), (b_left, b_right) = side(ax, ay), side(bx, by)
    behind = candidates_for_beam(
        px,
        py,
        np.negative(ux),
        np.negative(uy),
        np.inf,
        position_slack_m,
        angle_slack_rad,
        ax,
        ay,
        bx,
        by,
        edge_slack_m,
    )
    return ((a_left & b_right) | (a_right & b_left)) & ~behind & (angle < 0.5 * np.pi)


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
    return np.asarray((in_wedge | (angle > 0.5 * np.pi)) & (np.hypot(wx, wy) <= reach + slack))


def _columns(*values: Values) -> list[FloatArray]:
    return [np.atleast_1d(np.asarray(v, dtype=float))[:, None] for v in values]


def _part_in_wedge(
    ends: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    ux: FloatArray,
    uy: FloatArray,
    slack: FloatArray,
    angle: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return which part [low, high] of each segment lies in all three half-planes pushed out by the slack."""
    wx, wy, vx, vy = ends
    # Ends in the axes of the beam: along it and to its left.
    a_along, a_left = wx * ux + wy * uy, ux * wy - uy * wx
    b_along, b_left = vx * ux + vy * uy, ux * vy - uy * vx
    sine, cosine = np.sin(angle), np.cos(angle)
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


def _distance_from_origin(ax: FloatArray, ay: FloatArray, bx: FloatArray, by: FloatArray) -> FloatArray:
    """Return the distance of segments from the origin. [m]"""
    ex, ey = bx - ax, by - ay
    length2 = ex * ex + ey * ey
    share = np.clip(-(ax * ex + ay * ey) / np.where(length2 > 0.0, length2, 1.0), 0.0, 1.0)
    return np.hypot(ax + share * ex, ay + share * ey)
