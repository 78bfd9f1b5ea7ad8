"""How well the numbers of an error source are known that were fitted from measured runs, and from which."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from pydantic import Field

from driftgate.schema.accepted import Day
from driftgate.schema.base import AngleSize, Model, Size, Text
from driftgate.schema.quantity import Quantity

_RatioSize = Annotated[float, Quantity("ratio", low=0.0, high=0.5)]
_RateSize = Annotated[float, Quantity("turn rate", low=0.0, high=1.0)]
_TimeSize = Annotated[float, Quantity("time", low=0.0, high=1.0)]
_PerTurnSize = Annotated[float, Quantity("length per turn", low=0.0, high=0.5)]


class Provenance(Model):
    """Where fitted numbers come from."""

    runs: Annotated[int, Field(ge=1, le=100_000, description="how many runs, drives or windows")]
    first_day: Annotated[date, Day()] | None = None
    last_day: Annotated[date, Day()] | None = None
    files: Annotated[list[Text], Field(max_length=200, description="the logs or sheets")] = []


class Fitted(Provenance):
    """Where fitted numbers come from, and how far to trust them.

    `freedom` is the degrees of freedom behind the spread or intensity (and behind the standard error of the
    mean): six runs of which the mean was taken off have five. Each trial then draws the spread from
    what those runs leave possible; without it the spread is taken as known.
    """

    freedom: Annotated[float, Field(ge=1.0, le=1e9)] | None = None


Correlation = Annotated[float, Field(ge=-1.0, le=1.0)]


class GoesWith(Model):
    """How the error of this mean goes with those of others: correlations from -1 to 1.

    Some drives show two numbers together better than each: then one of them is too large where the other is.
    Each pair is said once.
    """

    distance_scale: Correlation | None = None
    sideways_scale: Correlation | None = None
    wheel_offset: Correlation | None = None
    crab_angle: Correlation | None = None
    heading_bias: Correlation | None = None
    heading_scale: Correlation | None = None
    heading_latency: Correlation | None = None
    lateral_slip: Annotated[Correlation | None, Field(description="its per_turn")] = None

    def pairs(self) -> dict[str, float]:
        """Return the correlations that are given, by source."""
        return {name: value for name, value in self if value is not None}


class _Together(Fitted):
    """With what else of the odometry the error of its mean goes."""

    goes_with: GoesWith | None = None


class FittedRatio(Fitted):
    """With the standard error of the mean."""

    mean_error: _RatioSize = 0.0


class FittedLength(Fitted):
    """With the standard error of the mean."""

    mean_error: Size = 0.0


class FittedAngle(Fitted):
    """With the standard error of the mean."""

    mean_error: AngleSize = 0.0


class FittedRate(Fitted):
    """With the standard error of the mean."""

    mean_error: _RateSize = 0.0


class FittedTime(Fitted):
    """With the standard error of the mean."""

    mean_error: _TimeSize = 0.0


class DriftRatio(FittedRatio, _Together):
    """Of a constant of the odometry."""


class DriftLength(FittedLength, _Together):
    """Of a constant of the odometry."""


class DriftAngle(FittedAngle, _Together):
    """Of a constant of the odometry."""


class DriftRate(FittedRate, _Together):
    """Of a constant of the odometry."""


class DriftTime(FittedTime, _Together):
    """Of a constant of the odometry."""


class FittedSlip(_Together):
    """With the standard errors of both means."""

    per_turn_error: _PerTurnSize = 0.0
    with_speed_error: _TimeSize = 0.0


class FittedSlips(Fitted):
    """How many slips the rate was counted from; `freedom` is what stands behind their size."""

    slips: Annotated[float, Field(gt=0.0, le=1e9)] | None = None


class FittedChance(Provenance):
    """How many readings a probability was counted over; those of one run of false returns count once."""

    readings: Annotated[float, Field(ge=1.0, le=1e12)]
