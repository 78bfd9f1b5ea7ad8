"""Tilted trials: weights that are right and bounded, rare failures found in the known share."""

import math

import numpy as np
import pytest

from driftgate.predict import covariance, run_trials
from driftgate.predict.sources import source_table
from driftgate.predict.tilt import Tilt, WayToFail, tilt_towards

from .scenes import field_map, prepared, robot, run, tick

NORMAL = pytest.mark.evidence(
    source="normal and Rayleigh tails (derived)",
    compares="tilted trials, P(Z > 4), P(r > 4, 5 sd)",
    tolerance="4 standard errors",
)

SIGMA_M = 0.01


def standing(spread=("10 mm", "10 mm", "0 deg"), **more):
    """Return a case that stands where it is put."""
    return prepared([{"do": "pause", "time": "0.1 s"}], spread=spread, **more)


def ways(case, directions, limit_m):
    """Return ways to fail at the end beyond a limit along some directions of the field."""
    end = covariance(case).moments[-1]
    found = []
    for direction in directions:
        row = np.array([*direction, 0.0])
        sd = math.sqrt(float(row @ end.cov @ row))
        found.append(WayToFail(row @ end.columns, sd, limit_m - float(row @ end.mean)))
    return found


def tilted(case, directions, limit_m, trials=20_000, **more):
    """Return tilted trials of a case, and the tilt."""
    tilt = tilt_towards(ways(case, directions, limit_m), source_table(case.case, frozenset()), case.true)
    return run_trials(case, trials, 3, tilt=tilt, **more), tilt


def share(result, failed):
    """Return the weighted share of failures and its standard error."""
    value = result.weight * failed
    return float(value.mean()), float(value.std() / math.sqrt(len(value)))


@NORMAL
def test_ref_a_four_sigma_tail_of_the_start_is_found_by_20_000_trials():
    """P(Z > 4) = 3.167124e-5 (complementary error function), to 4 standard errors of about 2 %."""
    case = standing()
    result, _ = tilted(case, [(1.0, 0.0)], 4.0 * SIGMA_M)
    found, error = share(result, result.moments[-1].error[:, 0] > 4.0 * SIGMA_M)
    truth = 0.5 * math.erfc(4.0 / math.sqrt(2.0))
    assert truth == pytest.approx(3.167124e-5, rel=1e-6)
    assert error < 0.04 * truth
    assert abs(found - truth) < 4.0 * error


@NORMAL
@pytest.mark.parametrize(("sigmas", "truth"), [(4.0, 3.354626e-4), (5.0, 3.726653e-6)])
def test_ref_a_rayleigh_tail_is_found_from_four_directions(sigmas, truth):
    """P(r > k sigma) = exp(-k²/2): Rayleigh's distribution, derived."""
    case = standing()
    around = [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)]
    result, _ = tilted(case, around, sigmas * SIGMA_M, trials=40_000)
    error = result.moments[-1].error
    found, deviation = share(result, np.hypot(error[:, 0], error[:, 1]) > sigmas * SIGMA_M)
    assert math.exp(-0.5 * sigmas**2) == pytest.approx(truth, rel=1e-6)
    assert deviation < 0.13 * truth
    assert abs(found - truth) < 4.0 * deviation


def test_mc_tilted_and_plain_trials_agree_where_both_can_be_counted():
    """A drive with a walk and a gyro bias, failing about once in 200: the two shares differ by noise."""
    errors = {
        "heading_bias": run(spread="0.3 deg/s"),
        "distance_walk": tick(per_root_metre="4 mm/sqrt(m)"),
        "heading_walk": tick(per_root_metre="0.3 deg/sqrt(m)"),
    }
    case = prepared(
        [{"do": "drive", "to": ["2 m", "0 m"]}], robot(errors), spread=("4 mm", "4 mm", "0.3 deg")
    )
    end = covariance(case).moments[-1]
    limit = 2.8 * math.sqrt(end.cov[1, 1])
    result, tilt = tilted(case, [(0.0, 1.0), (0.0, -1.0)], limit)
    found, error = share(result, np.abs(result.moments[-1].error[:, 1]) > limit)
    plain = np.abs(run_trials(case, 40_000, 4).moments[-1].error[:, 1]) > limit
    assert 100 < plain.sum() < 400
    assert abs(found - plain.mean()) < 4.0 * math.hypot(error, plain.std() / 200.0)
    assert result.weight.max() <= tilt.largest_weight * (1.0 + 1e-12)


def test_law_weights_average_to_one():
    """The mean weight is 1 whatever the tilt: 5 standard errors of 20 000 trials."""
    result, _ = tilted(standing(), [(1.0, 0.0), (0.0, -1.0)], 0.05)
    error = result.weight.std() / math.sqrt(result.trials)
    assert abs(result.weight.mean() - 1.0) < 5.0 * error
    assert error > 1e-3


def test_mc_strays_keep_their_chance_under_the_weights():
    """An element that strays once in 1000 runs is seen often, and weighs what it should."""
    pot = {
        "id": "pot",
        "shape": {"circle": {"radius": "50 mm"}},
        "at": {"x": "3 m", "y": "2 m"},
        "scatter": {"x": "0 mm", "y": "0 mm", "heading": "0 deg", "constant_over": "run", "basis": "guess"},
        "stray": {"probability": "0.1 %", "constant_over": "run", "basis": "guess"},
    }
    within = {"radial": "10 mm", "relative_to": "pot"}
    case = prepared(
        [{"do": "pause", "time": "0.1 s"}],
        believed=field_map(elements=[pot]),
        final={"within": within, "required": "90 %"},
    )
    result, tilt = tilted(case, [], 1.0)
    strayed = np.hypot(*result.moments[-1].error[:, :2].T) > 1e-3
    assert 0.1 < strayed.mean() < 0.2
    found, error = share(result, strayed)
    assert error < 0.05 * 0.001
    assert abs(found - 0.001) < 4.0 * error
    assert tilt.chance.sum() == pytest.approx(1.0)


def test_law_tilted_trials_do_not_depend_on_batches():
    """Two batches give the same weights and errors as one."""
    case = standing()
    one, _ = tilted(case, [(1.0, 0.0)], 0.04, trials=500)
    two, _ = tilted(case, [(1.0, 0.0)], 0.04, trials=500, batch=177)
    assert np.array_equal(one.weight, two.weight)
    assert np.array_equal(one.moments[-1].error, two.moments[-1].error)


def test_law_an_untilted_mixture_changes_nothing():
    """With nothing to tilt towards, every weight is 1 and the errors are those of plain trials."""
    case = standing()
    tilt = tilt_towards([], source_table(case.case, frozenset()), case.true)
    result, plain = run_trials(case, 300, 3, tilt=tilt), run_trials(case, 300, 3)
    assert np.array_equal(result.weight, np.ones(300))
    assert np.array_equal(result.moments[-1].error, plain.moments[-1].error)
    assert isinstance(tilt, Tilt)
