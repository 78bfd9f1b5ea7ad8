"""Predicted success, and how far a source may grow by covariance."""

from __future__ import annotations

import math
from statistics import NormalDist
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from driftgate.judge.growth import MOST, grown_cov, normal_points, predicted_factor, predicted_success
from driftgate.schema.routine import Tolerance

NIST = pytest.mark.evidence(
    source="NIST/SEMATECH e-Handbook 1.3.6.7.1; 1 - exp(-k²/2)",
    compares="predicted success; how far one source may grow",
    tolerance="0.002; 0.5 %",
)

POINTS = normal_points()
# The probability of a region by 32768 even points.
FINE = 0.001


def moment(heading_deg: float = 0.0, required: float = 0.95, **within: Any) -> Any:
    """Return what the prediction needs of a moment."""
    tolerance = Tolerance.model_validate(within)
    return SimpleNamespace(pose=(0.0, 0.0, math.radians(heading_deg)), within=tolerance, required=required)


def diagonal(x: float, y: float, heading: float = 1e-3) -> np.ndarray:
    """Return a covariance of independent axes."""
    return np.diag([x * x, y * y, heading * heading])


def test_law_the_first_points_by_hand() -> None:
    """Multiples of the powers of 1 / g, g^4 = g + 1, from a half on; each in all eight octants."""
    g = 1.22074408460575947536
    assert g**4 == pytest.approx(g + 1.0, rel=1e-15)
    found = normal_points(2)
    assert found.shape == (16, 3)
    for n in (1, 2):
        size = [abs(NormalDist().inv_cdf((0.5 + n / g**k) % 1.0)) for k in (1, 2, 3)]
        octants = found[8 * (n - 1) : 8 * n]
        assert np.abs(octants) == pytest.approx(np.array([size] * 8), rel=1e-9)
        assert len({tuple(row) for row in np.sign(octants).tolist()}) == 8


def test_law_points_are_normal() -> None:
    """The points have no mean and no correlation, and variances of 1 to half a per cent.

    Half a per cent of a variance moves a factor on a spread by a quarter of a per cent at most.
    """
    assert POINTS.mean(axis=0) == pytest.approx(np.zeros(3), abs=1e-12)
    found = np.cov(POINTS.T)
    assert np.diag(found) == pytest.approx(np.ones(3), abs=0.005)
    assert found - np.diag(np.diag(found)) == pytest.approx(np.zeros((3, 3)), abs=1e-12)


# Two-sided normal quantiles (NIST/SEMATECH e-Handbook 1.3.6.7.1), the share of a normal of two components
# inside k of its standard deviations, 1 - exp(-k^2 / 2), and R50 = 1.1774, R95 = 2.4477 that follow from it.
@NIST
@pytest.mark.parametrize(
    ("within", "wanted"),
    [
        ({"x": "19.600 mm"}, 0.95),
        ({"x": "25.758 mm"}, 0.99),
        ({"radial": "11.774 mm"}, 0.5),
        ({"radial": "24.477 mm"}, 0.95),
        ({"radial": "10 mm"}, 0.393469),
        ({"radial": "20 mm"}, 0.864665),
        ({"radial": "30 mm"}, 0.988891),
        ({"x": {"low": "-12.816 mm"}}, 0.90),
        ({"x": "19.600 mm", "y": "19.600 mm"}, 0.95**2),
        ({"along": "19.600 mm", "across": "19.600 mm"}, 0.95**2),
    ],
)
def test_ref_success_inside_a_tolerance(within: dict[str, Any], wanted: float) -> None:
    """With 10 mm on both axes the published quantiles give their probabilities."""
    found = predicted_success(moment(33.0, **within), np.zeros(3), diagonal(0.01, 0.01), POINTS)
    assert found == pytest.approx(wanted, abs=2.0 * FINE)


def test_law_mean_and_direction_count() -> None:
    """A mean at the limit leaves half; along a heading of 90 degrees the field's y is asked for."""
    cov = diagonal(1e-5, 0.01)
    at_limit = predicted_success(moment(y="10 cm"), np.array([0.0, 0.1, 0.0]), cov, POINTS)
    assert at_limit == pytest.approx(0.5, abs=FINE)
    ahead, sideways = (
        predicted_success(moment(90.0, **{axis: "10 mm"}), np.zeros(3), cov, POINTS)
        for axis in ("along", "across")
    )
    assert (ahead, sideways) == (pytest.approx(0.6827, abs=2.0 * FINE), 1.0)


def test_law_correlation_counts() -> None:
    """Axes that move together pass together: full correlation gives the probability of one axis."""
    together = np.array([[1e-4, 1e-4, 0.0], [1e-4, 1e-4, 0.0], [0.0, 0.0, 1e-6]])
    found = predicted_success(moment(x="19.6 mm", y="19.6 mm"), np.zeros(3), together, POINTS)
    assert found == pytest.approx(0.95, abs=2.0 * FINE)


def sources(**parts: np.ndarray) -> Any:
    """Return a covariance answer at one moment, made of sources."""
    total = np.sum(list(parts.values()), axis=0)
    return SimpleNamespace(moments=(SimpleNamespace(mean=np.zeros(3), cov=total, by_source=parts),))


# Radii about an elliptical normal, larger spread 1: polar integral of its density, by quadrature (derived).
@pytest.mark.evidence(
    source="bivariate normal, polar integral (derived)",
    compares="predicted success in a radius, spreads 1:2, 1:4",
    tolerance="0.002",
)
@pytest.mark.parametrize(
    ("ratio", "radius", "wanted"),
    [
        (0.5, 0.87042, 0.50),
        (0.5, 1.73708, 0.90),
        (0.5, 2.03586, 0.95),
        (0.5, 2.63257, 0.99),
        (0.25, 0.72543, 0.50),
        (0.25, 1.66461, 0.90),
        (0.25, 1.97651, 0.95),
        (0.25, 2.58839, 0.99),
    ],
)
def test_ref_radii_of_an_elliptical_normal(ratio: float, radius: float, wanted: float) -> None:
    """A radius holds its share whichever way the ellipse lies; 2.4477 times the mean spread would not."""
    within = {"radial": f"{10.0 * radius!r} mm"}
    cov = diagonal(0.01, 0.01 * ratio)
    c, s = math.cos(0.7), math.sin(0.7)
    turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    for turned in (cov, turn @ cov @ turn.T):
        found = predicted_success(moment(**within), np.zeros(3), turned, POINTS)
        assert found == pytest.approx(wanted, abs=2.0 * FINE)


@NIST
def test_ref_factor_of_a_lone_source() -> None:
    """A spread of 5 mm may grow to 20 mm / 1.95996 before 95 % leave a tolerance of 20 mm: by 2.0408."""
    found = sources(start=diagonal(0.005, 1e-6))
    factor = predicted_factor((moment(x="20 mm"),), found, "start", POINTS)
    assert factor == pytest.approx(0.02 / 1.959964 / 0.005, rel=0.005)


def test_law_factor_beside_others() -> None:
    """Beside a source of 6 mm, one of 2 mm may grow to what 20 / 1.96 = 10.2 mm leave, squared."""
    found = sources(one=diagonal(0.002, 1e-6), other=diagonal(0.006, 1e-6))
    factor = predicted_factor((moment(x="20 mm"),), found, "one", POINTS)
    assert factor == pytest.approx(math.sqrt((0.02 / 1.959964) ** 2 - 0.006**2) / 0.002, rel=0.01)


def test_law_factor_without_end_and_without_start() -> None:
    """A source across the tolerance may grow beyond ten times; a broken tolerance holds nothing up."""
    across = sources(one=diagonal(1e-6, 0.002), other=diagonal(0.006, 1e-6))
    assert predicted_factor((moment(x="20 mm"),), across, "one", POINTS) is None
    assert predicted_factor((moment(x="1 mm"),), across, "other", POINTS) is None
    assert predicted_factor((moment(x="20 mm"),), across, "no such source", POINTS) is None
    assert grown_cov(across.moments[0], "one", MOST)[1, 1] == pytest.approx(0.02**2 + 1e-12)
