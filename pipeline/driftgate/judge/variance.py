"""Where the variance along one axis comes from, by the covariance engine."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.judge.values import SourceShare, VarianceShares
from driftgate.predict.sources import LATENCY
from driftgate.predict.values import MomentCovariance, SourceInfo


def mean_along(mean: FloatArray, axis: str, heading_rad: float) -> float:
    """Return a mean error along one axis; radial: its size. [m or rad]"""
    c, s = math.cos(heading_rad), math.sin(heading_rad)
    return {
        "x": float(mean[0]),
        "y": float(mean[1]),
        "along": float(c * mean[0] + s * mean[1]),
        "across": float(c * mean[1] - s * mean[0]),
        "radial": math.hypot(float(mean[0]), float(mean[1])),
        "heading": float(mean[2]),
    }[axis]


def variance_along(cov: FloatArray, axis: str, heading_rad: float) -> float:
    """Return the variance of one axis of a field-axes covariance. [m² or rad²]

    Radial has no single direction: it is given the sum of both variances, the mean square distance
    about the mean.
    """
    if axis == "radial":
        return float(cov[0, 0] + cov[1, 1])
    direction = direction_of(axis, heading_rad, np.zeros(3))
    return float(direction @ cov @ direction)


def direction_of(axis: str, heading_rad: float, error: FloatArray) -> FloatArray:
    """Return the unit vector (x, y, heading) of an axis; radial: where an error (3,) points to, or x."""
    c, s = math.cos(heading_rad), math.sin(heading_rad)
    size = math.hypot(float(error[0]), float(error[1]))
    away = (float(error[0]) / size, float(error[1]) / size, 0.0) if size > 0.0 else (1.0, 0.0, 0.0)
    directions = {
        "x": (1.0, 0.0, 0.0),
        "y": (0.0, 1.0, 0.0),
        "along": (c, s, 0.0),
        "across": (-s, c, 0.0),
        "radial": away,
        "heading": (0.0, 0.0, 1.0),
    }
    return np.array(directions[axis])


# The square of a mean is named beside the sources of the variance from this share of it on. (Our choice.)
_SHIFT_AT_LEAST = 0.1


@dataclass(frozen=True)
class Shift:
    """A source whose mean is among the largest contributions along an axis, and that mean. [m or rad]"""

    name: str
    title: str
    mean: float

    @property
    def late(self) -> bool:
        """Whether it is the age of the readings, which has no spread."""
        return self.name == LATENCY


def shift_of(
    moment: MomentCovariance, sources: tuple[SourceInfo, ...], axis: str, heading_rad: float
) -> Shift | None:
    """Return the source with the largest mean along an axis, where that is among the largest contributions.

    Its square is then no less than the second largest share of the variance, and a tenth of the variance.
    """
    shares = variance_shares(moment, sources, axis, heading_rad)
    parts = {
        name: mean_along(mean, axis, heading_rad)
        for name, mean in moment.mean_by_source.items()
        if name != "known"
    }
    name = max(parts, key=lambda n: abs(parts[n]), default="")
    if shares is None or not name:
        return None
    second = shares.sources[1].share if len(shares.sources) > 1 else 0.0
    if parts[name] ** 2 < max(second, _SHIFT_AT_LEAST) * shares.sd**2:
        return None
    title = next((source.title for source in sources if source.name == name), name.replace("_", " "))
    return Shift(name, title, parts[name])


def variance_shares(
    moment: MomentCovariance, sources: tuple[SourceInfo, ...], axis: str, heading_rad: float
) -> VarianceShares | None:
    """Return the error sources' shares along an axis, largest first; None without any variance."""
    total = variance_along(moment.cov, axis, heading_rad)
    if not (math.isfinite(total) and total > 0.0):
        return None
    known = {source.name: source for source in sources}
    found = []
    for name, cov in moment.by_source.items():
        info = known.get(name, SourceInfo(name, name.replace("_", " "), "guess", ""))
        share = variance_along(cov, axis, heading_rad) / total
        found.append(SourceShare(name, info.title, info.basis, info.constant_over, share))
    found.sort(key=lambda source: (-source.share, source.name))
    return VarianceShares(
        sd=math.sqrt(total),
        guessed=variance_along(moment.guessed, axis, heading_rad) / total,
        between_fields=variance_along(moment.between_fields, axis, heading_rad) / total,
        sources=tuple(found),
    )
