"""Nominal motion along a smooth curve: arc length, heading, and the speed that the limits allow."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.limits import StepLimits
from driftgate.plan.motions import PoseTuple
from driftgate.plan.spline import Spline, fit_spline

# Cells of the arc-length table: one per CELL_M of chord, within bounds for each segment.
_CELL_M: Final = 0.005
_FEWEST_CELLS: Final = 40
_MOST_CELLS: Final = 1000
# Below this parametric speed the curve has a cusp, and its curvature is taken as endless.
_CUSP: Final = 1e-6
_CRAWL_M_S: Final = 1e-7

# Abscissas and weights of the five-point Gauss-Legendre rule on [0, 1].
_NODES, _WEIGHTS = (
    0.5 * (v + o) for v, o in zip(np.polynomial.legendre.leggauss(5), (1.0, 0.0), strict=True)
)


@dataclass(frozen=True)
class CurveMotion:
    """A curve with its tables; all arrays have one entry per node.

    Attributes
    ----------
    spline : Spline
        The curve.
    u, way, heading : ndarray
        Parameter, arc length from the start [m], heading of the robot [rad, continuous].
    parametric_speed : ndarray
        d(way)/du.
    time, speed : ndarray
        When the node is passed [s] and how fast [m/s]; between nodes the acceleration is constant.
    ahead : float
        +1 forwards, -1 backwards.
    tightest_radius_m, tightest_at_m, slowest_m_s : float
        Smallest radius of curvature, where along the way, and the smallest speed the curvature allows.
    tightest_point : tuple of float
        The place of that radius, field frame. [m]
    """

    spline: Spline
    u: FloatArray
    way: FloatArray
    heading: FloatArray
    parametric_speed: FloatArray
    time: FloatArray
    speed: FloatArray
    ahead: float
    tightest_radius_m: float
    tightest_at_m: float
    tightest_point: tuple[float, float]
    slowest_m_s: float

    @property
    def duration_s(self) -> float:
        """How long the profile takes. [s]"""
        return float(self.time[-1])

    @property
    def length_m(self) -> float:
        """Arc length. [m]"""
        return float(self.way[-1])

    def sample(self, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return poses and body rates."""
        t = np.clip(np.asarray(time_s, float), 0.0, self.time[-1])
        i = np.clip(np.searchsorted(self.time, t, side="right") - 1, 0, self.time.size - 2)
        cell_way = self.way[i + 1] - self.way[i]
        cell_s = np.maximum(self.time[i + 1] - self.time[i], 1e-15)
        tau = t - self.time[i]
        gain = (self.speed[i + 1] - self.speed[i]) / cell_s
        ahead = np.clip(tau * (self.speed[i] + 0.5 * gain * tau), 0.0, cell_way)
        speed = np.maximum(self.speed[i] + gain * tau, 0.0)
        u = self._parameter(i, ahead, cell_way)
        place, first, second = self.spline.evaluate(u)
        direction = np.arctan2(self.ahead * first[:, 1], self.ahead * first[:, 0])
        near = self.heading[i]
        heading = near + np.remainder(direction - near + np.pi, 2.0 * np.pi) - np.pi
        poses = np.column_stack([place, heading])
        turn = _curvature(first, second) * speed
        return poses, np.column_stack([self.ahead * speed, np.zeros_like(speed), turn])

    def _parameter(self, i: np.ndarray, ahead: FloatArray, cell_way: FloatArray) -> FloatArray:
        """Return the parameter by the cubic that meets u and du/d(way) at both ends of the cell."""
        b = ahead / cell_way
        a = 1.0 - b
        d0, d1 = cell_way / self.parametric_speed[i], cell_way / self.parametric_speed[i + 1]
        u0, u1 = self.u[i], self.u[i + 1]
        u = a * a * ((1.0 + 2.0 * b) * u0 + b * d0) + b * b * ((1.0 + 2.0 * a) * u1 - a * d1)
        return np.asarray(np.clip(u, u0, u1), float)


def plan_curve(
    start: PoseTuple,
    points: list[tuple[float, float]],
    end_heading_rad: float | None,
    backwards: bool,
    limits: StepLimits,
) -> CurveMotion:
    """Return the quickest motion along the smooth curve from the start through the points.

    Parameters
    ----------
    start : tuple of float
        Pose at the start; the curve leaves along its heading, or against it backwards.
    points : list of tuple
        At least one; neighbours (the start's place first) apart. [m]
    end_heading_rad : float, optional
        Heading of the robot at the end; without it the curve ends without curvature. [rad]
    backwards : bool
        The robot backs along the curve: its heading is the tangent's plus pi.
    limits : StepLimits
        Speed, acceleration, turn rate and lateral acceleration are kept everywhere.

    Notes
    -----
    The speed comes from a forward and a backward pass over the nodes with constant acceleration in
    each cell: v1^2 <= v0^2 + 2 a ds both ways (Bobrow, Dubowsky and Gibson 1985, from memory; here
    with limits that do not depend on the acceleration). A node may be passed no faster than the
    more curved of its two cells allows, so that nothing is exceeded between nodes either.
    """
    turned = math.pi if backwards else 0.0
    spline = fit_spline(
        np.array([start[:2], *points]),
        start[2] + turned,
        None if end_heading_rad is None else end_heading_rad + turned,
    )
    u = _nodes(spline)
    place, first, second = spline.evaluate(u)
    way, parametric_speed = _arc_length(spline, u, first)
    sign = -1.0 if backwards else 1.0
    direction = np.unwrap(np.arctan2(sign * first[:, 1], sign * first[:, 0]))
    heading = direction + math.tau * round((start[2] - direction[0]) / math.tau)
    bend = _cell_bends(spline, u, np.abs(_curvature(first, second)), heading, way)
    cell_cap = limits.path_speed(bend)
    cap = np.asarray(np.minimum(np.append(cell_cap[:1], cell_cap), np.append(cell_cap, cell_cap[-1:])))
    speed = _two_passes(way, cap, limits.acceleration_m_s2)
    time = np.concatenate([[0.0], np.cumsum(2.0 * np.diff(way) / (speed[:-1] + speed[1:]))])
    worst = int(np.argmax(bend))
    return CurveMotion(
        spline,
        u,
        way,
        heading,
        parametric_speed,
        time,
        speed,
        sign,
        tightest_radius_m=1.0 / max(float(bend[worst]), 1e-12),
        tightest_at_m=float(way[worst]),
        tightest_point=(float(place[worst, 0]), float(place[worst, 1])),
        slowest_m_s=float(cap.min()),
    )


def _nodes(spline: Spline) -> FloatArray:
    pieces = [
        np.linspace(a, b, min(max(math.ceil((b - a) / _CELL_M), _FEWEST_CELLS), _MOST_CELLS), endpoint=False)
        for a, b in zip(spline.knot[:-1], spline.knot[1:], strict=True)
    ]
    return np.concatenate([*pieces, spline.knot[-1:]])


def _arc_length(spline: Spline, u: FloatArray, first: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return arc length at the nodes and d(way)/du there."""
    width = np.diff(u)
    inner = (u[:-1, None] + width[:, None] * _NODES).ravel()
    inside = spline.evaluate(inner)[1]
    length = width * (np.hypot(inside[:, 0], inside[:, 1]).reshape(-1, _NODES.size) @ _WEIGHTS)
    length = np.maximum(length, 1e-15)
    way = np.concatenate([[0.0], np.cumsum(length)])
    return way, np.maximum(np.hypot(first[:, 0], first[:, 1]), _CUSP)


def _curvature(first: FloatArray, second: FloatArray) -> FloatArray:
    """Return the signed curvature (x' y'' - y' x'') / |r'|^3. [1/m]"""
    cross = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
    return np.asarray(cross / np.maximum(np.hypot(first[:, 0], first[:, 1]), _CUSP) ** 3)


def _cell_bends(
    spline: Spline, u: FloatArray, curvature: FloatArray, heading: FloatArray, way: FloatArray
) -> FloatArray:
    """Return the largest curvature of each cell. [1/m]

    At its ends and its middle, and as turn over way: where the curve folds straight back on itself
    its curvature is zero all along, but for the one point in which it turns round.
    """
    _, first, second = spline.evaluate(0.5 * (u[:-1] + u[1:]))
    inside = np.maximum(np.abs(_curvature(first, second)), np.abs(np.diff(heading)) / np.diff(way))
    return np.asarray(np.maximum(np.maximum(curvature[:-1], curvature[1:]), inside))


def _two_passes(way: FloatArray, cap: FloatArray, acceleration: float) -> FloatArray:
    """Return the speed at the nodes, at rest at both ends."""
    # In v^2 the pass is a running minimum: v^2 - 2 a s may only fall forwards, v^2 + 2 a s backwards.
    square = cap * cap
    square[0] = square[-1] = 0.0
    slope = 2.0 * acceleration * way
    square = np.minimum.accumulate(square - slope) + slope
    square = (np.minimum.accumulate((square + slope)[::-1]))[::-1] - slope
    # A crawl in place of nothing keeps the time finite where the curve has a cusp.
    square[1:-1] = np.maximum(square[1:-1], _CRAWL_M_S**2)
    return np.sqrt(np.maximum(square, 0.0))
