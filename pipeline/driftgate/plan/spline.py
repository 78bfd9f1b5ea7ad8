"""A C2 cubic spline through points of the plane, clamped at its start.

Source: C. de Boor, "A Practical Guide to Splines" (1978), chapter IV (from memory); the tests hold
it to scipy's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray


@dataclass(frozen=True)
class Spline:
    """A parametric cubic spline: points (n + 1, 2) at knots (n + 1,), second derivatives there."""

    knot: FloatArray
    point: FloatArray
    second: FloatArray

    def evaluate(self, u: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the point and its first and second derivative by the parameter, each (m, 2)."""
        u = np.asarray(u, float)
        i = np.clip(np.searchsorted(self.knot, u, side="right") - 1, 0, self.knot.size - 2)
        h = (self.knot[i + 1] - self.knot[i])[:, None]
        b = (u - self.knot[i])[:, None] / h
        a = 1.0 - b
        p0, p1, m0, m1 = self.point[i], self.point[i + 1], self.second[i], self.second[i + 1]
        place = a * p0 + b * p1 + (h * h / 6.0) * ((a**3 - a) * m0 + (b**3 - b) * m1)
        first = (p1 - p0) / h + (h / 6.0) * ((1.0 - 3.0 * a * a) * m0 + (3.0 * b * b - 1.0) * m1)
        return place, first, a * m0 + b * m1


def fit_spline(points: FloatArray, start_rad: float, end_rad: float | None = None) -> Spline:
    """Return the spline through points, parametrised by chord length.

    Parameters
    ----------
    points : ndarray, shape (n + 1, 2)
        At least two; neighbours apart. [m]
    start_rad : float
        Direction of the tangent at the first point. [rad]
    end_rad : float, optional
        Direction of the tangent at the last point; without it the curvature there is zero. [rad]

    Returns
    -------
    Spline
        Twice continuously differentiable; by the chord length its tangents at clamped ends have
        length one.
    """
    chord = np.diff(points, axis=0)
    h = np.hypot(chord[:, 0], chord[:, 1])
    slope = chord / h[:, None]
    lower, diagonal, upper = np.zeros(h.size + 1), np.ones(h.size + 1), np.zeros(h.size + 1)
    right = np.zeros((h.size + 1, 2))
    diagonal[1:-1] = 2.0 * (h[:-1] + h[1:])
    lower[1:-1], upper[1:-1] = h[:-1], h[1:]
    right[1:-1] = 6.0 * (slope[1:] - slope[:-1])
    diagonal[0], upper[0] = 2.0 * h[0], h[0]
    right[0] = 6.0 * (slope[0] - _direction(start_rad))
    if end_rad is not None:
        diagonal[-1], lower[-1] = 2.0 * h[-1], h[-1]
        right[-1] = 6.0 * (_direction(end_rad) - slope[-1])
    knot = np.concatenate([[0.0], np.cumsum(h)])
    return Spline(knot, points, solve_tridiagonal(lower, diagonal, upper, right))


def solve_tridiagonal(
    lower: FloatArray, diagonal: FloatArray, upper: FloatArray, right: FloatArray
) -> FloatArray:
    """Return the solution of a diagonally dominant tridiagonal system by elimination (Thomas).

    `lower[i]` stands left of `diagonal[i]`, `upper[i]` right of it; `right` has shape (n, d).
    """
    n = diagonal.size
    factor, solution = np.zeros(n), np.array(right, float)
    pivot = diagonal[0]
    solution[0] /= pivot
    for i in range(1, n):
        factor[i - 1] = upper[i - 1] / pivot
        pivot = diagonal[i] - lower[i] * factor[i - 1]
        solution[i] = (solution[i] - lower[i] * solution[i - 1]) / pivot
    for i in range(n - 2, -1, -1):
        solution[i] -= factor[i] * solution[i + 1]
    return solution


def _direction(angle_rad: float) -> FloatArray:
    return np.array([math.cos(angle_rad), math.sin(angle_rad)])
