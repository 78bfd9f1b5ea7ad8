"""What an engine says of a case, in one shape for both engines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.values import MomentCovariance

ENGINES = ("covariance", "trials")


@dataclass(frozen=True)
class Three:
    """Means at one moment: e (truth in belief), t (belief in plan), x (truth against what is wanted)."""

    e: FloatArray
    t: FloatArray
    x: FloatArray

    def in_mm(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return e, t and x in millimetres and degrees."""
        scale = np.array([1e3, 1e3, np.degrees(1.0)])
        return self.e * scale, self.t * scale, self.x * scale


def known(prepared: Prepared, engine: str) -> dict[str, Three]:
    """Return what an engine says of a case in which nothing is random, by moment."""
    names = [m.name for m in prepared.moments]
    if engine == "covariance":
        found = covariance(prepared).moments
        for moment in found:
            assert np.abs(moment.cov).max() < 1e-18
        return {
            name: Three(m.estimation_mean, m.tracking_mean, m.mean)
            for name, m in zip(names, found, strict=True)
        }
    trials = run_trials(prepared, 3, seed=1).moments
    for moment in trials:
        assert np.ptp(moment.error, axis=0).max() < 1e-15
    return {
        name: Three(m.estimation[0], m.tracking[0], m.error[0]) for name, m in zip(names, trials, strict=True)
    }


def spreads(prepared: Prepared, engine: str, trials: int = 20_000, seed: int = 3) -> dict[str, Three]:
    """Return standard deviations by moment."""
    names = [m.name for m in prepared.moments]
    if engine == "covariance":
        return {
            name: Three(*(np.sqrt(np.diag(c)) for c in (m.estimation_cov, m.tracking_cov, m.cov)))
            for name, m in zip(names, covariance(prepared).moments, strict=True)
        }
    found = run_trials(prepared, trials, seed).moments
    return {
        name: Three(*(v.std(axis=0) for v in (m.estimation, m.tracking, m.error)))
        for name, m in zip(names, found, strict=True)
    }


def by_name(prepared: Prepared) -> dict[str, MomentCovariance]:
    """Return the covariance engine's answer by moment."""
    return dict(zip([m.name for m in prepared.moments], covariance(prepared).moments, strict=True))
