"""Validity tests of a reading, as array kernels.

The sight stage calls them with arrays over the readings of a sensor, the trials engine with arrays
over the trials of one reading. A beam is (px, py), the unit direction (ux, uy) and the expected
range; everything broadcasts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.schema.correction import Validity
from driftgate.schema.sensor import Sensor
from driftgate.sight.values import Reason
from driftgate.world.distance import point_to_segment, segment_to_segment
from driftgate.world.rays import Values

BoolArray = NDArray[np.bool_]

# A motion that cruises exactly at a limit keeps it, whatever the rounding of its profile.
_ROUNDING = 1.0 + 1e-9


@dataclass(frozen=True)
class ReadingLimits:
    """What a reading of one sensor must keep to; a test that is not made has an infinite limit.

    Attributes
    ----------
    reference : bool
        The surface must be a reference surface.
    low_m, high_m : float
        Expected range. [m]
    incidence_rad : float
        Largest incidence. [rad]
    corridor_m : float
        Margin to either side of the sight line, -inf without the test. [m]
    edge_margin_m : float
        Least distance of the hit from the ends of the surface. [m]
    speed_m_s, turn_rate_rad_s : float
        Largest nominal speed and turn rate. [m/s, rad/s]
    """

    reference: bool
    low_m: float
    high_m: float
    incidence_rad: float
    corridor_m: float
    edge_margin_m: float
    speed_m_s: float
    turn_rate_rad_s: float


def reading_limits(sensor: Sensor, validity: Validity) -> ReadingLimits:
    """Return the limits of a sensor's readings: the validity tests, and what the sensor can do at all.

    The sensor's own reach and echo limit bound range and incidence whether or not those tests are
    made: beyond them no fix is possible.
    """
    inf = float("inf")
    tested = validity.range
    return ReadingLimits(
        reference=validity.reference,
        low_m=sensor.reach.low if tested is None else max(tested.low, sensor.reach.low),
        high_m=sensor.reach.high if tested is None else min(tested.high, sensor.reach.high),
        incidence_rad=min(_or(validity.incidence, inf), sensor.echo_limit),
        corridor_m=_or(validity.corridor, -inf),
        edge_margin_m=validity.edge_margin,
        speed_m_s=_or(validity.speed, inf),
        turn_rate_rad_s=_or(validity.turn_rate, inf),
    )


def _or(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value


def out_of_range(range_m: Values, limits: ReadingLimits) -> BoolArray:
    """Return whether an expected range is outside the limits, which are allowed themselves."""
    return np.asarray((range_m < limits.low_m) | (range_m > limits.high_m))


def too_oblique(incidence_rad: Values, limits: ReadingLimits) -> BoolArray:
    """Return whether a surface is met at more than the largest incidence."""
    return np.asarray(incidence_rad > limits.incidence_rad)


def corridor_blocked_by_disc(
    px: Values,
    py: Values,
    ux: Values,
    uy: Values,
    range_m: Values,
    cx: Values,
    cy: Values,
    radius_and_margin_m: Values,
) -> BoolArray:
    """Return whether a disc comes within the margin of the line from the sensor to the expected hit.

    Parameters
    ----------
    px, py, ux, uy, range_m : ndarray or float
        Beam and expected range. [m]
    cx, cy : ndarray or float
        Centre of the disc. [m]
    radius_and_margin_m : ndarray or float
        Radius plus margin; touching counts. [m]

    Returns
    -------
    ndarray of bool
        Whether the corridor is blocked.
    """
    away = point_to_segment(cx, cy, px, py, px + range_m * ux, py + range_m * uy)
    return np.asarray(away <= radius_and_margin_m)


def corridor_blocked_by_segment(
    px: Values,
    py: Values,
    ux: Values,
    uy: Values,
    range_m: Values,
    ax: Values,
    ay: Values,
    bx: Values,
    by: Values,
    margin_m: Values,
) -> BoolArray:
    """Return whether a segment comes within the margin of the line from the sensor to the expected hit.

    Parameters
    ----------
    px, py, ux, uy, range_m : ndarray or float
        Beam and expected range. [m]
    ax, ay, bx, by : ndarray or float
        End points of the segment. [m]
    margin_m : ndarray or float
        Margin; touching counts, so that a margin of zero asks for a free line. [m]

    Returns
    -------
    ndarray of bool
        Whether the corridor is blocked.
    """
    away = segment_to_segment(px, py, px + range_m * ux, py + range_m * uy, ax, ay, bx, by)
    return np.asarray(away <= margin_m)


def near_edge_end(
    px: Values,
    py: Values,
    ux: Values,
    uy: Values,
    range_m: Values,
    ax: Values,
    ay: Values,
    bx: Values,
    by: Values,
    margin_m: Values,
) -> BoolArray:
    """Return whether the expected hit is nearer than the margin to an end of the expected surface.

    Parameters
    ----------
    px, py, ux, uy, range_m : ndarray or float
        Beam and expected range. [m]
    ax, ay, bx, by : ndarray or float
        End points of the surface. [m]
    margin_m : ndarray or float
        Margin; zero makes no test. [m]

    Returns
    -------
    ndarray of bool
        Whether the hit is too near an end.
    """
    hx, hy = px + range_m * ux, py + range_m * uy
    end = np.minimum(np.hypot(hx - ax, hy - ay), np.hypot(hx - bx, hy - by))
    return np.asarray(end < margin_m)


def too_fast(rate: FloatArray, limits: ReadingLimits) -> BoolArray:
    """Return whether nominal body rates, shape (..., 3), exceed the largest speed."""
    return np.asarray(np.hypot(rate[..., 0], rate[..., 1]) > limits.speed_m_s * _ROUNDING)


def turning(rate: FloatArray, limits: ReadingLimits) -> BoolArray:
    """Return whether nominal body rates, shape (..., 3), exceed the largest turn rate."""
    return np.asarray(np.abs(rate[..., 2]) > limits.turn_rate_rad_s * _ROUNDING)


def first_failed(tests: Sequence[tuple[Reason, BoolArray]]) -> NDArray[np.int8]:
    """Return the reason of the first test that failed, USABLE where none did.

    Parameters
    ----------
    tests : sequence of (Reason, ndarray of bool)
        In the order they are made; True where the test failed. Arrays broadcast.
    """
    reason = np.full(np.broadcast_shapes(*(failed.shape for _, failed in tests)), Reason.USABLE, np.int8)
    for name, failed in reversed(tests):
        reason = np.where(failed, np.int8(name), reason)
    return reason
