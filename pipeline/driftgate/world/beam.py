"""The range from a robot to a surface's line, and how it changes with everything it depends on.

Source: S. Thrun, W. Burgard and D. Fox, Probabilistic Robotics, MIT Press 2005, chapter 7, and
R. Siegwart and I. Nourbakhsh, Introduction to Autonomous Mobile Robots, MIT Press 2004, section 5.6.8
(line features in Kalman localisation, both from memory); the Jacobian is derived here.

With the line n.q = d, the pose (p, theta), the sensor at l on the robot looking along psi, R = R(theta),
the sensor at p_s = p + R l, u = (cos(theta + psi), sin(theta + psi)) and u' = du/dtheta::

    r = (d - n.p_s) / (n.u)
    dr/dp = -n / (n.u)                    dr/dtheta = -(r n.u' + n.(R' l)) / (n.u)
    dr/dl = -R^T n / (n.u)                dr/dpsi = -r n.u' / (n.u)
    dr/d(offset along n) = 1 / (n.u)      dr/d(tilt about m) = -n'.(q - m) / (n.u)

where q = p_s + r u is the echo's point and n' = n turned by 90 deg, since a tilted line keeps
n(tilt).(q - m) = 0.

In a cone (`driftgate.world.cone`) u is the answering ray. Met on its rim, it turns with the sensor and the
above holds. At the foot of the perpendicular u is -n: r is the distance from the line, and the terms with u'
are zero. At an end q of the surface r = |q - p_s|, so that::

    dr/dp = -u      dr/dtheta = -u.(R' l)     dr/dl = -R^T u      dr/dpsi = 0
    dr/d(offset) = u.n                        dr/d(tilt) = u.(q - m)', q carried rigidly by the surface
    dr/d(slide) = u.t, t = (n_y, -n_x): a line may slide along itself unnoticed, an end may not
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from driftgate.core.pose import FloatArray, cos_sin
from driftgate.world.cone import END, FOOT, Answer
from driftgate.world.rays import Values

# A beam closer to parallel than this has no range to the line worth differentiating.
_LEAST_COSINE = 1e-12


class RangeModel(NamedTuple):
    """A range to a line and its derivatives; arrays of one shape.

    Attributes
    ----------
    range_m : ndarray
        Along the beam, negative if the line lies behind the sensor. [m]
    incidence_rad : ndarray
        Angle between the beam and the surface's normal, 0 to pi/2. [rad]
    d_x, d_y, d_heading : ndarray
        By the robot's pose. [m/m, m/m, m/rad]
    d_offset, d_tilt : ndarray
        By the line's offset along its normal and its tilt about its middle. [m/m, m/rad]
    d_mount_x, d_mount_y, d_mount_angle : ndarray
        By the sensor's place on the robot and the direction it looks in. [m/m, m/m, m/rad]
    d_slide : ndarray
        By a shift of the surface along itself, towards (n_y, -n_x). [m/m]
    """

    range_m: FloatArray
    incidence_rad: FloatArray
    d_x: FloatArray
    d_y: FloatArray
    d_heading: FloatArray
    d_offset: FloatArray
    d_tilt: FloatArray
    d_mount_x: FloatArray
    d_mount_y: FloatArray
    d_mount_angle: FloatArray
    d_slide: FloatArray


def sensor_beam(
    x: Values, y: Values, heading: Values, mount_x: Values, mount_y: Values, mount_angle: Values
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return where a sensor's beam starts and its unit direction, field frame: px, py, ux, uy. [m]"""
    c, s = cos_sin(heading)
    along, aside = cos_sin(mount_angle)
    return (
        np.asarray(x + c * mount_x - s * mount_y, dtype=float),
        np.asarray(y + s * mount_x + c * mount_y, dtype=float),
        c * along - s * aside,
        s * along + c * aside,
    )


def expected_range(
    pose: FloatArray,
    mount: tuple[Values, Values, Values],
    normal: tuple[Values, Values],
    middle: tuple[Values, Values],
    answer: Answer | None = None,
) -> RangeModel:
    """Return the range to a surface's line and its derivatives.

    Parameters
    ----------
    pose : ndarray, shape (..., 3)
        The robot's pose. [m, m, rad]
    mount : tuple of ndarray or float
        x ahead, y left and direction of the sensor on the robot. [m, m, rad]
    normal : pair of ndarray or float
        Unit normal of the line.
    middle : pair of ndarray or float
        The point of the line that it tilts about. [m]
    answer : Answer, optional
        Which point of the surface answers in the sensor's cone, from `driftgate.world.cone`; without it
        the sensor is a line.

    Returns
    -------
    RangeModel
        Arrays of the shape that all arguments broadcast to; nan for a beam along the line. The
        line has no ends: whether the surface is met is for `driftgate.world.rays` to say.
    """
    x, y, heading = pose[..., 0], pose[..., 1], pose[..., 2]
    mount_x, mount_y, mount_angle = mount
    px, py, ux, uy = sensor_beam(x, y, heading, mount_x, mount_y, mount_angle)
    place = _Place(x, y, px, py, np.cos(heading), np.sin(heading))
    if answer is None:
        return RangeModel(*np.broadcast_arrays(*_to_line(place, ux, uy, normal, middle)))
    nx, ny = normal
    foot = answer.kind == FOOT
    facing = np.where(nx * (px - middle[0]) + ny * (py - middle[1]) >= 0.0, -1.0, 1.0)
    ux, uy = np.where(foot, facing * nx, answer.ux), np.where(foot, facing * ny, answer.uy)
    line = _to_line(place, ux, uy, normal, middle)
    point = _to_point(place, answer.range_m, ux, uy, normal, middle)
    at_end = answer.kind == END
    chosen = (np.where(at_end, p, q) for p, q in zip(point, line, strict=True))
    return RangeModel(*np.broadcast_arrays(*chosen))


class PoseModel(NamedTuple):
    """A range to a surface and its derivatives by the robot's pose alone, for whoever needs no more.

    Attributes
    ----------
    range_m : ndarray
        As in `RangeModel`. [m]
    square : ndarray
        Cosine of the incidence.
    d_x, d_y, d_heading : ndarray
        As in `RangeModel`. [m/m, m/m, m/rad]
    d_angle : ndarray
        By the direction the sensor looks in, as `d_mount_angle` there. [m/rad]
    """

    range_m: FloatArray
    square: FloatArray
    d_x: FloatArray
    d_y: FloatArray
    d_heading: FloatArray
    d_angle: FloatArray

    @property
    def incidence_rad(self) -> FloatArray:
        """Angle between the beam and the surface's normal, 0 to pi/2. [rad]"""
        return np.asarray(np.arccos(self.square))


def range_along_beam(
    robot: tuple[Values, Values],
    beam: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    normal: tuple[Values, Values],
    middle: tuple[Values, Values],
) -> PoseModel:
    """Return the range along a beam to a surface's line, and its derivatives by the robot's pose.

    Parameters
    ----------
    robot : pair of ndarray or float
        Where the robot is. [m]
    beam : tuple of ndarray
        From `sensor_beam`.
    normal, middle : pair of ndarray or float
        As in `expected_range`. [m]
    """
    (x, y), (px, py, ux, uy), (nx, ny) = robot, beam, normal
    # Nearly every surface is one for all trials and lies along an axis: half of what follows is then zero.
    level = np.ndim(nx) == 0 and ny == 0.0
    upright = np.ndim(nx) == 0 and nx == 0.0
    closing = nx * ux if level else ny * uy if upright else nx * ux + ny * uy
    square = np.abs(closing)
    if np.min(square, initial=1.0) > _LEAST_COSINE:
        inverse = 1.0 / closing
    else:
        inverse = 1.0 / np.where(square > _LEAST_COSINE, closing, np.nan)
    if level:
        d_x = -nx * inverse
        range_m, turned = nx * (middle[0] - px) * inverse, -(d_x * uy)
        turned = turned * range_m
        return PoseModel(range_m, np.minimum(square, 1.0), d_x, np.zeros(1), turned + d_x * (y - py), turned)
    if upright:
        d_y = -ny * inverse
        range_m, turned = ny * (middle[1] - py) * inverse, d_y * ux
        turned = turned * range_m
        return PoseModel(range_m, np.minimum(square, 1.0), np.zeros(1), d_y, turned + d_y * (px - x), turned)
    range_m = (nx * (middle[0] - px) + ny * (middle[1] - py)) * inverse
    d_x, d_y = -nx * inverse, -ny * inverse
    # As in `_to_line`: the beam turns, and the sensor swings about the robot.
    turned = (d_y * ux - d_x * uy) * range_m
    d_heading = turned + d_x * (y - py) + d_y * (px - x)
    return PoseModel(range_m, np.minimum(square, 1.0), d_x, d_y, d_heading, turned)


def range_in_cone(
    robot: tuple[Values, Values],
    apex: tuple[FloatArray, FloatArray],
    normal: tuple[Values, Values],
    middle: tuple[Values, Values],
    answer: Answer,
) -> PoseModel:
    """Return the range to what answers in a cone, and its derivatives by the robot's pose.

    Parameters
    ----------
    robot, apex : pair of ndarray or float
        Where the robot and its sensor are. [m]
    normal, middle : pair of ndarray or float
        As in `expected_range`. [m]
    answer : Answer
        Which point of the surface answers, from `driftgate.world.cone`.
    """
    (x, y), (px, py), (ux, uy) = robot, apex, (answer.ux, answer.uy)
    # At the foot the ray is the normal itself, and its turn with the robot changes nothing.
    line = range_along_beam(robot, (px, py, ux, uy), normal, middle)
    at_end = answer.kind == END
    if not at_end.any():
        return line
    # As in `_to_point`.
    return PoseModel(
        np.where(at_end, answer.range_m, line.range_m),
        line.square,
        np.where(at_end, -ux, line.d_x),
        np.where(at_end, -uy, line.d_y),
        np.where(at_end, -(ux * (y - py) + uy * (px - x)), line.d_heading),
        np.where(at_end, 0.0, line.d_angle),
    )


class _Place(NamedTuple):
    """Where robot and sensor are, and the robot's heading."""

    x: FloatArray
    y: FloatArray
    px: FloatArray
    py: FloatArray
    c: FloatArray
    s: FloatArray


def _to_line(
    place: _Place,
    ux: FloatArray,
    uy: FloatArray,
    normal: tuple[Values, Values],
    middle: tuple[Values, Values],
) -> RangeModel:
    """Return range and derivatives along a ray to a line.

    At a foot u = -n, so that n.u' = 0: what the ray does when the sensor turns does not matter.
    """
    nx, ny = normal
    x, y, px, py, c, s = place
    closing = nx * ux + ny * uy
    inverse = 1.0 / np.where(np.abs(closing) > _LEAST_COSINE, closing, np.nan)
    range_m = (nx * (middle[0] - px) + ny * (middle[1] - py)) * inverse
    # Turning the beam by da moves its direction by u' da, u' = (-uy, ux).
    turned = -range_m * (ny * ux - nx * uy) * inverse
    # Turning the robot also swings the sensor about the robot's origin: R' l = (y - py, px - x).
    swung = -(nx * (y - py) + ny * (px - x)) * inverse
    qx, qy = px + range_m * ux - middle[0], py + range_m * uy - middle[1]
    return RangeModel(
        range_m,
        np.arccos(np.minimum(np.abs(closing), 1.0)),
        -nx * inverse,
        -ny * inverse,
        turned + swung,
        inverse,
        (ny * qx - nx * qy) * inverse,
        -(nx * c + ny * s) * inverse,
        -(ny * c - nx * s) * inverse,
        turned,
        np.zeros_like(inverse),
    )


def _to_point(
    place: _Place,
    range_m: FloatArray,
    ux: FloatArray,
    uy: FloatArray,
    normal: tuple[Values, Values],
    middle: tuple[Values, Values],
) -> RangeModel:
    """Return range and derivatives to an end of the surface, `range_m` away along u."""
    nx, ny = normal
    x, y, px, py, c, s = place
    known_m = np.where(np.isfinite(range_m), range_m, 0.0)
    closing = nx * ux + ny * uy
    qx, qy = px + known_m * ux - middle[0], py + known_m * uy - middle[1]
    return RangeModel(
        range_m,
        np.arccos(np.minimum(np.abs(closing), 1.0)),
        -ux,
        -uy,
        -(ux * (y - py) + uy * (px - x)),
        closing,
        uy * qx - ux * qy,
        -(ux * c + uy * s),
        ux * s - uy * c,
        np.zeros_like(closing),
        ux * ny - uy * nx,
    )
