"""Numbers fitted from few runs: predictions that are as wide as they have to be."""

from __future__ import annotations

import math
import sys
from typing import Any

import numpy as np
import pytest
from scipy import stats

from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.doubt import MOST_FACTOR, Doubt, drawn_doubt, factor_key, rate_key
from driftgate.predict.sources import source_table
from driftgate.predict.streams import Streams

from .scenes import prepared, range_sensor, robot, run, tick

GELMAN = pytest.mark.evidence(
    source="Gelman et al. 2013, 3.2 (from memory)",
    compares="prediction from few runs: t; factors on a spread and on a rate",
    tolerance="4.5 standard errors",
)

POORLY = frozenset({"poorly_known"})
LENGTH_M = 2.0


def test_law_what_is_known_imports_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without doubt nothing is drawn, and the library that takes longer than a short run stays out."""
    monkeypatch.setitem(sys.modules, "scipy", None)
    assert drawn_doubt(Doubt(), Streams(1, 0, 8)) == {}
    with pytest.raises(ImportError):
        drawn_doubt(Doubt({"distance_scale": 3.0}, {}, {}), Streams(1, 0, 8))


def straight(errors: dict[str, Any]) -> Prepared:
    """Return two metres ahead, placed perfectly."""
    return prepared([{"do": "advance", "distance": f"{LENGTH_M} m"}], robot(errors))


def scale_of(mean: float, spread: float, runs: int | None) -> dict[str, Any]:
    """Return a distance scale, as fitted from so many runs; None: as if it were known."""
    fitted = {} if runs is None else {"fitted": fits(runs, spread / math.sqrt(runs), "%")}
    return {"distance_scale": run(mean=f"{mean!r} %", spread=f"{spread!r} %", **fitted)}


def fits(runs: int, error: float, unit: str) -> dict[str, Any]:
    """Return what a mean and a spread taken from so many runs leave open."""
    return {"runs": runs, "freedom": runs - 1, "mean_error": f"{error!r} {unit}"}


def ends(case: Prepared, trials: int, seed: int = 1, off: frozenset[str] = frozenset()) -> np.ndarray:
    """Return the error ahead of every trial, in metres."""
    return run_trials(case, trials, seed, off=off).moments[-1].error[:, 0]


@GELMAN
@pytest.mark.parametrize("runs", [4, 6, 60])
def test_ref_prediction_from_few_runs_is_students_t(runs: int) -> None:
    """The prediction from n runs is t with n - 1 degrees of freedom, sqrt(1 + 1/n) wider.

    The predictive distribution of a normal with unknown mean and variance: Gelman et al., Bayesian Data
    Analysis, 3rd ed. 2013, section 3.2 (from memory).
    """
    trials, spread = 40_000, 0.1
    found = ends(straight(scale_of(0.0, spread, runs)), trials) / LENGTH_M * 100.0
    exact = stats.t(runs - 1, scale=spread * math.sqrt(1.0 + 1.0 / runs))
    for p in (0.05, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99):
        below = np.mean(found < exact.ppf(p))
        # True = measured / (1 + scale): the second order moves a quantile by 0.1 % of it.
        assert below == pytest.approx(p, abs=4.5 * math.sqrt(p * (1.0 - p) / trials) + 5e-4), p


def test_mc_six_runs_promise_no_more_than_they_can_keep() -> None:
    """Fitted from six runs again and again, a 90 % prediction holds the seventh run in 90 %.

    Taking the six runs' mean and spread for the truth holds it in 81 % only: 1.645 / sqrt(1 + 1/6) is the
    80.5 % point of t with 5 degrees of freedom (two-sided).
    """
    rng = np.random.default_rng(20240703)
    mean, sd, runs, experiments = 0.3, 0.2, 6, 120
    held: dict[bool, list[float]] = {True: [], False: []}
    for k in range(experiments):
        sample = rng.normal(mean, sd, runs)
        for honest in (True, False):
            case = straight(
                scale_of(float(sample.mean()), float(sample.std(ddof=1)), runs if honest else None)
            )
            low, high = np.quantile(ends(case, 1000, seed=k), [0.05, 0.95])
            # What share of seventh runs ends between the two, exactly.
            bounds = [100.0 * (LENGTH_M / (LENGTH_M + x) - 1.0) for x in (high, low)]
            held[honest].append(float(np.diff(stats.norm.cdf(bounds, mean, sd))[0]))
    honest, naive = np.mean(held[True]), np.mean(held[False])
    error = np.std(held[True]) / math.sqrt(experiments)
    assert honest == pytest.approx(0.90, abs=3.5 * error)
    assert naive < 0.84


def turned(together: float | None, bias: bool = True, scale: bool = True) -> Prepared:
    """Return a quarter turn with a bias and a scale of the heading known to 0.5 deg/s and 1 %."""
    goes = {} if together is None else {"goes_with": {"heading_scale": together}}
    rate, share = 0.5 if bias else 1e-6, 1.0 if scale else 1e-6
    errors = {
        "heading_bias": run(spread="0 deg/s", fitted={"runs": 6, "mean_error": f"{rate} deg/s", **goes}),
        "heading_scale": run(spread="0 %", fitted={"runs": 6, "mean_error": f"{share} %"}),
    }
    return prepared([{"do": "rotate", "angle": "90 deg"}], robot(errors))


@pytest.mark.parametrize("together", [-0.9, 0.4, 1.0])
def test_law_errors_of_means_that_go_together_add_up_as_such(together: float) -> None:
    """In a turn both engines have the variance of a sum: of each, and twice their covariance."""

    def variance(case: Prepared) -> float:
        return float(covariance(case).moments[-1].cov[2, 2])

    bias, scale = variance(turned(None, scale=False)), variance(turned(None, bias=False))
    wanted = bias + scale + 2.0 * together * math.sqrt(bias * scale)
    both = turned(together)
    assert variance(turned(None)) == pytest.approx(bias + scale, rel=1e-3)
    assert variance(both) == pytest.approx(wanted, rel=1e-3)
    found = run_trials(both, 20_000, 1).moments[-1].error[:, 2]
    # Four standard errors of a standard deviation from 20 000 draws.
    assert found.std() == pytest.approx(math.sqrt(wanted), rel=4.0 / math.sqrt(2.0 * 20_000))


def test_law_nothing_goes_together_unless_it_is_said() -> None:
    """Without a word on it, or with a correlation of zero, every trial is what it was."""
    plain, zero = (run_trials(turned(g), 200, 1).moments[-1].error for g in (None, 0.0))
    np.testing.assert_array_equal(plain, zero)


def test_law_sixty_runs_are_narrower_than_six() -> None:
    """The same numbers from ten times as many runs give a narrower prediction."""
    six, sixty, known = (
        np.quantile(np.abs(ends(straight(scale_of(0.0, 0.2, runs)), 20_000)), 0.95) for runs in (6, 60, None)
    )
    assert known < sixty < six
    # t(5) against normal, with the mean's error: 2.571 sqrt(7/6) / 1.960.
    assert six / known == pytest.approx(2.571 * math.sqrt(7 / 6) / 1.960, rel=0.03)


def test_law_switched_off_the_numbers_are_taken_as_they_stand() -> None:
    """Without this source a fitted robot is, bit for bit, the one whose numbers are known."""
    fitted, known = (straight(scale_of(0.2, 0.2, runs)) for runs in (6, None))
    assert np.array_equal(ends(fitted, 500, off=POORLY), ends(known, 500))


def test_law_the_covariance_engine_has_it_as_a_share_of_its_own() -> None:
    """The mean's standard error is a column of its own, and shares add up."""
    found = covariance(straight(scale_of(0.0, 0.2, 6))).moments[-1]
    own = found.by_source["poorly_known"][0, 0]
    assert math.sqrt(own) == pytest.approx(LENGTH_M * 0.002 / math.sqrt(6), rel=1e-6)
    assert np.sum(list(found.by_source.values()), axis=0) == pytest.approx(found.cov, abs=1e-18)


@pytest.mark.parametrize(
    ("errors", "sd"),
    [
        ({"distance_walk": tick(per_root_metre="5 mm/sqrt(m)")}, 0.005 * math.sqrt(LENGTH_M)),
        (
            {"settling": {"along": "5 mm", "heading": "0 deg", "constant_over": "step", "basis": "guess"}},
            None,
        ),
    ],
    ids=["walk", "settling"],
)
def test_law_intensities_are_scaled_once_a_trial(errors: dict[str, Any], sd: float | None) -> None:
    """A fitted intensity makes each trial's noise its known noise times one factor of that trial."""
    (name,) = errors
    fitted = {name: {**errors[name], "fitted": {"runs": 6, "freedom": 5}}}
    table = source_table(straight(fitted).case)
    factor = drawn_doubt(table.doubt, Streams(1, 0, 2000))[factor_key(name)]
    plain, scaled = (ends_of(straight(e)) for e in (errors, fitted))
    assert scaled == pytest.approx(factor * plain, rel=1e-9, abs=1e-12)
    if sd is not None:
        assert plain.std() == pytest.approx(sd, rel=0.08)


def ends_of(case: Prepared) -> np.ndarray:
    """Return where 2000 trials end: the true place for a walk, the believed one for settling."""
    moment = run_trials(case, 2000, 1).moments[-1]
    return moment.error[:, 0]


@GELMAN
@pytest.mark.parametrize("freedom", [1, 2, 5, 40])
def test_ref_factor_is_scaled_inverse_chi_square(freedom: int) -> None:
    """The factor's square is freedom over chi-square, cut where it exceeds its limit."""
    case = straight(
        {"distance_walk": tick(per_root_metre="1 mm/sqrt(m)", fitted={"runs": 9, "freedom": freedom})}
    )
    count = 50_000
    drawn = drawn_doubt(source_table(case.case).doubt, Streams(7, 0, count))[factor_key("distance_walk")]
    assert drawn.max() <= MOST_FACTOR
    for p in (0.05, 0.5, 0.95):
        limit = min(math.sqrt(freedom / stats.chi2(freedom).ppf(1.0 - p)), MOST_FACTOR)
        assert np.mean(drawn < limit) == pytest.approx(p, abs=4.5 * math.sqrt(p * (1 - p) / count)), p


@GELMAN
@pytest.mark.parametrize("slips", [2.0, 7.0])
def test_ref_rate_of_rare_events_is_gamma(slips: float) -> None:
    """A rate of which n events were seen is drawn as a Gamma of n + 1/2 about its mean."""
    source = {"rare_slip": tick(rate="0.05 1/m", along="50 mm", fitted={"runs": 9, "slips": slips})}
    table = source_table(straight(source).case)
    count = 50_000
    drawn = drawn_doubt(table.doubt, Streams(7, 0, count))[rate_key("rare_slip")]
    for p in (0.05, 0.5, 0.95):
        limit = stats.gamma(slips + 0.5).ppf(p) / (slips + 0.5)
        assert np.mean(drawn < limit) == pytest.approx(p, abs=4.5 * math.sqrt(p * (1 - p) / count)), p


@pytest.mark.parametrize("slips", [0.5, 3.0])
def test_mc_both_engines_expect_as_many_slips_as_the_file_says(slips: float) -> None:
    """However few slips a rate was counted from: the trials' mean square is that of the other engine."""
    rate, along, count = 0.5, 0.05, 20_000
    source = {"rare_slip": tick(rate=f"{rate} 1/m", along=f"{along} m", fitted={"runs": 6, "slips": slips})}
    case = straight(source)
    expected = rate * LENGTH_M * along**2
    assert covariance(case).moments[-1].cov[0, 0] == pytest.approx(expected, rel=1e-6)
    # A negative binomial number N of normals: the variance of their sum's square is 3 E(N^2) - E(N)^2.
    mean, shape = rate * LENGTH_M, slips + 0.5
    of_square = 3.0 * (mean + mean**2 * (1.0 + 1.0 / shape)) - mean**2
    found = float(np.mean(ends(case, count) ** 2))
    assert found == pytest.approx(expected, rel=4.5 * math.sqrt(of_square / count) / mean)


def test_law_a_rate_counted_on_few_readings_varies_from_robot_to_robot() -> None:
    """Dropout counted over 20 readings lets the number of fixes scatter far beyond chance; over 1e6 not."""

    def scatter(readings: float) -> float:
        noise = {"at_zero": "5 mm", "constant_over": "reading", "basis": "guess"}
        dropout = {
            "probability": "30 %",
            "constant_over": "reading",
            "basis": "measured",
            "fitted": {"runs": 3, "readings": readings},
        }
        sensor = range_sensor(
            "front", 0.1, 0.0, 0.0, rate="20 Hz", errors={"noise": noise, "dropout": dropout}
        )
        case = prepared([{"do": "look", "time": "2 s"}], robot(sensors=[sensor]))
        taken = []
        for k in range(200):
            counts = run_trials(case, 1, 3, first=k).counts
            taken.append(counts[0, :, 0].sum() / counts.sum())
        return float(np.std(taken))

    binomial = math.sqrt(0.3 * 0.7 / 40)
    assert scatter(1e6) == pytest.approx(binomial, rel=0.2)
    # Beta(6.5, 14.5) adds sqrt(0.31 0.69 / 22).
    assert scatter(20.0) == pytest.approx(math.hypot(binomial, math.sqrt(0.31 * 0.69 / 22)), rel=0.2)
