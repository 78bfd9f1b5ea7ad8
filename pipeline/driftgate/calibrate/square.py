r"""Square drives both ways round: systematic heading errors from where the drives end.

A robot that drives a square of side *L* and believes to be back on its mark stands
:math:`\varepsilon` away from it. Two errors show. Type A, the same at every corner: each turn of 90
degrees really is :math:`90^\circ - \alpha`. Type B, the same along every side: a side that is believed
straight bends to the left by :math:`\beta`. One way round they look alike, and correcting one for the other
makes the robot right in that direction only; driven both ways they come apart. With *x* along the first
side, *y* to the left, and the mean ends :math:`x_{cw}, y_{cw}` of right-hand and :math:`x_{ccw}, y_{ccw}` of
left-hand drives, to first order

.. math::

    \alpha = \frac{x_{cw} + x_{ccw}}{-4L} = \frac{y_{cw} - y_{ccw}}{-4L}, \qquad
    \beta = \frac{x_{cw} - x_{ccw}}{-4L} = \frac{y_{cw} + y_{ccw}}{-4L}.

Both forms are averaged here. What the linearisation leaves (2 to 4 % of the corrections for errors of half a
degree) goes with a second pass.

References
----------
.. [1] J. Borenstein and L. Feng, "Measurement and correction of systematic odometry errors in mobile
   robots," IEEE Trans. Robotics and Automation 12(6), 1996, pp. 869-880, equations 4.17 to 4.33.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from driftgate.calibrate.doubts import SUSPECTED, each_of
from driftgate.calibrate.estimate import Estimate, Spread, combined, mean_and_spread, t_factor
from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray

# Share of the systematic error that may break the first-order pattern of the ends.
SECOND_ORDER = 0.1


@dataclass(frozen=True)
class Ends:
    """Where the drives of one way round ended, real less believed.

    Attributes
    ----------
    mean_m : tuple of float
        Centre of gravity, x ahead and y left.
    sd_m : tuple of float
        Standard deviation of a single drive, along each axis.
    drives : int
        Their number.
    """

    mean_m: tuple[float, float]
    sd_m: tuple[float, float]
    drives: int

    @property
    def distance_m(self) -> float:
        """Distance of the centre from the mark."""
        return math.hypot(*self.mean_m)


@dataclass(frozen=True)
class Pattern:
    """How the ends of one way round lie: both errors move them along one line, and neither across it.

    Attributes
    ----------
    along_m : Estimate
        What the two errors make: x + y of right-hand drives, x - y of left-hand ones.
    across_m : Estimate
        What they do not: x - y of right-hand drives, x + y of left-hand ones. Near zero, unless something
        else moves the ends, or an axis, or the way round, is not what the sheet says.
    second_m : tuple of float
        What the linearisation may leave across, and along if an axis is the other way: a share of what lies
        along, and across, in the way round where it is more. With two equal errors the ends of one way lie at
        the spot to first order, and all that is to be seen there is of second order.
    """

    along_m: Estimate
    across_m: Estimate
    second_m: tuple[float, float]

    def broken(self, confidence: float) -> bool:
        """Return whether something lies across, beyond scatter and what the linearisation leaves.

        The confidence is that of both ways round together.
        """
        return _beyond(self.across_m, self.second_m[0], confidence)

    def mirrored(self, confidence: float) -> bool:
        """Return whether it is broken, and would not be with one axis the other way."""
        return self.broken(confidence) and not _beyond(self.along_m, self.second_m[1], confidence)


@dataclass(frozen=True)
class SquareResult:
    """What square drives show.

    Attributes
    ----------
    right, left : Ends
        Where they ended.
    alpha_rad : Estimate
        Type A: how much less than 90 degrees each turn really is.
    beta_rad : Estimate
        Type B: how much a side believed straight bends to the left.
    scatter_rad : Spread
        Of alpha + beta from drive to drive: neither can vary more by itself.
    largest_m : float
        The larger distance of the two centres, the published measure of systematic error.
    noise_m : float
        Three standard errors of a centre, below which a systematic error does not show.
    pattern : dict
        How the ends of each way round ("right", "left") lie.
    """

    right: Ends
    left: Ends
    alpha_rad: Estimate
    beta_rad: Estimate
    scatter_rad: Spread
    largest_m: float
    noise_m: float
    pattern: dict[str, Pattern]

    @property
    def pattern_broken(self) -> tuple[str, ...]:
        """Ways round whose ends do not lie as the two errors would have them."""
        return tuple(way for way, lie in self.pattern.items() if lie.broken(SUSPECTED))


@dataclass(frozen=True)
class WheelCorrection:
    """Corrections for a heading made from the two wheels.

    Attributes
    ----------
    diameter_ratio : float
        Right wheel over left wheel, E_d.
    track_ratio : float
        True effective track over the nominal one, E_b.
    track_m : float
        Corrected track width.
    left, right : float
        Factors for the distance counted by the wheels, c_L and c_R; their mean distance stays the same.
    """

    diameter_ratio: float
    track_ratio: float
    track_m: float
    left: float
    right: float


def square_result(
    side_m: float, right_m: FloatArray, left_m: FloatArray, rounding_m: float = 0.0
) -> SquareResult:
    """Return what the ends of square drives show.

    Parameters
    ----------
    side_m : float
        Side of the square, above 0.
    right_m, left_m : ndarray, shape (n, 2)
        Real less believed end of every right-hand (clockwise) and left-hand drive, two or more each: x along
        the first side, y to the left of it.
    rounding_m : float
        Standard deviation of each of these numbers from reading it to so many digits.

    Raises
    ------
    ModelError
        If the side is not positive, or there are fewer than two drives either way.
    """
    if not (math.isfinite(side_m) and side_m > 0.0):
        raise ModelError(f"side_m must be above 0, got {side_m!r}")
    right_m, left_m = np.atleast_2d(right_m), np.atleast_2d(left_m)
    # Each way round both errors move x and y alike: one number per drive holds what there is to see.
    right, right_sd = mean_and_spread(right_m[:, 0] + right_m[:, 1], math.sqrt(2.0) * rounding_m)
    left, left_sd = mean_and_spread(left_m[:, 0] - left_m[:, 1], math.sqrt(2.0) * rounding_m)
    per = -1.0 / (8.0 * side_m)
    freedom = right_sd.freedom + left_sd.freedom
    pooled = math.sqrt((right_sd.freedom * right_sd.value**2 + left_sd.freedom * left_sd.value**2) / freedom)
    ends_right, ends_left = _ends(right_m), _ends(left_m)
    sd_single = math.sqrt(np.mean(np.square([*ends_right.sd_m, *ends_left.sd_m])))
    fewest = min(ends_right.drives, ends_left.drives)
    return SquareResult(
        right=ends_right,
        left=ends_left,
        alpha_rad=combined([(per, right), (per, left)]),
        beta_rad=combined([(per, right), (-per, left)]),
        scatter_rad=Spread(pooled / (4.0 * side_m), freedom),
        largest_m=max(ends_right.distance_m, ends_left.distance_m),
        noise_m=3.0 * max(sd_single / math.sqrt(fewest), rounding_m),
        pattern=_patterns(right_m, left_m, rounding_m),
    )


def _ends(points_m: FloatArray) -> Ends:
    mean, sd = points_m.mean(axis=0), points_m.std(axis=0, ddof=1)
    return Ends((float(mean[0]), float(mean[1])), (float(sd[0]), float(sd[1])), len(points_m))


def _patterns(right_m: FloatArray, left_m: FloatArray, rounding_m: float) -> dict[str, Pattern]:
    """Return how the ends lie. Left is right in a mirror, so that both show one scatter."""
    left_m = left_m * (1.0, -1.0)
    freedom = len(right_m) + len(left_m) - 2

    def scatter(axis: tuple[float, float]) -> float:
        off = np.concatenate([(m - m.mean(axis=0)) @ axis for m in (right_m, left_m)])
        return math.sqrt(float(off @ off) / freedom)

    along, across = scatter((1.0, 1.0)), scatter((1.0, -1.0))
    means = {"right": right_m.mean(axis=0), "left": left_m.mean(axis=0)}
    second = (
        SECOND_ORDER * max(abs(float(m[0] + m[1])) for m in means.values()),
        SECOND_ORDER * max(abs(float(m[0] - m[1])) for m in means.values()),
    )
    found = {}
    for way, drives in (("right", len(right_m)), ("left", len(left_m))):
        x, y = (float(m) for m in means[way])
        errors = (max(sd / math.sqrt(drives), math.sqrt(2.0) * rounding_m) for sd in (along, across))
        along_m, across_m = (
            Estimate(m, error, freedom) for m, error in zip((x + y, x - y), errors, strict=True)
        )
        found[way] = Pattern(along_m, across_m, second)
    return found


def _beyond(number_m: Estimate, second_m: float, confidence: float) -> bool:
    factor = t_factor(each_of(2, confidence), number_m.freedom)
    return abs(number_m.value) > factor * number_m.error + second_m


def heading_scale(alpha_rad: Estimate) -> Estimate:
    """Return the gyro's scale g, with true turn = measured / (1 + g), from the error of each turn.

    A turn that measures 90 degrees really is 90 degrees - alpha, so 1 + g = 90 / (90 - alpha): what the
    method calls E_b.
    """
    right = 0.5 * math.pi
    left_over = right - alpha_rad.value
    return Estimate(alpha_rad.value / left_over, right / left_over**2 * alpha_rad.error, alpha_rad.freedom)


def heading_bias(beta_rad: Estimate, lap_time_s: float) -> Estimate:
    """Return the gyro's rate bias from the bend of a side; positive reads too much. [rad/s]

    A bias that reads too much bends a side believed straight to the right. It acts in the turns as
    well, which to first order has the same effect as if it acted along the sides, so a quarter of the
    lap's time counts for each.
    """
    return beta_rad.times(-4.0 / lap_time_s)


def wheel_correction(side_m: float, track_m: float, alpha_rad: float, beta_rad: float) -> WheelCorrection:
    r"""Return the published corrections of a differential drive without a gyro.

    Parameters
    ----------
    side_m, track_m : float
        Side of the square, and the track width that the robot's code believes.
    alpha_rad, beta_rad : float
        The two errors.

    Notes
    -----
    :math:`R = (L/2) / \sin(\beta/2)`, :math:`E_d = (R + b/2) / (R - b/2)` with the corrected track *b*,
    :math:`E_b = 90^\circ / (90^\circ - \alpha)`, :math:`c_L = 2 / (E_d + 1)`,
    :math:`c_R = 2 / (1/E_d + 1)` (Borenstein and Feng 1996). A bend of zero gives :math:`E_d = 1`.
    """
    track_ratio = 0.5 * math.pi / (0.5 * math.pi - alpha_rad)
    actual_m = track_ratio * track_m
    # b / (2 R), which is finite for a straight side where R is not.
    half_bend = actual_m * math.sin(0.5 * beta_rad) / side_m
    ratio = (1.0 + half_bend) / (1.0 - half_bend)
    return WheelCorrection(ratio, track_ratio, actual_m, 2.0 / (ratio + 1.0), 2.0 / (1.0 / ratio + 1.0))
