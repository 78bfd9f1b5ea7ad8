"""Constants that a fit does not find keep the robot file's values, by the rule of `calibrate`."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drives import drive

from driftgate.calibrate.backtest import WindowPlan, poorly_shown
from driftgate.calibrate.chain import logged_run
from driftgate.calibrate.dead_reckoning import segments
from driftgate.calibrate.drift_fit import fit_drift
from driftgate.calibrate.fit import Fit, predict_end
from driftgate.calibrate.left_alone import leaving, position_rms, value_left
from driftgate.calibrate.other_runs import fit_of_runs
from driftgate.calibrate.usual import CONSTANTS
from driftgate.calibrate.windows import Track
from driftgate.run.backtest_models import _worsened
from driftgate.schema.drift import ErrorSources

BETWEEN = WindowPlan((), 2.0)
STATED = (0.002, 0.002, 0.006)
FILE = ErrorSources.model_validate(
    {
        "heading_latency": {"mean": "15 ms", "spread": "0 ms", "constant_over": "robot", "basis": "guess"},
        "lateral_slip": {
            "per_turn": "2 mm/rad",
            "with_speed": "4 ms",
            "constant_over": "run",
            "basis": "guess",
        },
    }
)
ALIKE = ("heading_latency", "lateral_slip:turn")
VALUES = {"distance_scale": 0.02, "heading_scale": 0.01, "heading_latency": 0.015, "lateral_slip:turn": 0.002}


def _runs(count: int, speed_mps: float = 0.4) -> list[Track]:
    """Return runs of straights, and of arcs both ways that all have the same speed and radius."""
    ahead = 0.05 * speed_mps
    turn = ahead / 0.5
    arc = round(np.pi / turn)
    legs = []
    for side in (1, -1, -1, 1, 1, -1):
        legs += [np.tile([ahead, 0.0, 0.0], (round(1.0 / ahead), 1)), np.tile([0.0, 0.0, 0.0], (20, 1))]
        legs += [np.tile([ahead, 0.0, side * turn], (arc, 1)), np.tile([0.0, 0.0, 0.0], (20, 1))]
    twist = np.concatenate(legs)
    ends = np.concatenate([[0], np.cumsum([len(leg) for leg in legs])])[::2]
    found = []
    for seed in range(count):
        track = drive(twist, 0.05, VALUES, (0.002, 0.002, 0.001), (STATED[0], STATED[2]), seed, f"{seed}")
        reference = np.full_like(track.reference, np.nan)
        reference[ends] = track.reference[ends]
        found.append(Track(track.name, track.time_s, track.twist, reference))
    return found


@pytest.fixture(scope="module")
def runs() -> list[Track]:
    """Return four runs that tell latency and slip per turn not apart."""
    return _runs(4)


@pytest.fixture(scope="module")
def model(runs: list[Track]) -> Fit:
    """Return the model of a further run that they give."""
    return fit_of_runs(runs, [STATED] * len(runs), FILE, None, slips=False).further


def _straights() -> list[Track]:
    """Return runs that turn on the spot alone: nothing shows latency, slip or the wheel's offset."""
    turn = 0.05
    legs = []
    for side in (1, -1, -1, 1):
        legs += [np.tile([0.02, 0.0, 0.0], (50, 1)), np.tile([0.0, 0.0, 0.0], (20, 1))]
        legs += [np.tile([0.0, 0.0, side * turn], (31, 1)), np.tile([0.0, 0.0, 0.0], (20, 1))]
    twist = np.concatenate(legs)
    ends = np.concatenate([[0], np.cumsum([len(leg) for leg in legs])])[::2]
    found = []
    for seed in range(4):
        track = drive(twist, 0.05, VALUES, (0.002, 0.002, 0.001), (STATED[0], STATED[2]), seed, f"{seed}")
        reference = np.full_like(track.reference, np.nan)
        reference[ends] = track.reference[ends]
        found.append(Track(track.name, track.time_s, track.twist, reference))
    return found


def test_law_what_calibrate_does_not_find_is_left_at_the_file() -> None:
    """The same constants, by the same rule; the file's slip with speed is part of the latency that shows."""
    runs = _straights()
    model = fit_of_runs(runs, [STATED] * len(runs), FILE, None, slips=False).further
    drift = fit_drift([logged_run(track, STATED) for track in runs], FILE, 0.95, slips=False)
    assert model.left == ("wheel_offset", *ALIKE)
    assert model.left == tuple(c.usual.key for c in drift.constants if not c.known)
    assert (model.together, drift.kept.groups) == ((), ())
    assert [model.constants[key] for key in model.left] == pytest.approx(
        [0.0, 0.015 - 0.004, 0.002], abs=1e-12
    )
    for constant in drift.constants:
        if constant.known:
            assert model.constants[constant.usual.key] == constant.mean.value
    said = poorly_shown(model)
    assert [words.partition(" is not found")[0] for words in said] == [
        "wheel offset",
        "heading latency",
        "lateral slip per turn",
    ]
    assert all("left at what the robot file has" in words for words in said)


def test_law_what_it_finds_together_is_kept_in_a_backtest_too(runs: list[Track], model: Fit) -> None:
    """The same means as in the robot file that `calibrate` writes, and one sentence that says so."""
    drift = fit_drift([logged_run(track, STATED) for track in runs], FILE, 0.95, slips=False)
    assert (model.left, model.together, drift.kept.groups) == ((), (ALIKE,), (ALIKE,))
    for key, mean in drift.kept.means.items():
        assert model.constants[key] == mean.value
        assert model.mean_error_of(key) == pytest.approx(mean.error)
    (said,) = poorly_shown(model)
    assert said.startswith(
        "heading latency and lateral slip per turn are known together from what was fitted"
    )


def test_law_predictions_stay_wide_where_it_acts_otherwise(model: Fit) -> None:
    """In arcs of another speed; at that of the fitted runs the two cancel and hardly widen anything."""
    known = replace(model, covariance=np.zeros_like(model.covariance), doubt=None)
    ratio = []
    for speed in (0.4, 1.2):
        track = _runs(1, speed)[0]
        at = segments(track, BETWEEN.of(track), model.constants)
        wide, narrow = (np.sqrt(np.trace(predict_end(at, m)[1].sum(axis=0)[:2, :2])) for m in (model, known))
        ratio.append(wide / narrow)
    assert ratio[1] > 3.0 * ratio[0]


def test_law_errors_are_taken_from_the_values_left() -> None:
    """The mean square distance from there: with an estimate of 3 +- 4 left at 0, 5; others stay."""
    names, size = ("heading_scale", "crab_angle"), np.diag([16.0, 1.0])
    fitted = Fit({"heading_scale": 3.0, "crab_angle": 2.0}, {}, names, size, 0, 0.0, 0.0, common=size)
    left = leaving(fitted, ["heading_scale"], ErrorSources())
    assert left.constants == {"heading_scale": 0.0, "crab_angle": 2.0}
    assert (left.error_of("heading_scale"), left.error_of("crab_angle")) == pytest.approx((5.0, 1.0))
    assert left.common is not None
    assert left.common[0, 0] == pytest.approx(25.0)
    assert leaving(fitted, [], ErrorSources()) is fitted


def test_law_a_sideways_scale_that_is_left_is_that_of_forward_distance() -> None:
    """As in a prediction from a robot file that has none; with one in it that."""
    names = ("distance_scale", "sideways_scale")
    fitted = Fit({"distance_scale": 0.02, "sideways_scale": -0.3}, {}, names, np.eye(2), 0, 0.0, 0.0)
    own = {"sideways_scale": {"mean": "1 %", "spread": "0 %", "constant_over": "robot", "basis": "guess"}}
    for errors, value in ((ErrorSources(), 0.02), (ErrorSources.model_validate(own), 0.01)):
        assert leaving(fitted, ["sideways_scale"], errors).constants["sideways_scale"] == pytest.approx(value)


def test_law_a_fit_that_makes_its_own_runs_worse_is_told(runs: list[Track], model: Fit) -> None:
    """A planted fault: a scale of the wrong sign. The fit itself makes them better than the file."""
    assert _worsened([model] * len(runs), runs, BETWEEN, FILE) is None
    wrong = replace(model, constants={**model.constants, "heading_scale": -model.constants["heading_scale"]})
    told = _worsened([wrong] * len(runs), runs, BETWEEN, FILE)
    assert told is not None
    file = {usual.key: value_left(usual, FILE) for usual in CONSTANTS}
    assert told[1] == pytest.approx(position_rms(runs, [replace(model, constants=file)] * len(runs), BETWEEN))
    assert told[0] > 1.1 * told[1]
