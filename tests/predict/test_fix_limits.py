"""How far one fix may move the belief, and what is moved: place, heading, an end that answers in a cone."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.sources import source_table
from driftgate.sight.dark import informing

from .outcomes import ENGINES, known
from .scenes import GUESS, field_map, prepared, range_sensor, robot, run, single_reading

WIDE = field_map(x=(-4.0, 4.0), y=(-4.0, 4.0))
PAIR = {"pairs": [{"sensors": ["port", "starboard"]}]}
# The outline is a square of 0.3 m.
REACH_M = 0.15 * math.sqrt(2.0)


def turned(law: str, limit: dict[str, str], heading_deg: float = 10.0) -> Prepared:
    """Return a robot whose belief is 10 deg off by the time that a pair of sensors reads once."""
    at = {"rate": "0.002 Hz", "phase": "2 s"}
    sensors = [
        range_sensor("port", 0.05, 0.1, 0.0, **at),
        range_sensor("starboard", 0.05, -0.1, 0.0, **at),
    ]
    correction = {"when": "always", "update": {"law": law, "share": "100 %", **limit}, **PAIR}
    # It doubts its start, and knows nothing of the bias that turned it.
    correction["filter"] = {
        "start_x": "50 mm",
        "start_y": "50 mm",
        "start_heading": "3 deg",
        "range_at_zero": "0.001 mm",
        "heading_per_root_second": "0 deg/sqrt(s)",
    }
    return prepared(
        [{"do": "look", "time": "2 s"}],
        robot({"heading_bias": run(mean="5 deg/s", spread="0 deg/s")}, sensors, correction),
        believed=WIDE,
        start=(0.0, 0.0, heading_deg),
    )


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("law", ["kalman", "replace", "blend"])
def test_law_the_limit_bounds_the_turn_of_a_pair(engine: str, law: str) -> None:
    """A fix of 10 deg is cut to the turn that moves the outline's corners by 5 mm."""
    allowed_deg = math.degrees(0.005 / REACH_M)
    left = math.degrees(known(turned(law, {"largest_move": "5 mm"}), engine)["end"].t[2])
    if law == "kalman":  # difference and mean are a fix each, and both turn
        assert 10.0 - 2.0 * allowed_deg <= left <= 10.0 - allowed_deg
    else:
        assert left == pytest.approx(10.0 - allowed_deg, abs=1e-9)
    assert abs(math.degrees(known(turned(law, {}), engine)["end"].t[2])) < 1.0


def test_law_the_filter_is_left_with_the_turn_not_taken() -> None:
    """Of a limited turn the filter keeps its doubt: the gain that is used is the scaled one."""
    whole, cut = (
        math.sqrt(covariance(turned("replace", limit)).moments[-1].filter_cov[2, 2])
        for limit in ({}, {"largest_move": "5 mm"})
    )
    start = math.radians(3.0)
    assert whole < 0.01 * start
    share = (0.005 / REACH_M) / math.radians(10.0)
    assert cut == pytest.approx((1.0 - share) * start, rel=0.07)


def spoilt(**update: Any) -> Prepared:
    """Return a pair, 4 mm apart and 4 m from a wall, one of whose sensors reads anything up to 30 m."""
    at = {
        "rate": "0.002 Hz",
        "phase": "0.5 s",
        "reach": {"low": "0 m", "high": "30 m"},
        "echo_limit": "89 deg",
    }
    anything = {"random_return": {"probability": "100 %", "constant_over": "reading", **GUESS}}
    sensors = [
        range_sensor("port", 0.0, 0.002, 0.0, **at, errors=anything),
        range_sensor("starboard", 0.0, -0.002, 0.0, **at),
    ]
    correction = {"when": "always", "update": {"law": "replace", **update}, **PAIR}
    return prepared(
        [{"do": "look", "time": "1 s"}],
        robot({}, sensors, correction),
        believed=WIDE,
    )


def test_law_no_fix_turns_the_belief_the_long_way_round() -> None:
    """4 mm apart and 10 m off a pair says any number of turns: the belief is at most half a turn off."""
    turn = np.abs(run_trials(spoilt(), 200, 1).moments[-1].tracking[:, 2])
    assert turn.max() <= math.pi + 1e-9
    assert (turn > 0.5 * math.pi).mean() > 0.2
    limited = np.abs(run_trials(spoilt(largest_move="20 mm"), 200, 1).moments[-1].tracking[:, 2])
    assert limited.max() == pytest.approx(0.020 / REACH_M, rel=1e-9)


def corner(law: str, share: str = "100 %") -> Prepared:
    """Return a reading of a bench's corner in a cone; the robot stands 60 mm further ahead than it believes.

    The corner is at (1.2, 0.35) of where the robot believes to be.
    """
    bench = {
        "id": "bench",
        "shape": {"rectangle": {"length": "400 mm", "width": "400 mm"}},
        "at": {"x": "1.4 m", "y": "0.55 m"},
        "reference": True,
    }
    field = field_map(x=(-2.0, 2.0), y=(-2.0, 2.0), structures=[bench])
    sensor = single_reading("ahead", 0.0, 0.5, beam_width="40 deg")
    machine = robot({}, [sensor], {"when": "always", "update": {"law": law, "share": share}})
    case = prepared([{"do": "pause", "time": "1 s"}], machine, believed=field, start=(0.0, 0.0, 0.0))
    assert case.sight.range_m[0] == pytest.approx(math.hypot(1.2, 0.35))
    return case


@pytest.mark.parametrize("law", ["replace", "blend"])
def test_law_an_end_that_answers_moves_the_belief_along_the_sight_line(law: str) -> None:
    """The distance of a corner says nothing across the sight line: the gain is u, by its share, reversed."""
    case = corner(law, "40 %")
    share = 0.4 if law == "blend" else 1.0
    u = np.array([1.2, 0.35]) / math.hypot(1.2, 0.35)
    before = np.diag([0.05**2, 0.05**2, math.radians(3.0) ** 2])
    h = np.array([*-u, 0.0])
    keep = np.eye(3) - np.outer(share * h, h)
    wanted = keep @ before @ keep.T
    assert covariance(case).moments[-1].filter_cov == pytest.approx(wanted, rel=1e-6, abs=1e-12)


def test_law_an_end_informs_along_the_sight_line() -> None:
    """A corner that answers sheds light along the sight line, not along its surface's normal."""
    sensor = single_reading("aside", 60.0, 0.5, beam_width="30 deg", echo_limit="89 deg")
    bench = {
        "id": "bench",
        "shape": {"rectangle": {"length": "400 mm", "width": "400 mm"}},
        "at": {"x": "0.7 m", "y": "1.2 m"},  # its near corner is at (0.5, 1.0)
        "reference": True,
    }
    field = field_map(x=(-2.0, 2.0), y=(-4.0, 4.0), structures=[bench])
    machine = robot({}, [sensor], {"when": "always"})
    case = prepared([{"do": "pause", "time": "1 s"}], machine, believed=field)
    edge = case.believed.edges[case.sight.surface[0]]
    assert case.sight.range_m[0] == pytest.approx(math.hypot(0.5, 1.0))
    # Met is the lower face, normal along y; 0.5 / 1.118 of the sight line is along x.
    assert abs(edge.normal[1]) == pytest.approx(1.0)
    assert informing(case.case, case.plan, case.sight, case.believed)[0].tolist()[:2] == [False, True]
    near = prepared([{"do": "pause", "time": "1 s"}], machine, believed=field, start=(-0.2, 0.2, 0.0))
    # From (-0.2, 0.2) the corner lies at (0.7, 0.8): 0.66 along x.
    assert informing(near.case, near.plan, near.sight, near.believed)[0].tolist()[:2] == [True, True]


def test_law_an_end_moves_with_the_structure_that_it_belongs_to() -> None:
    """A corner off its place by d is u . d further off along the sight line u, and so is the robot after it.

    It replaces its belief along u, and the drive that follows closes on the belief. The bench turns about its
    middle, 0.2 m from the corner either way.
    """
    spreads = {"x": 3e-3, "y": 4e-3, "heading": math.radians(0.5)}
    bench = {
        "id": "bench",
        "shape": {"rectangle": {"length": "400 mm", "width": "400 mm"}},
        "at": {"x": "1.4 m", "y": "0.55 m"},
        "reference": True,
        "build": {"x": "3 mm", "y": "4 mm", "heading": "0.5 deg", "constant_over": "field", **GUESS},
    }
    sensor = single_reading("ahead", 0.0, 0.5, beam_width="40 deg")
    machine = robot({}, [sensor], {"when": "always", "update": {"law": "replace"}}, drive="holonomic")
    case = prepared(
        [{"do": "pause", "time": "1 s"}, {"do": "drive", "to": ["0 m", "-1 m"]}],
        machine,
        believed=field_map(x=(-2.0, 2.0), y=(-2.0, 2.0), structures=[bench]),
    )
    u = np.array([1.2, 0.35]) / math.hypot(1.2, 0.35)
    moved = {"x": (1.0, 0.0), "y": (0.0, 1.0), "heading": (0.2, -0.2)}
    end, constants = covariance(case).moments[-1], source_table(case.case).constants
    place = {constant.key: i for i, constant in enumerate(constants)}
    for axis, d in moved.items():
        wanted = spreads[axis] * u * float(u @ np.array(d))
        assert end.columns[:2, place[f"structure_build:bench:{axis}"]] == pytest.approx(wanted, abs=1e-9)
