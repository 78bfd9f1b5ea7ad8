"""Estimates and their intervals, against published quantiles."""

from __future__ import annotations

import math

import pytest

from driftgate.calibrate.estimate import Estimate, Spread, combined, mean_and_spread, t_factor


@pytest.mark.evidence(source="Student's t (from memory)", compares="two-sided 95 % factors", tolerance="1e-6")
def test_ref_t_factors():
    """Student's t, two-sided 95 %: 2.776 for 4 degrees of freedom, 2.228 for 10 (any table; from memory)."""
    assert t_factor(0.95, 4) == pytest.approx(2.776445, abs=1e-6)
    assert t_factor(0.95, 10) == pytest.approx(2.228139, abs=1e-6)
    assert t_factor(0.95, math.inf) == pytest.approx(1.959964, abs=1e-6)


@pytest.mark.evidence(
    source="NIST/SEMATECH e-Handbook 1.3.6.7.4",
    compares="intervals of a standard deviation, of a variance component",
    tolerance="1e-6 to 1e-4 of it",
)
def test_ref_spread_interval():
    """Chi-square, 4 degrees of freedom: 0.484419 and 11.143287 cut off 2.5 % (NIST e-Handbook 1.3.6.7.4)."""
    low, high = Spread(2.0, 4.0).interval(0.95)
    assert low == pytest.approx(2.0 * math.sqrt(4 / 11.143287), rel=1e-6)
    assert high == pytest.approx(2.0 * math.sqrt(4 / 0.484419), rel=1e-6)


@pytest.mark.evidence(
    source="JCGM 100:2008, annex H.1 (components from memory)",
    compares="combined uncertainty, degrees of freedom",
    tolerance="0.05 nm; 0.1",
)
def test_ref_effective_degrees_of_freedom():
    """End-gauge calibration, JCGM 100:2008 annex H.1: 16.7 degrees of freedom (components from memory)."""
    parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    total = combined([(1.0, Estimate(0.0, error, freedom)) for error, freedom in parts])
    assert total.error == pytest.approx(31.67, abs=0.05)
    assert total.freedom == pytest.approx(16.7, abs=0.1)


@pytest.mark.evidence(
    source="worked on paper", compares="mean, area and length of simple things", tolerance="exact to 10 nm"
)
def test_ref_mean_and_spread_by_hand():
    """1, 2, 3: mean 2, standard deviation 1, standard error 1/sqrt(3)."""
    mean, spread = mean_and_spread([1.0, 2.0, 3.0])
    assert (mean.value, spread.value, spread.freedom) == (2.0, 1.0, 2.0)
    assert mean.error == pytest.approx(1 / math.sqrt(3), rel=1e-12)
