"""What a user would recognise: fixes help where they should, and things in the way are noticed."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.values import Outcome, TrialsResult

from .scenes import GUESS, field_map, mark, prepared, range_sensor, robot, run, tick

NOISE = {"noise": {"at_zero": "5 mm", "per_range": "0 %", "constant_over": "reading", **GUESS}}
LOOK = {"do": "look", "time": "1 s"}
HALL = field_map(x=(0.0, 4.2), y=(0.0, 3.0))
DRIFT = {
    "distance_scale": run(spread="1 %"),
    "heading_bias": run(spread="0.1 deg/s"),
    "distance_walk": tick(per_root_metre="5 mm/sqrt(m)"),
    "heading_walk": tick(per_root_metre="0.3 deg/sqrt(m)"),
}
BEAMS = [
    range_sensor("ahead", 0.1, 0.05, 0.0, rate="10 Hz", errors=NOISE),
    range_sensor("left", 0.05, 0.1, 90.0, rate="10 Hz", errors=NOISE),
    range_sensor("rear-left", -0.1, 0.1, 90.0, rate="10 Hz", errors=NOISE),
]
OFF = {"enabled": False}


def drive(x_m: float, y_m: float, **more: Any) -> dict[str, Any]:
    """Return an absolute drive."""
    return {"do": "drive", "to": [f"{x_m!r} m", f"{y_m!r} m"], **more}


def outcomes(result: TrialsResult, outcome: Outcome) -> int:
    """Return how many readings had an outcome."""
    return int(result.counts[:, :, outcome].sum())


def spread_x(result: TrialsResult, moment: int = -1) -> float:
    """Return the standard deviation of x. [m]"""
    return float(result.moments[moment].error[:, 0].std())


# A fix and the nature of the step after it


def after_a_look(leg: dict[str, Any], correction: dict[str, Any]) -> Prepared:
    """Return a case that drives, looks, and goes on."""
    machine = robot(DRIFT, sensors=BEAMS, correction={"filter": {}, **correction})
    steps = [drive(1.5, 1.0), LOOK, leg]
    return prepared(steps, machine, believed=HALL, start=(0.5, 1.0, 0.0), spread=("20 mm", "20 mm", "1 deg"))


def test_mc_fix_helps_an_absolute_step() -> None:
    """After a look an absolute leg ends several times closer than without."""
    leg = drive(2.5, 1.0)
    with_fix, without = (run_trials(after_a_look(leg, c), 2000, 1) for c in ({}, OFF))
    assert spread_x(with_fix) < 0.6 * spread_x(without)
    assert with_fix.moments[-1].across.std() < 0.5 * without.moments[-1].across.std()


def test_law_fix_changes_nothing_of_a_relative_step() -> None:
    """After a look a relative leg ends exactly where it would have ended without."""
    leg = {"do": "advance", "distance": "1 m"}
    with_fix, without = (run_trials(after_a_look(leg, c), 500, 1) for c in ({}, OFF))
    assert np.array_equal(with_fix.moments[-1].error, without.moments[-1].error)
    # Yet the fix was made: the belief knows better.
    fixed, blind = with_fix.moments[-1].estimation, without.moments[-1].estimation
    assert fixed[:, 0].std() < 0.5 * blind[:, 0].std()


def long_run(correction: dict[str, Any]) -> Prepared:
    """Return four rounds between two places."""
    rounds = {
        "do": "repeat",
        "times": 4,
        "steps": [
            drive(3.2, 1.0),
            LOOK,
            {"do": "turn", "to": "180 deg"},
            drive(1.0, 1.0),
            {"do": "turn", "to": "0 deg"},
            LOOK,
        ],
    }
    machine = robot(DRIFT, sensors=BEAMS, correction={"filter": {}, "when": "always", **correction})
    return prepared(
        [rounds], machine, believed=HALL, start=(1.0, 1.0, 0.0), spread=("5 mm", "5 mm", "0.3 deg")
    )


def test_mc_correction_off_is_worse_on_a_long_run() -> None:
    """With the correction off the error of a long run is several times larger, in both engines."""
    on, off = (run_trials(long_run(c), 500, 1).moments[-1] for c in ({}, OFF))
    assert off.across.std() > 3.0 * on.across.std()
    a, b = (covariance(long_run(c)).moments[-1].cov for c in ({}, OFF))
    assert b[1, 1] > 9.0 * a[1, 1]


# Things in the sight line

POT = {
    "id": "pot",
    "shape": {"circle": {"radius": "100 mm"}},
    "at": {"x": "3 m", "y": "1 m"},
    "scatter": {"x": "0 mm", "y": "0 mm", "heading": "0 deg", "constant_over": "run", **GUESS},
}
ASIDE = {**POT, "at": {"x": "0.4 m", "y": "2.6 m"}}
AHEAD = [range_sensor("ahead", 0.1, 0.0, 0.0, rate="10 Hz", errors=NOISE)]
GATE = {"gate": {"sigmas": 3.0}}


def sighted(
    believed_pot: dict[str, Any], true_pot: dict[str, Any], correction: dict[str, Any], **more: Any
) -> Prepared:
    """Return a case that looks at the east wall past a pot, and goes on."""
    machine = robot(sensors=AHEAD, correction={"filter": {}, **correction})
    return prepared(
        [LOOK, drive(1.5, 1.0)],
        machine,
        believed=field_map(x=(0.0, 4.2), y=(0.0, 3.0), elements=[believed_pot]),
        true=field_map(x=(0.0, 4.2), y=(0.0, 3.0), elements=[true_pot]),
        start=(0.5, 1.0, 0.0),
        spread=("10 mm", "10 mm", "0.2 deg"),
        **more,
    )


def test_mc_mapped_pot_in_the_sight_line_is_recognised() -> None:
    """A pot that the map has in the sight line shuts the corridor: no reading is used."""
    case = sighted(POT, POT, {"validity": {"corridor": "50 mm"}})
    result = run_trials(case, 300, 1)
    assert outcomes(result, Outcome.CORRIDOR) > 0
    assert outcomes(result, Outcome.ACCEPTED) == 0
    assert not covariance(case).accepted.any()


def test_mc_strayed_pot_in_the_sight_line_is_refused_at_the_gate() -> None:
    """A pot that strayed into the sight line is refused at the gate; without one it spoils the run."""
    region = [["2.9 m", "0.95 m"], ["3.1 m", "0.95 m"], ["3.1 m", "1.05 m"], ["2.9 m", "1.05 m"]]
    strayed = {**ASIDE, "stray": {"probability": "100 %", "region": region, "constant_over": "run", **GUESS}}
    gated = run_trials(sighted(ASIDE, strayed, {**GATE, "validity": {"corridor": "50 mm"}}), 300, 1)
    assert outcomes(gated, Outcome.GATE) == 300 * 11
    assert outcomes(gated, Outcome.ACCEPTED) == 0
    # Refused, and rightly so.
    assert gated.wrongly_refused.sum() == 0

    ungated = run_trials(sighted(ASIDE, strayed, {"validity": {"corridor": "50 mm"}}), 300, 1)
    assert ungated.wrongly_accepted.sum() == 300 * 11
    assert abs(ungated.moments[-1].error[:, 0].mean()) > 0.5


BENCH = {
    "id": "bench",
    "shape": {"rectangle": {"length": "300 mm", "width": "1 m"}},
    "at": {"x": "3.55 m", "y": "1.55 m"},  # its face at x = 3.4 m, from y = 1.05 m upwards
    "reference": True,
}


def beside_a_bench(correction: dict[str, Any]) -> TrialsResult:
    """Return trials in which the beam should just pass the bench's end, but starts 80 mm to the left."""
    machine = robot(
        sensors=AHEAD, correction={"filter": {"start_x": "10 mm", "start_y": "10 mm"}, **correction}
    )
    case = prepared(
        [LOOK, drive(1.5, 1.0)],
        machine,
        believed=field_map(x=(0.0, 4.2), y=(0.0, 3.0), structures=[BENCH]),
        true=field_map(x=(0.0, 4.2), y=(0.08, 3.0), structures=[BENCH]),
        start=(0.5, 1.0, 0.0),
        spread=("5 mm", "2 mm", "0 deg"),
        placed_against=["south"],
    )
    return run_trials(case, 300, 1)


def test_mc_wrong_wall_is_refused() -> None:
    """An echo from the bench in place of the wall behind it is refused; without a gate it is believed."""
    gated = beside_a_bench(GATE)
    assert outcomes(gated, Outcome.GATE) == 300 * 11
    assert gated.wrongly_accepted.sum() == 0
    assert np.abs(gated.moments[-1].error[:, 0]).max() < 0.03

    ungated = beside_a_bench({})
    assert ungated.wrongly_accepted.sum() == 300 * 11
    assert abs(ungated.moments[-1].error[:, 0].mean()) > 0.3


@pytest.mark.parametrize("carries_variant", [False, True])
def test_law_wall_off_costs_what_the_map_does_not_say(carries_variant: bool) -> None:
    """A wall 10 mm off costs 10 mm to a robot that carries the drawing, nothing with the variant."""
    drawing, built = HALL, field_map(x=(0.0, 4.21), y=(0.0, 3.0))
    machine = robot(
        sensors=AHEAD,
        correction={"filter": {"range_at_zero": "1 mm", "start_x": "100 mm"}, "when": "looking"},
    )
    case = prepared(
        [LOOK, drive(1.5, 1.0)],
        machine,
        believed=built if carries_variant else drawing,
        true=built,
        start=(0.5, 1.0, 0.0),
    )
    expected = 0.0 if carries_variant else 0.010
    found = run_trials(case, 500, 1).moments[-1].error[:, 0]
    # 11 readings of 5 mm leave 1.5 mm to a trial, 0.07 mm to the mean of 500.
    assert found.mean() == pytest.approx(expected, abs=3e-4)
    assert covariance(case).moments[-1].mean[0] == pytest.approx(expected, abs=1e-5)


# Latency, the way back, contact


@pytest.mark.parametrize("compensated", [False, True])
def test_law_latency_while_driving_at_a_wall(compensated: bool) -> None:
    """A reading 50 ms old at 1 m/s tells of where the robot was: 50 mm, unless it is compensated."""
    sensor = range_sensor("ahead", 0.0, 0.0, 0.0, rate="0.002 Hz", phase="0.6 s", latency="50 ms")
    correction = {"when": "always", "update": {"law": "replace"}, "compensate_latency": compensated}
    case = prepared(
        [{"do": "advance", "distance": "2 m"}, mark("there")],
        robot(sensors=[sensor], correction=correction),
        believed=HALL,
        start=(0.5, 1.0, 0.0),
    )
    expected = 0.0 if compensated else 0.050
    # The belief is put back by the way driven since; the truth is then ahead of it.
    assert run_trials(case, 2, 1).moments[0].estimation[:, 0] == pytest.approx(expected, abs=1e-9)
    assert covariance(case).moments[0].estimation_mean[0] == pytest.approx(expected, abs=1e-9)


def wrong_start(way_back: dict[str, Any] | None) -> TrialsResult:
    """Return trials that start 300 mm ahead of where they believe to be, with a gate."""
    correction = {
        **GATE,
        "filter": {"start_x": "10 mm", "start_y": "10 mm", "start_heading": "1 deg", "range_at_zero": "5 mm"},
        **({"way_back": way_back} if way_back else {}),
    }
    case = prepared(
        [{"do": "look", "time": "3 s"}, drive(1.5, 1.0)],
        robot(sensors=AHEAD, correction=correction),
        believed=HALL,
        true=field_map(x=(0.3, 4.2), y=(0.0, 3.0)),
        start=(0.5, 1.0, 0.0),
        placed_against=["west"],
    )
    return run_trials(case, 200, 1)


def test_mc_way_back_after_a_wrong_start() -> None:
    """A gate without a way back locks out after a wrong start; with one the robot finds itself again."""
    locked = wrong_start(None)
    assert outcomes(locked, Outcome.ACCEPTED) == 0
    assert locked.moments[-1].error[:, 0] == pytest.approx(0.3, abs=1e-9)

    found = wrong_start({"refusals": 3, "factor": 10.0, "lost_after": 1000})
    assert np.abs(found.moments[-1].error[:, 0]).max() < 0.02
    assert not found.lost.any()


def test_mc_lost_is_raised() -> None:
    """After so many refusals more, in spite of the wider filter, the robot says that it is lost."""
    stubborn = wrong_start({"refusals": 3, "factor": 1.01, "lost_after": 10})
    assert stubborn.lost.all()
    assert not wrong_start({"refusals": 3, "factor": 1.01, "lost_after": 100}).lost.any()


def test_mc_contact_with_a_strayed_pot() -> None:
    """A pot that strays into the path in 30 % of the runs is hit in 30 %, in the step that drives there."""
    region = [["1.4 m", "0.98 m"], ["1.6 m", "0.98 m"], ["1.6 m", "1.02 m"], ["1.4 m", "1.02 m"]]
    strayed = {**ASIDE, "stray": {"probability": "30 %", "region": region, "constant_over": "run", **GUESS}}
    case = sighted(ASIDE, strayed, OFF)
    trials = 4000
    result = run_trials(case, trials, 1)
    hit = result.touch_step >= 0
    # The drive to x = 1.5 m: the front bumper goes as far as 1.65 m, over the whole region.
    assert hit.mean() == pytest.approx(0.3, abs=4.0 * math.sqrt(0.3 * 0.7 / trials))
    assert set(result.touch_step[hit]) == {1}
    assert {result.obstacles[i] for i in result.touch_obstacle[hit]} == {"pot"}
    assert np.array_equal(result.moments[-1].touched, hit)


def test_mc_no_contact_in_free_space() -> None:
    """Nothing is touched where nothing stands."""
    result = run_trials(after_a_look(drive(2.5, 1.0), {}), 1000, 1)
    assert np.all(result.touch_step == -1)
    assert not result.moments[-1].touched.any()


def test_mc_contact_with_a_wall() -> None:
    """A bumper that should stop 10 mm, one standard deviation, before a wall touches it in 15.9 %."""
    machine = robot(correction=OFF)
    steps = [drive(4.2 - 0.15 - 0.010, 1.0)]
    case = prepared(steps, machine, believed=HALL, start=(3.0, 1.0, 0.0), spread=("10 mm", "0 mm", "0 deg"))
    trials = 4000
    share = 0.158655  # normal tail beyond one standard deviation (Abramowitz and Stegun 26.2)
    touched = run_trials(case, trials, 1).touch_step >= 0
    assert touched.mean() == pytest.approx(share, abs=4.0 * math.sqrt(share * (1.0 - share) / trials))
