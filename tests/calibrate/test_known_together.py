"""Constants that runs do not tell apart: what is known of both together is kept, and said."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from test_left_alone import BETWEEN, STATED, VALUES, _runs

from driftgate.calibrate.backtest import score_reckoning
from driftgate.calibrate.chain import logged_run
from driftgate.calibrate.drift_fit import DriftFit, fit_drift
from driftgate.calibrate.drift_found import FoundConstant
from driftgate.calibrate.estimate import Estimate
from driftgate.calibrate.fit import Fit
from driftgate.calibrate.known_together import Kept, kept_together, with_kept
from driftgate.calibrate.left_alone import leaving
from driftgate.calibrate.other_runs import fit_of_runs
from driftgate.calibrate.robot_model import with_reference_spread
from driftgate.calibrate.usual import CONSTANTS
from driftgate.calibrate.windows import Track
from driftgate.report.robot_section import Origin, robot_section
from driftgate.schema.drift import ErrorSources

ALIKE = ("heading_latency", "lateral_slip:turn")
USUAL = {usual.key: usual for usual in CONSTANTS}
# Of runs at 0.4 m/s: what leads outward for each radian. [m]
SPEED_MPS = 0.4
SUM = np.array([SPEED_MPS, -1.0])
TRUTH = float(SUM @ [VALUES[key] for key in ALIKE])


@pytest.fixture(scope="module")
def runs() -> list[Track]:
    """Return four runs of arcs at one speed, and one more."""
    return _runs(5, SPEED_MPS)


@pytest.fixture(scope="module")
def drift(runs: list[Track]) -> DriftFit:
    """Return what the first four show."""
    return fit_drift([logged_run(t, STATED) for t in runs[:4]], ErrorSources(), 0.95, slips=False)


def _constants(names: tuple[str, ...], means: np.ndarray) -> list[FoundConstant]:
    return [
        FoundConstant(USUAL[name], "robot", Estimate(float(mean), 1.0, 1e6), None, None, False)
        for name, mean in zip(names, means, strict=True)
    ]


def _covariance(well: float, poorly: float) -> np.ndarray:
    """Return a covariance along and across (1, -1), in usual sizes."""
    along, across = np.array([1.0, -1.0]) / math.sqrt(2.0), np.array([1.0, 1.0]) / math.sqrt(2.0)
    size = np.array([USUAL[key].size for key in ALIKE])
    scaled = well**2 * np.outer(along, along) + poorly**2 * np.outer(across, across)
    return scaled * np.outer(size, size)


def _kept(names: tuple[str, ...], means: np.ndarray, covariance: np.ndarray) -> Kept:
    return kept_together(_constants(names, means), covariance, dict.fromkeys(names, 0.0), 0.95)


def test_law_what_is_known_of_both_is_in_the_file(drift: DriftFit):
    """The sum of what the written means make is that of the truth, and its error that of the fit.

    Written by the digits of its own error, 16 ms, the latency alone would make the sum 0.4 mm/rad off.
    """
    lines = "\n".join(robot_section(drift.sources, Origin(), 0.95))

    def found(pattern: str) -> float:
        match = re.search(pattern, lines)
        assert match is not None, pattern
        return float(match[1])

    latency = 1e-3 * found(r"heading_latency:\n    mean: (\S+) ms")
    slip = 1e-3 * found(r"per_turn: (\S+) mm/rad")
    errors = 1e-3 * np.array([found(r"mean_error: (\S+) ms"), found(r"per_turn_error: (\S+) mm/rad")])
    rho = found(r"goes_with: \{lateral_slip: (\S+?)\}")
    cov = np.outer(errors, errors) * np.array([[1.0, rho], [rho, 1.0]])
    sd = math.sqrt(float(SUM @ cov @ SUM))
    assert drift.fitted is not None
    pair = [list(drift.fitted.at).index(key) for key in ALIKE]
    fitted = drift.fitted.mixed.covariance[np.ix_(pair, pair)]
    assert sd == pytest.approx(math.sqrt(float(SUM @ fitted @ SUM)), rel=0.03)
    assert float(SUM @ [latency, slip]) == pytest.approx(TRUTH, abs=2.0 * sd)
    assert sd < 0.2 * abs(TRUTH)
    # Each by itself is no further off than is usual.
    assert errors == pytest.approx([USUAL[key].size for key in ALIKE], rel=0.5)
    said = [words for words in drift.missing if "each by itself" in words]
    assert len(said) == 1
    assert said[0].startswith("heading latency and lateral slip per turn each by itself: they act alike")
    assert [w for w in drift.missing if w.startswith(("heading latency:", "lateral slip"))] == []


def test_law_a_further_run_is_predicted_with_what_is_known(runs: list[Track]):
    """Left at the file, both, the known error would be in the next run and not in its prediction."""
    model = fit_of_runs(runs[:4], [STATED] * 4, ErrorSources(), None, slips=False).further
    assert (model.left, model.together) == ((), (ALIKE,))
    without = leaving(replace(model, together=()), ALIKE, ErrorSources())
    rms = []
    for one in (model, without):
        (score, *_) = score_reckoning(runs[4:], [with_reference_spread(one, STATED)], BETWEEN, None)
        rms.append(score.model.rms_m)
        assert score.model.inside[-1] >= 0.8
    assert rms[0] < 0.8 * rms[1]


def test_law_the_sum_stays_and_the_rest_is_the_files():
    """By hand: known to 0.1 along (1, -1), to 10 across, estimated at (7, 5) in usual sizes.

    The sum is 2, more than usual, and each may be all of it: T is 2 / sqrt(2) usual sizes. Across the
    mean is 12 T^2 / (T^2 + 100) of itself, along it 2 T^2 / (T^2 + 0.01).
    """
    size = np.array([USUAL[key].size for key in ALIKE])
    kept = _kept(ALIKE, size * [7.0, 5.0], _covariance(0.1, 10.0))
    assert kept.groups == (ALIKE,)
    means = np.array([kept.means[key].value for key in ALIKE]) / size
    assert means @ [1.0, -1.0] == pytest.approx(2.0 * 2.0 / 2.01)
    assert means @ [1.0, 1.0] == pytest.approx(12.0 * 2.0 / 102.0)
    scaled = kept.covariance / np.outer(size, size)
    assert [1.0, -1.0] @ scaled @ [1.0, -1.0] == pytest.approx(2.0 * 2.0 * 0.01 / 2.01)
    assert [1.0, 1.0] @ scaled @ [1.0, 1.0] == pytest.approx(2.0 * 2.0 * 100.0 / 102.0)


@pytest.mark.parametrize(("well", "poorly"), [(10.0, 10.0), (0.9, 10.0), (0.45, 0.6)])
def test_law_what_is_not_found_together_stays_at_the_file(well: float, poorly: float):
    """Shown by nothing, by less than is usual anyway, or no better together than each alone."""
    kept = _kept(ALIKE, np.array([0.01, 0.01]), _covariance(well, poorly))
    assert (kept.groups, kept.means) == ((), {})
    assert np.array_equal(kept.covariance, _covariance(well, poorly))


def test_mc_kept_means_are_as_far_off_as_they_say():
    """Constants about the file's values as usual, and a third one found by itself: all errors normalise to 1.

    The third goes with the first two; its own estimate stays, and their correlations are those that are said.
    """
    names = (*ALIKE, "heading_scale")
    size = np.array([USUAL[key].size for key in names])
    whole = np.eye(3)
    whole[:2, :2] = _covariance(0.2, 6.0) / np.outer(size[:2], size[:2])
    mix = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.1, 0.05, 0.1]])
    covariance = (mix @ whole @ mix.T) * np.outer(size, size)
    root = np.linalg.cholesky(covariance)
    rng = np.random.default_rng(4)
    squares = []
    for _ in range(1500):
        truth = size * rng.standard_normal(3)
        fitted = truth + root @ rng.standard_normal(3)
        constants = _constants(names, fitted)
        constants[2] = replace(constants[2], known=True)
        kept = kept_together(constants, covariance, dict.fromkeys(ALIKE, 0.0), 0.95)
        assert kept.groups == (ALIKE,)
        now = np.array([kept.means[key].value if key in kept.means else fitted[2] for key in names])
        white = np.linalg.solve(np.linalg.cholesky(kept.covariance), now - truth)
        squares.append(np.square(white))
    # More than usual happens to one in a few, and widens what is said a little.
    assert np.mean(squares, axis=0) == pytest.approx(np.full(3, 0.93), abs=0.12)
    assert np.mean(np.sum(squares, axis=1)) == pytest.approx(2.9, abs=0.2)


def test_law_a_model_that_keeps_nothing_is_the_same():
    """And one without means common to all runs cannot keep any."""
    model = Fit({"crab_angle": 1.0}, {}, ("crab_angle",), np.eye(1), 0, 0.0, 0.0, common=np.eye(1))
    assert with_kept(model, Kept((), {}, np.eye(1))) is model
    kept = Kept((("crab_angle",),), {"crab_angle": Estimate(0.5, 0.5, 9.0)}, 0.25 * np.eye(1))
    now = with_kept(replace(model, covariance=3.0 * np.eye(1)), kept)
    # What runs differ by, 2, stays in it.
    assert (now.constants["crab_angle"], now.covariance[0, 0]) == (0.5, 2.25)
    assert now.common is not None
    assert now.common[0, 0] == 0.25
