"""How much of its tolerance each trial uses, axis by axis, and in which trials its event holds.

The judge counts these events; in the trials engine an element that a checkpoint takes is gone where the
checkpoint's own event held.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray, wrap_angles
from driftgate.predict.values import BoolArray, Moment, MomentTrials
from driftgate.schema.routine import AngleBand, Band, Tolerance

# Durations add up with rounding; a routine that takes its limit to the digit is in time. [s]
CLOCK_ROUNDING_S = 1e-9
AXES = ("x", "y", "along", "across", "radial", "heading")


@dataclass(frozen=True)
class AxisLimit:
    """The limits of one axis of a tolerance; None for a free side. [m or rad]"""

    axis: str
    low: float | None
    high: float | None


@dataclass(frozen=True)
class AxisShare:
    """One axis over all trials.

    Attributes
    ----------
    limit : AxisLimit
        The axis and its limits.
    error : ndarray, shape (n,)
        Signed error; radial: distance. [m or rad]
    share : ndarray, shape (n,)
        Share of the tolerance used; at most 1 exactly when inside; infinite for what is no number.
    """

    limit: AxisLimit
    error: FloatArray
    share: FloatArray


@dataclass(frozen=True)
class MomentShares:
    """All axes of one moment over all trials; arrays of shape (n,).

    Attributes
    ----------
    axes : tuple of AxisShare
        In the order of `AXES`.
    joint : ndarray
        The largest share over the axes.
    touched, late : ndarray of bool
        Unintended contact by then; past the time limit.
    own : ndarray of bool
        Inside on all axes, untouched and in time.
    """

    axes: tuple[AxisShare, ...]
    joint: FloatArray
    touched: BoolArray
    late: BoolArray
    own: BoolArray


def limits_of(tolerance: Tolerance) -> tuple[AxisLimit, ...]:
    """Return the limits of every axis that a tolerance names, in the order of `AXES`."""
    found = []
    for axis in AXES:
        wanted = getattr(tolerance, axis)
        if wanted is None:
            continue
        if isinstance(wanted, Band | AngleBand):
            found.append(AxisLimit(axis, wanted.low, wanted.high))
        else:
            found.append(AxisLimit(axis, None if axis == "radial" else -wanted, wanted))
    return tuple(found)


def error_on(axis: str, trials: MomentTrials) -> FloatArray:
    """Return the signed error of each trial on one axis. [m or rad]"""
    if axis == "x":
        return trials.error[:, 0]
    if axis == "y":
        return trials.error[:, 1]
    if axis == "along":
        return trials.along
    if axis == "across":
        return trials.across
    if axis == "radial":
        return np.hypot(trials.error[:, 0], trials.error[:, 1])
    # A full turn too many leaves the robot looking the same way.
    with np.errstate(invalid="ignore"):
        return wrap_angles(trials.error[:, 2])


def share_used(error: FloatArray, low: float | None, high: float | None) -> FloatArray:
    """Return the share of a tolerance that each error uses.

    Parameters
    ----------
    error : ndarray
        Signed errors.
    low, high : float or None
        Limits; None for a free side.

    Returns
    -------
    ndarray
        error / high above zero and error / low below; 0 towards a free side; infinite past a limit
        of zero. A band that leaves out zero is measured from its middle, or, with one free side,
        from zero towards the limit. At most 1 exactly when low <= error <= high; infinite for an
        error that is no finite number.
    """
    error = np.asarray(error, float)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        if low is not None and low > 0.0:
            share = _away_from_zero(error, low, high)
        elif high is not None and high < 0.0:
            share = _away_from_zero(-error, -high, None if low is None else -low)
        else:
            share = np.where(error >= 0.0, _side(error, high), _side(-error, None if low is None else -low))
    outside = np.zeros(error.shape, bool)
    if low is not None:
        outside |= error < low
    if high is not None:
        outside |= error > high
    # A quotient may round onto 1 from either side; the comparison itself decides.
    share = np.where(outside, np.maximum(share, np.nextafter(1.0, 2.0)), np.minimum(share, 1.0))
    return np.where(np.isfinite(error), share, np.inf)


def _side(size: FloatArray, limit: float | None) -> FloatArray:
    if limit is None:
        return np.zeros_like(size)
    if limit == 0.0:
        return np.where(size > 0.0, np.inf, 0.0)
    return size / limit


def _away_from_zero(error: FloatArray, near: float, far: float | None) -> FloatArray:
    """Return the share for a band from `near` > 0 to `far`, or without an end."""
    if far is None:
        return np.where(error > 0.0, near / error, np.inf)
    middle, half = 0.5 * (near + far), 0.5 * (far - near)
    return _side(np.abs(error - middle), half)


def shares_of(moment: Moment, trials: MomentTrials, time_limit_s: float) -> MomentShares:
    """Return how much of its tolerance each trial uses at one moment, and which are inside.

    Parameters
    ----------
    moment : Moment
        The moment.
    trials : MomentTrials
        All trials there.
    time_limit_s : float
        The routine's time limit, held against the trial's own clock at the end. [s]
    """
    axes = []
    for limit in limits_of(moment.within):
        error = error_on(limit.axis, trials)
        axes.append(AxisShare(limit, error, share_used(error, limit.low, limit.high)))
    count = trials.touched.shape[0]
    joint = np.max([axis.share for axis in axes], axis=0) if axes else np.zeros(count)
    # Written so that a clock that is no number is late.
    late = ~(trials.clock_s <= time_limit_s + CLOCK_ROUNDING_S)
    own = (joint <= 1.0) & ~trials.touched & ~late
    return MomentShares(tuple(axes), joint, trials.touched, late, own)
