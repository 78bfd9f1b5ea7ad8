"""Is the filter's own covariance true? Normalised errors against chi-square regions.

Source: Y. Bar-Shalom, X. R. Li and T. Kirubarajan, Estimation with Applications to Tracking and
Navigation (2001), section 5.4.2: with N independent runs of n components, N times the mean normalised
estimation error squared is chi-square with N n degrees of freedom. Two-sided 95 % regions (derived): for
N = 50, n = 3 [2.3597, 3.7160]. Passing is necessary, not sufficient.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

from driftgate.core.pose import FloatArray
from driftgate.predict import Prepared, covariance, run_trials

from .scenes import GUESS, field_map, prepared, range_sensor, robot, tick

NOISE = {"at_zero": "8 mm", "per_range": "0 %", "constant_over": "reading", **GUESS}
START = ("20 mm", "20 mm", "1 deg")


def matched(own: dict[str, Any] | None = None, errors: dict[str, Any] | None = None) -> Prepared:
    """Return a linear case with white errors only, and a filter that knows them (unless told otherwise)."""
    sensors = [
        range_sensor("ahead-left", 0.0, 0.1, 0.0, rate="2 Hz", errors={"noise": NOISE}),
        range_sensor("ahead-right", 0.0, -0.1, 0.0, rate="2 Hz", errors={"noise": NOISE}),
        range_sensor("left", 0.0, 0.0, 90.0, rate="2 Hz", errors={"noise": NOISE}),
    ]
    walks = {
        "distance_walk": tick(per_root_metre="5 mm/sqrt(m)"),
        "lateral_walk": tick(per_root_metre="5 mm/sqrt(m)"),
        "heading_walk": tick(per_root_metre="0.2 deg/sqrt(m)"),
    }
    machine = robot(
        errors if errors is not None else walks,
        sensors=sensors,
        correction={"when": "always", "filter": own or {}},
        controller={"time_constant": "0.3 s", "settle": "0.1 s"},
    )
    steps = [{"do": "advance", "distance": "1.5 m"}, {"do": "look", "time": "1 s"}]
    return prepared(steps, machine, believed=field_map(x=(-2.0, 4.0), y=(-2.0, 2.0)), spread=START)


def nees(case: Prepared, seeds: range) -> FloatArray:
    """Return the normalised estimation error squared at the end, one trial per seed."""
    information = np.linalg.inv(covariance(case).moments[-1].filter_cov)
    errors = np.array([run_trials(case, 1, seed).moments[-1].estimation[0] for seed in seeds])
    return np.einsum("ni,ij,nj->n", errors, information, errors)


def region(runs: int, size: int) -> tuple[float, float]:
    """Return the two-sided 95 % region of the mean."""
    low, high = stats.chi2.ppf([0.025, 0.975], runs * size) / runs
    return float(low), float(high)


@pytest.mark.evidence(
    source="Bar-Shalom, Li, Kirubarajan 2001, 5.4.2",
    compares="regions of mean normalised errors",
    tolerance="5e-5 to 1e-4",
)
def test_ref_regions() -> None:
    """The regions are the published ones; the book prints [1.5, 2.6] for 50 runs of two."""
    assert region(50, 2) == pytest.approx((1.4844, 2.5912), abs=5e-5)
    assert region(50, 1) == pytest.approx((0.6471, 1.4284), abs=5e-5)
    assert region(50, 3) == pytest.approx((2.3597, 3.7160), abs=5e-5)
    assert region(100, 3) == pytest.approx((2.5391, 3.4987), abs=5e-5)
    assert region(1, 3) == pytest.approx((0.2158, 9.3484), abs=5e-5)


def test_mc_matched_filter_is_consistent() -> None:
    """Over 50 seeds the mean normalised error of a filter that knows its errors is inside the region."""
    case = matched()
    assert covariance(case).accepted.sum() > 12
    low, high = region(50, 3)
    assert low <= nees(case, range(1, 51)).mean() <= high


def test_mc_normalised_errors_are_chi_square() -> None:
    """Over 2000 trials they have the chi-square distribution of three degrees of freedom."""
    case = matched()
    information = np.linalg.inv(covariance(case).moments[-1].filter_cov)
    errors = run_trials(case, 2000, seed=3).moments[-1].estimation
    values = np.einsum("ni,ij,nj->n", errors, information, errors)
    assert stats.kstest(values, stats.chi2(3).cdf).pvalue > 1e-3


@pytest.mark.parametrize(
    "own",
    [
        {"range_at_zero": "2 mm"},  # believes its readings four times too much
        {"range_at_zero": "40 mm"},  # five times too little
        {"start_heading": "0.1 deg", "heading_per_root_metre": "0 deg/sqrt(m)"},
    ],
    ids=["overconfident", "underconfident", "heading taken for granted"],
)
def test_mc_mistuned_filter_fails(own: dict[str, Any]) -> None:
    """A filter with wrong numbers leaves the region."""
    low, high = region(50, 3)
    mean = nees(matched(own), range(1, 51)).mean()
    assert not low <= mean <= high


def test_law_true_covariance_of_a_matched_filter_is_its_own() -> None:
    """The covariance engine says of a matched filter what the filter says of itself."""
    moment = covariance(matched()).moments[-1]
    # The filter lumps a tick's lateral walk; the truth integrates it along the tick (1e-3 of it).
    assert moment.estimation_cov == pytest.approx(moment.filter_cov, rel=5e-3, abs=1e-9)


def test_law_mistuned_filter_says_less_than_the_truth() -> None:
    """An overconfident filter's own covariance is smaller than the true one in every direction it reads."""
    moment = covariance(matched({"range_at_zero": "2 mm"})).moments[-1]
    assert np.all(np.diag(moment.estimation_cov)[:2] > 2.0 * np.diag(moment.filter_cov)[:2])
