"""Both engines where something on the map stands in the sight line and the robot does not test for it."""

from __future__ import annotations

from typing import Any

import pytest

from driftgate.judge.agree import disagreements
from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.values import Outcome
from driftgate.sight.dark import informing
from driftgate.sight.values import Reason

from .scenes import field_map, mark, prepared, range_sensor, robot, run
from .test_cones import pot

TRIALS = 400


NOISE = {"at_zero": "5 mm", "per_range": "0 %", "constant_over": "reading", "basis": "guess"}
GATED = {"when": "always", "update": {"law": "kalman"}, "gate": {"sigmas": 3.0}}


def standing(sensors: list[dict[str, Any]], pots: list[dict[str, Any]], **correction: Any) -> Prepared:
    """Return a robot that stands, its readings gated, 2 m from the wall ahead."""
    return prepared(
        [{"do": "pause", "time": "1 s"}, mark("here", x="50 mm")],
        robot(sensors=sensors, correction={**GATED, **correction}),
        field_map(x=(-2.0, 2.0), y=(-2.0, 2.0), elements=pots),
        spread=("20 mm", "0 mm", "0 deg"),
    )


CASES = {
    "pot": (None, Reason.OBSTRUCTED),
    "floor": ({"mount_pitch": run(mean="-5 deg", spread="0 deg")}, Reason.FLOOR_FIRST),
    "top": ({"mount_pitch": run(mean="20 deg", spread="0 deg")}, Reason.OVER_OR_UNDER),
}


@pytest.mark.parametrize("which", CASES)
def test_law_engines_agree_that_nothing_is_fixed(which: str) -> None:
    """Neither engine takes a fix, sight says why, and the engines do not differ."""
    errors, reason = CASES[which]
    sensor = range_sensor("ahead", 0.0, 0.0, 0.0, errors={"noise": NOISE, **(errors or {})})
    case = standing([sensor], [] if errors else [pot(1.0, 0.0)])
    assert {Reason(r) for r in case.sight.reason} == {reason}
    linear, trials = covariance(case), run_trials(case, TRIALS, 1)
    assert not linear.accepted.any()
    assert int(trials.counts[:, :, Outcome.ACCEPTED].sum()) == 0
    assert disagreements(case.moments, linear, trials, 0.05) == ()


def test_law_a_pair_with_one_blocked_sensor_gives_nothing() -> None:
    """The robot makes one of two readings; with one of them wrong, so are the difference and the mean."""
    both = [
        range_sensor(name, 0.0, y, 0.0, errors={"noise": NOISE})
        for name, y in (("left", 0.1), ("right", -0.1))
    ]
    case = standing(both, [pot(1.0, 0.1)], pairs=[{"sensors": ["left", "right"]}])
    assert {Reason(r) for r in case.sight.reason} == {Reason.USABLE, Reason.OBSTRUCTED}
    assert not informing(case.case, case.plan, case.sight, case.believed).any()
    trials = run_trials(case, TRIALS, 1)
    assert not covariance(case).accepted.any()
    assert int(trials.counts[:, :, Outcome.ACCEPTED].sum()) == 0
