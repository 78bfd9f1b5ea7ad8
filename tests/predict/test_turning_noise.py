"""What the filter expects of turns: a wheel off its place, a late heading, slip.

Their errors go round with the heading: after a turn by a the place is off by the chord 2 r sin(a/2), with r
the wheel's offset, the slip per turn, or lateness times speed. As noise by the root of the angle the square
comes out right after a quarter and a half turn: 4 r^2/pi a is 2 r^2 and 4 r^2 there.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from driftgate.export.gather import Origin, hand_over
from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.filter_model import NO_TURNING

from .scenes import field_map, prepared, range_sensor, robot, run, tick

ROOM = field_map(x=(-3.0, 3.0), y=(-3.0, 3.0))
SPREAD = ("1 mm", "1 mm", "0 deg")
# Each with the radius r of its circle, where the robot goes at 0.5 m/s. [m]
SOURCES: dict[str, tuple[dict[str, Any], float]] = {
    "wheel offset": ({"wheel_offset": run(mean="-12 mm", spread="16 mm")}, 0.020),
    "heading latency": ({"heading_latency": run(mean="30 ms", spread="40 ms")}, 0.025),
    "slip per turn": ({"lateral_slip": run(per_turn="12 mm/rad", per_turn_spread="16 mm/rad")}, 0.020),
    "slip by speed": ({"lateral_slip": run(with_speed="40 ms")}, 0.020),
}


def arc(angle: str = "90 deg", radius: str = "0.8 m") -> list[dict[str, Any]]:
    """Return an arc at 0.5 m/s, which is reached within a few ticks."""
    return [{"do": "arc", "radius": radius, "angle": angle, "speed": "0.5 m/s", "acceleration": "50 m/s^2"}]


def driven(errors: dict[str, Any], steps: list[dict[str, Any]], **own: Any) -> Prepared:
    """Return a way without fixes, its start as uncertain as the filter takes it for."""
    limits = {"acceleration": "50 m/s^2", "centripetal": "50 m/s^2"}
    machine = robot(errors, [], {"filter": own}, limits=limits)
    return prepared(steps, machine, ROOM, spread=SPREAD)


@pytest.mark.parametrize("angle", ["90 deg", "-90 deg", "180 deg"])
@pytest.mark.parametrize("name", SOURCES)
def test_law_after_quarter_and_half_turns_the_square_is_right(name: str, angle: str) -> None:
    """Mean and spread together: how far off the place is, in the mean square."""
    errors, radius_m = SOURCES[name]
    last = covariance(driven(errors, arc(angle))).moments[-1]
    square = 4.0 * radius_m**2 * math.sin(math.radians(abs(float(angle.split()[0]))) / 2.0) ** 2
    claimed = np.trace(last.filter_cov[:2, :2]) - 2e-6
    assert claimed == pytest.approx(square, rel=0.03)
    true = last.estimation_cov + np.outer(last.estimation_mean, last.estimation_mean)
    assert np.trace(true[:2, :2]) - 2e-6 == pytest.approx(square, rel=0.05)


@pytest.mark.parametrize("name", SOURCES)
def test_law_nothing_in_straights_and_turns_on_the_spot(name: str) -> None:
    """Nothing turns there, or no wheel counts."""
    steps = [{"do": "advance", "distance": "0.7 m"}, {"do": "rotate", "angle": "120 deg"}]
    last = covariance(driven(SOURCES[name][0], steps)).moments[-1]
    assert last.filter_cov[:2, :2] == pytest.approx(1e-6 * np.eye(2), abs=1e-12)


def test_law_written_walks_have_turns_in_them() -> None:
    """Who states a walk states all of it: `along` for what acts ahead, `across` for the rest."""
    errors = SOURCES["wheel offset"][0] | SOURCES["slip per turn"][0] | SOURCES["heading latency"][0]
    found = driven(errors, arc()).filter.turning
    assert min(found) > 0.0
    assert driven(errors, arc(), along="1 mm/sqrt(m)").filter.turning == (0.0, *found[1:])
    assert driven(errors, arc(), across="1 mm/sqrt(m)").filter.turning == (found[0], 0.0, 0.0)
    assert driven({}, arc()).filter.turning == NO_TURNING


def test_mc_right_readings_are_taken_after_an_arc() -> None:
    """A heading 60 ms late puts the robot 68 mm aside in a quarter turn at 0.8 m/s; a look mends it."""
    noise = {"noise": {"at_zero": "4 mm", "constant_over": "reading", "basis": "guess"}}
    sensors = [
        range_sensor(name, 0.0, 0.0, at, rate="20 Hz", errors=noise) for name, at in (("a", 0.0), ("b", 90.0))
    ]
    rule = {"when": "looking", "gate": {"sigmas": 3.0}, "filter": {}}
    errors = {"heading_latency": run(spread="60 ms"), "distance_walk": tick(per_root_metre="2 mm/sqrt(m)")}
    steps = [
        {"do": "arc", "radius": "0.8 m", "angle": "90 deg", "speed": "0.8 m/s"},
        {"do": "look", "time": "0.4 s"},
    ]
    small = field_map(x=(-1.0, 2.0), y=(-1.0, 2.0))
    trials = run_trials(prepared(steps, robot(errors, sensors, rule), small, spread=SPREAD), 400, 1)
    assert np.quantile(np.hypot(*trials.moments[-1].estimation[:, :2].T), 0.95) < 0.01
    assert trials.wrongly_refused.sum() < 0.02 * trials.counts.sum()


def test_law_the_robots_own_code_is_given_the_same() -> None:
    """What is handed over is what both engines go by."""
    case = driven(SOURCES["heading latency"][0] | SOURCES["wheel offset"][0], arc())
    handed = hand_over(case, Origin("made", "made.yaml", "0" * 64, "0")).correction
    found = handed.turn_ahead_per_root_rad, handed.turn_left_per_root_rad, handed.turn_left_s_per_root_rad
    # 2/sqrt(pi) of 20 mm and of 50 ms.
    assert found == pytest.approx((0.0225676, 0.0, 0.0564190), rel=1e-5)
