"""Where slip, latency and the wheel's offset act: one rule in both engines, in calibration and in backtests.

A robot whose tracking wheel sits off its centre counts a way in a turn on the spot, and does not travel in
it (`driftgate.predict.increments`): neither slip nor latency moves it there. The plan tells the engines which
steps are turns on the spot; of a log it is `driftgate.calibrate.windows.Track.travelling` that does.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from driftgate.calibrate.backtest import WindowPlan, score_reckoning
from driftgate.calibrate.chain import block_of, logged_run
from driftgate.calibrate.dead_reckoning import reckon, segments
from driftgate.calibrate.robot_model import robot_model
from driftgate.calibrate.tracks import track_of
from driftgate.calibrate.windows import Track, windows_between
from driftgate.core.pose import FloatArray, compose, inverse
from driftgate.predict import Prepared, covariance
from driftgate.predict.logged import Reference, sample_runs

from .scenes import mark, prepared, robot, run

TAPE = Reference("tape", (0.0, 0.0, 0.0))
BETWEEN = WindowPlan((), 1.0)
# Of the robot of the drives below: large, so that a rule that differs anywhere shows.
VALUES = {"lateral_slip:turn": 0.03, "heading_latency": 0.04, "wheel_offset": 0.01}
_REST = {"do": "pause", "time": "1 s"}
SPOT = [{"do": "rotate", "angle": "90 deg"}, {"do": "rotate", "angle": "-180 deg"}]
SPOT += [{"do": "rotate", "angle": "720 deg"}]
WAYS = [{"do": "advance", "distance": "1 m"}, {"do": "arc", "radius": "0.5 m", "angle": "180 deg"}]
WAYS += [{"do": "arc", "radius": "0.5 m", "angle": "-90 deg"}, {"do": "advance", "distance": "-0.5 m"}]
DRIVES = {
    "turns": [step for turn in SPOT for step in (turn, _REST)],
    "turns and ways": [
        step for pair in zip(WAYS, SPOT, strict=False) for way in pair for step in (way, _REST)
    ],
}


def _case(drive: str, values: Mapping[str, float], holonomic: bool) -> Prepared:
    slip, latency, offset = (
        f"{values[key]!r} {unit}" for key, unit in zip(VALUES, ("m/rad", "s", "m"), strict=True)
    )
    errors = {
        "wheel_offset": run(mean=offset, spread="0 m"),
        "heading_latency": run(mean=latency, spread="0 s"),
        "lateral_slip": run(per_turn=slip),
    }
    machine = robot(errors, drive="holonomic" if holonomic else "differential", longest_tick="0.01 s")
    return prepared([_REST, *DRIVES[drive], mark("end")], machine)


def _driven(drive: str, values: Mapping[str, float], holonomic: bool) -> tuple[Track, FloatArray]:
    (one,) = sample_runs(_case(drive, values, holonomic), 1, 1, TAPE)
    return track_of(one.log), one.truth


@pytest.mark.parametrize("holonomic", [False, True])
@pytest.mark.parametrize("drive", DRIVES)
def test_law_what_trials_do_is_what_logs_are_fitted_and_judged_by(drive: str, holonomic: bool) -> None:
    """With the constants that were driven nothing is off: chain, backtest, the path that is replayed."""
    track, truth = _driven(drive, VALUES, holonomic)
    # The wheel counts in every turn on the spot: 10 mm for each radian.
    assert np.abs(track.twist[:, 0]).sum() > 0.01 * np.deg2rad(990.0)
    run_ = logged_run(track, None)
    assert np.abs(block_of(run_, VALUES, list(VALUES), []).error).max() < 3e-4
    case = _case(drive, VALUES, holonomic)
    (judged,) = [
        s for s in score_reckoning([track], [robot_model(case.case.robot)], BETWEEN, None) if s.poses_on == 1
    ]
    assert judged.model.rms_m < 3e-4
    path = compose(truth[:1], reckon(track, VALUES)[0])
    assert path[-1, :2] == pytest.approx(truth[-1, :2], abs=3e-4)


@pytest.mark.parametrize("drive", DRIVES)
def test_law_both_engines_end_where_the_other_does(drive: str) -> None:
    """The covariance engine's mean is where the trials' robot stands."""
    case = _case(drive, VALUES, False)
    (one,) = sample_runs(case, 1, 1, TAPE)
    nominal = case.plan.timeline.pose[-1]
    off = one.truth[-1, :2] - nominal[:2]
    assert covariance(case).moments[-1].mean[:2] == pytest.approx(off, abs=1e-3)


@pytest.mark.parametrize("key", VALUES)
def test_law_what_a_constant_moves_in_a_log_is_what_it_moves_in_the_trials(key: str) -> None:
    """Derivatives as calibration and backtests have them, against drives with more of the constant."""
    more = 1e-4
    base, shifted = dict.fromkeys(VALUES, 0.0), dict.fromkeys(VALUES, 0.0) | {key: more}
    (track, before), (_, after) = (_driven("turns and ways", values, False) for values in (base, shifted))
    windows = windows_between(track, most=20)
    found = segments(track, windows, base)
    whole = int(np.argmax(windows.end - windows.start))
    slope = compose(inverse(before[-1]), after[-1])[:2] / more
    assert np.abs(slope).max() > 0.5
    assert found.columns[key][whole, :2] == pytest.approx(slope, abs=0.02)


@pytest.mark.parametrize("key", ["lateral_slip:turn", "heading_latency"])
def test_law_nothing_leads_sideways_in_turns_on_the_spot(key: str) -> None:
    """A constant that acts while travelling only shows nothing there, although the wheel counts."""
    track, _ = _driven("turns", VALUES, False)
    columns = segments(track, BETWEEN.of(track), VALUES).columns
    assert np.abs(columns.get(key, np.zeros((1, 3)))).max() < 1e-3
