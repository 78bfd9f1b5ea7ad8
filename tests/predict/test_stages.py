"""The stages of the correction: in any order, each switched off by itself, and in chosen steps only."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import numpy as np
import pytest

from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.values import Outcome, TrialsResult
from driftgate.schema.correction import Correction
from driftgate.sight.stages import Stage, stages
from driftgate.sight.values import Reason

from .scenes import GUESS, field_map, prepared, range_sensor, robot, run

HALL = field_map(x=(0.0, 4.2), y=(0.0, 3.0))
NOISE = {"noise": {"at_zero": "5 mm", "constant_over": "reading", **GUESS}}
FALSE = {
    **NOISE,
    "short_return": {"probability": "20 %", "constant_over": "reading", **GUESS},
    "dropout": {"probability": "10 %", "constant_over": "reading", **GUESS},
}
ORDERS = list(permutations(("validity", "gate", "persistence")))
OWN = {"range_at_zero": "6 mm", "start_x": "30 mm", "start_y": "30 mm", "start_heading": "1 deg"}


def passing(correction: dict[str, Any], errors: dict[str, Any] = FALSE, **more: Any) -> Prepared:
    """Return a robot that drives past a bench: the right sensor meets it too near, then the wall behind.

    Driving faster than validity allows in the middle, with false returns and dropouts all along.
    """
    bench = {
        "id": "bench",
        "shape": {"rectangle": {"length": "800 mm", "width": "400 mm"}},
        "at": {"x": "1.6 m", "y": "0.2 m"},
        "reference": True,
    }
    field = field_map(x=(0.0, 4.2), y=(0.0, 3.0), structures=[bench])
    machine = robot(
        {"distance_scale": run(spread="1 %"), "heading_bias": run(spread="0.3 deg/s")},
        sensors=[range_sensor("right", 0.0, 0.0, -90.0, rate="25 Hz", errors=errors)],
        correction={"when": "always", "filter": OWN, **correction},
    )
    return prepared(
        [{"do": "drive", "to": ["3.4 m", "0.7 m"]}, {"do": "look", "time": "0.4 s"}],
        machine,
        believed=field,
        start=(0.4, 0.7, 0.0),
        spread=("10 mm", "10 mm", "0.5 deg"),
        **more,
    )


FULL: dict[str, Any] = {
    "validity": {"range": {"low": "400 mm", "high": "2 m"}, "speed": "0.9 m/s"},
    "gate": {"sigmas": 3.0},
    "persistence": {"readings": 3},
}


def total(result: TrialsResult, outcome: Outcome) -> int:
    """Return how many readings had an outcome."""
    return int(result.counts[..., outcome].sum())


def same(a: TrialsResult, b: TrialsResult) -> bool:
    """Return whether two results are the same bit for bit."""
    return np.array_equal(a.counts, b.counts) and all(
        np.array_equal(m.error, n.error) for m, n in zip(a.moments, b.moments, strict=True)
    )


@pytest.mark.parametrize("order", ORDERS, ids="-".join)
def test_law_echo_is_asked_before_the_first_test_of_a_reading(order: tuple[str, ...]) -> None:
    """Gate and persistence come after the echo, and the order is otherwise the robot's own."""
    found = stages(Correction.model_validate({"order": list(order), "update": {"law": "kalman"}}))
    assert [s.value for s in found if s is not Stage.ECHO] == list(order)
    assert found.index(Stage.ECHO) == min(found.index(Stage.GATE), found.index(Stage.PERSISTENCE)) - 1


def test_pin_order_as_it_was() -> None:
    """Validity, gate, persistence written out is what a robot without an order does."""
    written = run_trials(passing({**FULL, "order": ["validity", "gate", "persistence"]}), 60, 1)
    assert same(run_trials(passing(FULL), 60, 1), written)


@pytest.mark.parametrize("order", ORDERS, ids="-".join)
def test_law_every_reading_is_counted_once(order: tuple[str, ...]) -> None:
    """In any order every reading of every trial has one outcome, and each stage refuses some."""
    case = passing({**FULL, "order": list(order)})
    result = run_trials(case, 60, 1)
    assert result.counts.sum() == 60 * len(case.plan.timeline.readings.knot)
    for outcome in (Outcome.OUT_OF_RANGE, Outcome.TOO_FAST, Outcome.NO_ECHO, Outcome.GATE, Outcome.HELD_BACK):
        assert total(result, outcome) > 0, outcome


def test_law_gate_first_refuses_what_validity_would_have() -> None:
    """With the gate first a false return is refused there also where validity would have had it."""
    late, early = (
        run_trials(passing({**FULL, "order": order, "persistence": None}), 60, 1)
        for order in (["validity", "gate", "persistence"], ["gate", "validity", "persistence"])
    )
    assert total(early, Outcome.GATE) > 1.5 * total(late, Outcome.GATE)
    assert total(early, Outcome.TOO_FAST) < total(late, Outcome.TOO_FAST)


def fast_and_slow(order: list[str]) -> Prepared:
    """Return a drive at a wall, too fast for validity in its middle, then a pause; 10 readings a second."""
    machine = robot(
        sensors=[range_sensor("ahead", 0.0, 0.0, 0.0, rate="10 Hz")],
        correction={
            "when": "always",
            "order": order,
            "validity": {"speed": "0.5 m/s"},
            "gate": {"sigmas": 3.0},
            "persistence": {"readings": 4},
        },
    )
    steps = [{"do": "advance", "distance": "1 m"}, {"do": "pause", "time": "1 s"}]
    return prepared(steps, machine, believed=HALL, start=(0.5, 1.5, 0.0))


@pytest.mark.parametrize("order", ORDERS, ids="-".join)
def test_law_engines_keep_one_schedule(order: tuple[str, ...]) -> None:
    """Without any error the trials take exactly the readings of the covariance engine's schedule."""
    case = fast_and_slow(list(order))
    accepted, result = covariance(case).accepted, run_trials(case, 3, 1)
    steps = case.plan.timeline.readings.step
    expected = np.bincount(steps[accepted], minlength=len(case.plan.steps))
    assert result.counts[0, :, Outcome.ACCEPTED].tolist() == (3 * expected).tolist()
    early = order.index("persistence") < order.index("validity")
    # At 1 m/s in the middle nothing is valid; persistence before validity has counted all the same.
    assert total(result, Outcome.TOO_FAST) > 0
    first_standing = int(np.flatnonzero(steps == 1)[0])
    assert bool(accepted[first_standing]) == early


# Each stage by itself


def test_law_without_validity_a_reading_at_speed_is_tried() -> None:
    """Validity left out tries everything that the sensor can reach."""
    with_it, without = (
        run_trials(passing({**FULL, "validity": v}), 60, 1) for v in (FULL["validity"], {"reference": False})
    )
    assert total(with_it, Outcome.TOO_FAST) > 0
    # What is left is the sensor's own reach, and the angle at which it loses its echo.
    policy = (
        Outcome.NOT_REFERENCE,
        Outcome.OUT_OF_RANGE,
        Outcome.CORRIDOR,
        Outcome.TOO_FAST,
        Outcome.TURNING,
    )
    assert sum(total(without, o) for o in policy) == 0
    assert total(without, Outcome.ACCEPTED) > total(with_it, Outcome.ACCEPTED)


@pytest.mark.parametrize(("stage", "outcome"), [("gate", Outcome.GATE), ("persistence", Outcome.HELD_BACK)])
def test_law_a_stage_left_out_refuses_nothing(stage: str, outcome: Outcome) -> None:
    """Gate and persistence left out refuse nothing; the other stages go on."""
    result = run_trials(passing({**FULL, stage: None}), 60, 1)
    assert total(result, outcome) == 0
    assert total(result, Outcome.TOO_FAST) > 0
    assert total(run_trials(passing(FULL), 60, 1), outcome) > 0


def test_law_update_off_is_dead_reckoning() -> None:
    """A correction that is not enabled moves nothing: the truth goes as if there were no sensor."""
    off = run_trials(passing({**FULL, "enabled": False}), 60, 1)
    assert off.fix_move_nm.sum() == 0
    assert total(off, Outcome.SWITCHED_OFF) == off.counts.sum()


def drifted(expect_from: str, offset_m: float) -> TrialsResult:
    """Return trials whose belief a fix ahead takes back: the beam to the side should then meet a bench."""
    bench = {
        "id": "bench",
        "shape": {"rectangle": {"length": "600 mm", "width": "400 mm"}},
        "at": {"x": "1.0 m", "y": "0.2 m"},
        "reference": True,
    }
    ahead = range_sensor("ahead", 0.0, 0.0, 0.0, rate="0.002 Hz", phase="0.1 s")
    right = range_sensor("right", 0.0, 0.0, -90.0, rate="10 Hz", phase="0.2 s")
    machine = robot(
        sensors=[ahead, right],
        correction={"when": "always", "expect_from": expect_from, "update": {"law": "replace"}},
    )
    believed = field_map(x=(0.0, 4.2), y=(0.0, 3.0), structures=[bench])
    # The east wall stands further off than the map says: the fix ahead takes the belief back.
    true = field_map(x=(0.0, 4.2 + offset_m), y=(0.0, 3.0), structures=[bench])
    case = prepared(
        [{"do": "look", "time": "1 s"}], machine, believed=believed, true=true, start=(1.35, 0.9, 0.0)
    )
    return run_trials(case, 3, 1)


def test_law_a_belief_led_astray_expects_the_wrong_surface() -> None:
    """A belief 100 mm back expects the bench, and takes the wall for it; by the plan it expects the wall."""
    # Belief at 1.25 m, above the bench (0.7 to 1.3 m): expects 0.5 m, reads 0.9 m from the south wall.
    belief, plan = drifted("belief", 0.1), drifted("plan", 0.1)
    assert belief.moments[-1].tracking[:, 1] == pytest.approx(0.4, abs=1e-9)
    assert belief.wrongly_accepted[1].sum() == belief.counts[1, :, Outcome.ACCEPTED].sum() > 0
    assert plan.moments[-1].tracking[:, 1] == pytest.approx(0.0, abs=1e-9)
    assert plan.wrongly_accepted.sum() == 0
    assert plan.counts[1, :, Outcome.ACCEPTED].sum() == 3 * 9


def test_law_a_planned_surface_behind_the_belief_is_none() -> None:
    """Where the planned surface lies behind the believed robot no reading is expected of it."""
    result = drifted("plan", 0.0)
    assert total(result, Outcome.NO_SURFACE) == 0
    spun = prepared(
        [{"do": "look", "time": "4 s"}],
        robot(
            {"heading_bias": run(mean="40 deg/s", spread="0 deg/s")},
            sensors=[range_sensor("ahead", 0.0, 0.0, 0.0, rate="10 Hz", phase="3 s")],
            correction={"when": "always", "expect_from": "plan", "validity": {"reference": False}},
        ),
        believed=HALL,
        start=(2.0, 1.5, 0.0),
    )
    found = run_trials(spun, 2, 1)
    # A gyro that drifts 40 deg/s standing: after 3 s the belief looks 120 deg away from the east wall.
    assert total(found, Outcome.NO_SURFACE) == found.counts.sum() == 2 * 11
    # The sensor itself has seen that wall all the time: association refused what was right.
    assert found.wrongly_refused.sum() == 2 * 11


def test_mc_wrongly_refused_are_undistorted_echoes_of_the_expected_surface() -> None:
    """Behind a gate that refuses all, only echoes of the wall itself count, no dropouts and false returns."""
    chance = {"probability": "30 %", "constant_over": "reading", **GUESS}
    sensor = range_sensor("ahead", 0.0, 0.0, 0.0, errors={**NOISE, "dropout": chance, "short_return": chance})
    own = {"start_x": "5 mm", "start_y": "5 mm", "start_heading": "0.1 deg", "range_at_zero": "5 mm"}
    case = prepared(
        [{"do": "look", "time": "1 s"}],
        robot(sensors=[sensor], correction={"when": "always", "gate": {"sigmas": 2.0}, "filter": own}),
        believed=HALL,
        true=field_map(x=(0.3, 4.2), y=(0.0, 3.0)),
        start=(0.5, 1.5, 0.0),
        placed_against=["west"],
    )
    trials = 200
    result = run_trials(case, trials, 1)
    readings = trials * len(case.plan.timeline.readings.knot)
    right, refused = int(result.wrongly_refused.sum()), total(result, Outcome.GATE)
    assert total(result, Outcome.NO_ECHO) == pytest.approx(0.3 * readings, abs=4.0 * np.sqrt(0.21 * readings))
    # A false return may by chance lie where the robot believes the wall to be, 0.3 m before it.
    assert refused > 0.95 * (readings - total(result, Outcome.NO_ECHO))
    assert right == pytest.approx(0.49 * readings, abs=4.0 * np.sqrt(0.25 * readings))


# Fixes by step


def three_steps(first: Any, when: str = "always", **correction: Any) -> Prepared:
    """Return a drive, a pause and a look past a wall, `fixes` given for the drive."""
    sensors = [
        range_sensor("left", 0.0, 0.0, 90.0, rate="10 Hz"),
        range_sensor("ahead", 0.0, 0.0, 0.0, rate="10 Hz"),
    ]
    go = {"do": "drive", "to": ["1.5 m", "1.5 m"]}
    return prepared(
        [
            go if first is None else {**go, "fixes": first},
            {"do": "pause", "time": "0.5 s"},
            {"do": "look", "time": "0.5 s"},
        ],
        robot(sensors=sensors, correction={"when": when, **correction}),
        believed=HALL,
        start=(0.5, 1.5, 0.0),
    )


def usable(case: Prepared) -> list[list[bool]]:
    """Return for every step which sensors have a usable reading in it."""
    readings, sight = case.plan.timeline.readings, case.sight
    ok = sight.reason == Reason.USABLE
    return [
        [bool(np.any(ok & (readings.step == step) & (readings.sensor == s))) for s in range(2)]
        for step in range(3)
    ]


BOTH, NONE = [True, True], [False, False]


@pytest.mark.parametrize(
    ("fixes", "when", "expected"),
    [
        (None, "always", [BOTH, BOTH, BOTH]),
        (None, "looking", [NONE, NONE, BOTH]),
        ("none", "always", [NONE, BOTH, BOTH]),
        ("all", "looking", [BOTH, NONE, BOTH]),
        (["left"], "always", [[True, False], BOTH, BOTH]),
        (["ahead"], "looking", [[False, True], NONE, BOTH]),
    ],
)
def test_law_a_step_says_which_sensors_fix(fixes: Any, when: str, expected: list[list[bool]]) -> None:
    """A step's `fixes` overrules the robot's `when` in that step, in both engines and in sight alike."""
    case = three_steps(fixes, when)
    assert usable(case) == expected
    result = run_trials(case, 2, 1)
    taken = result.counts[..., Outcome.ACCEPTED].T > 0
    assert taken.tolist() == expected
    assert (covariance(case).fixes > 0).tolist() == [any(row) for row in expected]
    if fixes == "none":
        assert total(result, Outcome.SWITCHED_OFF) == result.counts[:, 0].sum()


def test_law_disabled_means_nowhere() -> None:
    """A robot whose correction is disabled takes no fix, whatever a step says."""
    assert usable(three_steps("all", enabled=False)) == [NONE, NONE, NONE]


def test_law_fixes_deal_no_luck_anew() -> None:
    """Which sensors may fix in a step changes no step's random streams."""
    places = [[s.place for s in three_steps(fixes).plan.steps] for fixes in (None, "none", ["left"])]
    assert places[0] == places[1] == places[2]
