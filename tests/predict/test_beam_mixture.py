"""The readings of a sensor against the published beam mixture.

Source: S. Thrun, W. Burgard and D. Fox, Probabilistic Robotics (2005), section 6.3, table 6.1: a reading z of
a surface z* away comes from::

    z_hit eta N(z; z*, sigma^2) on [0, zmax] + z_short eta_s lambda exp(-lambda z) on [0, z*]
    + z_max at zmax + z_rand / zmax on [0, zmax]

with eta = 1 / (Phi((zmax - z*) / sigma) - Phi(-z* / sigma)), eta_s = 1 / (1 - exp(-lambda z*)) and weights
that add up to 1. The reading at zmax is a missed echo: here a dropout, which gives no reading.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate, stats

from driftgate.core.pose import FloatArray

from .scenes import GUESS, field_map, prepared, range_sensor, robot
from .test_cones import echoes_of

Z, Z_MAX, SIGMA, RATE = 2.0, 5.0, 0.1, 0.8
HIT, SHORT, MAX, RANDOM = 0.7, 0.1, 0.05, 0.15
READING = {"constant_over": "reading", **GUESS}


def density(z: FloatArray | float) -> FloatArray:
    """Return the published density, without the point mass at zmax."""
    z = np.asarray(z, dtype=float)
    eta = 1.0 / (stats.norm.cdf((Z_MAX - Z) / SIGMA) - stats.norm.cdf(-Z / SIGMA))
    eta_short = 1.0 / (1.0 - math.exp(-RATE * Z))
    inside = (z >= 0.0) & (z <= Z_MAX)
    hit = eta * stats.norm.pdf(z, Z, SIGMA)
    short = np.where(z <= Z, eta_short * RATE * np.exp(-RATE * z), 0.0)
    return np.where(inside, HIT * hit + SHORT * short + RANDOM / Z_MAX, 0.0)


@pytest.mark.evidence(
    source="Thrun, Burgard, Fox 2005, 6.3 (numbers derived)",
    compares="beam mixture: density, total probability",
    tolerance="5e-9",
)
def test_ref_density_of_the_mixture() -> None:
    """The density at 1, 2 and 3 m, the short normaliser and the total probability (derived)."""
    assert density(1.0) == pytest.approx(0.07503967, abs=5e-9)
    assert density(2.0) == pytest.approx(2.84283359, abs=5e-9)
    assert density(3.0) == pytest.approx(0.03, abs=5e-9)
    assert 1.0 / (1.0 - math.exp(-RATE * Z)) == pytest.approx(1.25297035, abs=5e-9)
    total = sum(
        integrate.quad(density, a, b, epsabs=1e-12)[0]
        for a, b in ((0.0, 1.0), (1.0, 2.0), (2.0, 3.0), (3.0, Z_MAX))
    )
    assert total + MAX == pytest.approx(1.0, abs=1e-9)


def mixture_readings(monkeypatch: pytest.MonkeyPatch, share: float = 1.0) -> FloatArray:
    """Return readings of a sensor whose sources are set to the mixture's weights; nan for a lost one.

    A dropout overrides a random reading, that one a short one, and that one the hit.
    """
    p_random = RANDOM / (1.0 - MAX)
    p_short = share * SHORT / (1.0 - MAX - RANDOM)
    sensor = range_sensor(
        "front",
        0.0,
        0.0,
        0.0,
        reach={"low": "0 m", "high": f"{Z_MAX!r} m"},
        rate="20 Hz",
        errors={
            "noise": {"at_zero": f"{SIGMA!r} m", **READING},
            "dropout": {"probability": f"{100 * MAX!r} %", **READING},
            "random_return": {"probability": f"{100 * p_random!r} %", **READING},
            "short_return": {
                "probability": f"{100 * p_short!r} %",
                "distance": f"{1.0 / RATE!r} m",
                "distance_from": "sensor",
                **READING,
            },
        },
    )
    case = prepared(
        [{"do": "look", "time": "5 s"}],
        robot(
            sensors=[sensor], correction={"gate": {"sigmas": 3.0}, "update": {"law": "blend", "share": "0 %"}}
        ),
        field_map(x=(-Z, Z), y=(-Z, Z)),
    )
    return np.concatenate([echo.reading_m for echo in echoes_of(monkeypatch, case, 1000)])


def misfit(reading: FloatArray) -> float:
    """Return the p-value of a chi-square test of readings against the mixture, 40 bins and the lost ones."""
    edges = np.unique(np.concatenate([np.linspace(0.0, Z_MAX, 26), np.linspace(1.7, 2.3, 17)]))
    wanted = [integrate.quad(density, a, b, points=[Z] if a < Z < b else None)[0] for a, b in pairwise(edges)]
    counts = np.append(np.histogram(reading[np.isfinite(reading)], edges)[0], np.isnan(reading).sum())
    expected = np.array([*wanted, MAX]) * len(reading)
    assert expected.min() > 5.0
    return float(stats.chi2.sf(np.sum((counts - expected) ** 2 / expected), len(counts) - 1))


def test_mc_readings_have_the_published_distribution(monkeypatch: pytest.MonkeyPatch) -> None:
    """100 000 readings fit the published mixture."""
    assert misfit(mixture_readings(monkeypatch)) > 1e-3


def test_law_the_fit_notices_a_tenth_fewer_short_returns(monkeypatch: pytest.MonkeyPatch) -> None:
    """With nine tenths of the short returns the same test fails."""
    assert misfit(mixture_readings(monkeypatch, 0.9)) < 1e-3
