"""Shares of a variance by pick-freeze, against published functions."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray
from driftgate.judge.pickfreeze import PickFreeze, by_extremes, pick_freeze

# A right answer lies further than this many standard errors off once in 16 000 cases.
SIGMAS = 4.0


def ishigami(x: FloatArray) -> FloatArray:
    """T. Ishigami and T. Homma, ISUMA 1990, with a = 7, b = 0.1; inputs are uniforms on (0, 1)."""
    x1, x2, x3 = (math.pi * (2.0 * x[:, i] - 1.0) for i in range(3))
    return np.sin(x1) + 7.0 * np.sin(x2) ** 2 + 0.1 * x3**4 * np.sin(x1)


G_COEFFICIENTS = np.array([0.0, 1.0, 4.5, 9.0, 99.0, 99.0, 99.0, 99.0])


def sobol_g(x: FloatArray) -> FloatArray:
    """Sobol' g-function with the coefficients of A. Saltelli et al., CPC 181 (2010) 259-270."""
    found: FloatArray = np.prod((np.abs(4.0 * x - 2.0) + G_COEFFICIENTS) / (1.0 + G_COEFFICIENTS), axis=1)
    return found


def shares(
    function: Callable[[FloatArray], FloatArray], inputs: int, trials: int, seed: int = 1
) -> PickFreeze:
    """Run the three kinds of runs of a function of independent uniforms."""
    random = np.random.default_rng(seed)
    a, b = random.random((trials, inputs)), random.random((trials, inputs))
    runs = {}
    for i in range(inputs):
        mixed = a.copy()
        mixed[:, i] = b[:, i]
        runs[str(i + 1)] = function(mixed)
    found = pick_freeze(function(a), function(b), runs)
    assert found is not None
    return found


# Closed forms (derived); S1 and S2 are printed as .3139 and .4424 in SALib's Ishigami docstring.
ISHIGAMI_FIRST = {"1": 0.313905, "2": 0.442411, "3": 0.0}
ISHIGAMI_TOTAL = {"1": 0.557589, "2": 0.442411, "3": 0.243684}
ISHIGAMI_TOGETHER = 0.243684  # of 1 and 3
G_FIRST = dict(zip("12345678", [0.716192, 0.179048, 0.023676, 0.007162, *4 * [0.0000716]], strict=True))
G_TOTAL = dict(zip("12345678", [0.787144, 0.242198, 0.034317, 0.010460, *4 * [0.000105]], strict=True))
G_TOGETHER = 1.0 - 0.926364


@pytest.mark.evidence(
    source="Ishigami and Homma 1990; Saltelli et al. 2010",
    compares="first-order and total shares of a variance",
    tolerance="4 standard errors < 1 %",
)
@pytest.mark.parametrize(
    ("function", "first", "total", "together", "variance"),
    [
        (ishigami, ISHIGAMI_FIRST, ISHIGAMI_TOTAL, ISHIGAMI_TOGETHER, 13.844588),
        (sobol_g, G_FIRST, G_TOTAL, G_TOGETHER, 0.4654244),
    ],
    ids=["ishigami", "sobol-g"],
)
def test_ref_published_shares(
    function: Callable[[FloatArray], FloatArray],
    first: dict[str, float],
    total: dict[str, float],
    together: float,
    variance: float,
) -> None:
    """Ishigami's and Sobol's functions give their published shares, within four standard errors below 1 %."""
    found = shares(function, len(first), 100_000)
    assert found.variance == pytest.approx(variance, abs=SIGMAS * found.variance_error)
    for name, part in found.inputs.items():
        # The printed values have six or seven decimals.
        for share, wanted in ((part.first, first[name]), (part.total, total[name])):
            assert share.error < 0.01
            assert share.value == pytest.approx(wanted, abs=SIGMAS * share.error + 1e-6), name
    assert found.interactions.error < 0.01
    assert found.interactions.value == pytest.approx(together, abs=SIGMAS * found.interactions.error)


@pytest.mark.parametrize(
    ("function", "first", "total", "together"),
    [
        (ishigami, ISHIGAMI_FIRST, ISHIGAMI_TOTAL, ISHIGAMI_TOGETHER),
        (sobol_g, G_FIRST, G_TOTAL, G_TOGETHER),
    ],
    ids=["ishigami", "sobol-g"],
)
def test_mc_standard_errors_are_those_of_repeated_runs(
    function: Callable[[FloatArray], FloatArray],
    first: dict[str, float],
    total: dict[str, float],
    together: float,
) -> None:
    """Over 200 runs of 1000 trials the deviations are as large as the standard errors say, without bias."""
    runs = 200
    scores: dict[str, list[float]] = {}
    for seed in range(runs):
        found = shares(function, len(first), 1000, seed)
        parts = [("together", found.interactions, together)]
        parts += [(f"first {n}", p.first, first[n]) for n, p in found.inputs.items()]
        parts += [(f"total {n}", p.total, total[n]) for n, p in found.inputs.items()]
        for name, share, wanted in parts:
            scores.setdefault(name, []).append((share.value - wanted) / share.error)
    for name, z in scores.items():
        # Root mean square of 200 standard normals: 1 within 0.05; heavy tails of squares allow for more.
        assert math.sqrt(np.mean(np.square(z))) == pytest.approx(1.0, abs=0.2), name
        assert abs(np.mean(z)) < SIGMAS / math.sqrt(runs), name


def test_law_shares_of_a_sum_are_those_of_its_terms() -> None:
    """A sum of independent normals has the shares of its variances and no interactions: 64, 32 and 4 %."""
    random = np.random.default_rng(7)
    sizes = np.array([4.0, math.sqrt(8.0), 1.0])
    a, b = random.standard_normal((2, 20_000, 3)) * sizes
    runs = {str(i): a.sum(axis=1) - a[:, i] + b[:, i] for i in range(3)}
    found = pick_freeze(a.sum(axis=1) + 100.0, b.sum(axis=1) + 100.0, {k: v + 100.0 for k, v in runs.items()})
    assert found is not None
    assert found.mean == pytest.approx(100.0, abs=SIGMAS * 5.0 / math.sqrt(40_000))
    for i, wanted in enumerate((0.64, 0.32, 0.04)):
        for share in (found.inputs[str(i)].first, found.inputs[str(i)].total):
            assert share.value == pytest.approx(wanted, abs=SIGMAS * share.error)
    assert found.interactions.value == pytest.approx(0.0, abs=SIGMAS * found.interactions.error)
    # Normal outputs: 1.3 % of the variance is made beyond 3.29 sigma, here by 40 trials.
    assert found.by_extremes == pytest.approx(0.0127, abs=0.002)


def test_law_first_orders_and_interactions_add_up() -> None:
    """The column of first orders and its remainder make the whole, to rounding."""
    found = shares(sobol_g, 8, 500)
    assert sum(p.first.value for p in found.inputs.values()) + found.interactions.value == pytest.approx(
        1.0, abs=1e-12
    )


def test_law_an_input_without_effect_has_no_share() -> None:
    """A run that is A again gives exactly nothing, with certainty: its luck changes no trial."""
    random = np.random.default_rng(3)
    a, b = random.standard_normal((2, 200))
    found = pick_freeze(a, b, {"none": a, "all": b})
    assert found is not None
    none, all_ = found.inputs["none"], found.inputs["all"]
    assert none.first.value == pytest.approx(0.0, abs=1e-12)
    assert none.first.error == pytest.approx(0.0, abs=1e-12)
    assert (none.total.value, none.total.error) == (0.0, 0.0)
    assert none.by_extremes == 0.0
    # And a run that is B again is the whole.
    assert all_.first.value == pytest.approx(1.0, abs=1e-12)


def test_law_columns_add_their_variances() -> None:
    """Two columns are judged by the sum of their variances, each about its own mean."""
    random = np.random.default_rng(4)
    a, b = random.standard_normal((2, 20_000, 2)) * np.array([3.0, 1.0]) + np.array([50.0, -20.0])
    runs = {"x": np.column_stack([b[:, 0], a[:, 1]]), "y": np.column_stack([a[:, 0], b[:, 1]])}
    found = pick_freeze(a, b, runs)
    assert found is not None
    assert found.variance == pytest.approx(10.0, abs=SIGMAS * found.variance_error)
    assert found.inputs["x"].total.value == pytest.approx(0.9, abs=SIGMAS * found.inputs["x"].total.error)
    assert found.inputs["y"].first.value == pytest.approx(0.1, abs=SIGMAS * found.inputs["y"].first.error)


def test_law_few_trials_that_make_the_variance_are_told() -> None:
    """Two trials of 2000, each a thousand times as large as the rest together, make half of the sum."""
    squares = np.full(2000, 1.0)
    squares[[3, 1700]] = 999.0
    assert by_extremes(squares) == pytest.approx(0.5, abs=1e-12)
    assert by_extremes(np.zeros(5)) == 0.0
    # A handful has no thousandth: then its largest.
    assert by_extremes(np.array([1.0, 2.0, 1.0])) == 0.5


def test_law_trials_that_met_a_source_are_counted() -> None:
    """Three equal differences count as three; normal ones as a third of all, since E d^4 = 3 (E d^2)^2."""
    rng = np.random.default_rng(5)
    a, b = rng.normal(size=3000), rng.normal(size=3000)
    rare = a.copy()
    rare[[1, 2, 3]] += 4.0
    found = pick_freeze(a, b, {"rare": rare, "all": b, "none": a})
    assert found is not None
    assert found.inputs["rare"].met == pytest.approx(3.0)
    assert found.inputs["all"].met == pytest.approx(1000.0, rel=0.1)
    assert found.inputs["none"].met == math.inf


def test_law_nothing_varies() -> None:
    """An output that is one number has no shares."""
    same = np.full(10, 2.0)
    assert pick_freeze(same, same, {"x": same}) is None


def test_err_runs_of_other_shapes() -> None:
    """Runs of different length, and a single trial, are refused."""
    with pytest.raises(ModelError):
        pick_freeze(np.zeros(5), np.ones(5), {"x": np.ones(4)})
    with pytest.raises(ModelError):
        pick_freeze(np.zeros(1), np.ones(1), {})


def test_law_trials_steadied_to_nothing_have_no_shares():
    """Two trials of -4 and -3, redrawn as -2 and -3: about their mean the first squares make the control."""
    a, b = np.array([-4.0, -3.0]), np.array([-2.0, -3.0])
    # About -3 both are one off, then none: the row is 1 and 0, the control 1 - 2 and 0, which takes it all.
    assert pick_freeze(a, b, {"x": b}) is None
