"""What the robot remembers between readings, and what both engines make of it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.trial_memory import Tally, empty_tally, fresh_memory
from driftgate.predict.values import Outcome
from driftgate.schema.correction import WayBack

from .outcomes import ENGINES, spreads
from .scenes import GUESS, field_map, prepared, range_sensor, robot, run, single_reading, tick

HALL = field_map(x=(-4.0, 4.0), y=(-4.0, 4.0))
PAIR = {"pairs": [{"sensors": ["port", "starboard"]}]}
LOOK = {"do": "look", "time": "1 s"}
BETWEEN = {
    "neither is looked at": {**LOOK, "fixes": "none"},
    "one is looked at alone": {**LOOK, "fixes": ["port"]},
    "both are refused for speed": {"do": "advance", "distance": "1 m"},
    "nothing": LOOK,
}


def between(name: str, pairs: dict[str, Any] = PAIR) -> Prepared:
    """Return a pair that reads once a second in three steps, two readings in a row being asked for."""
    at = {"rate": "1 Hz", "phase": "0.5 s"}
    sensors = [range_sensor(side, 0.05, y, 0.0, **at) for side, y in (("port", 0.1), ("starboard", -0.1))]
    correction = {
        "when": "always",
        "persistence": {"readings": 2},
        "validity": {"speed": "0.5 m/s"},
        **pairs,
    }
    return prepared([LOOK, BETWEEN[name], LOOK], robot({}, sensors, correction), believed=HALL)


@pytest.mark.parametrize("name", BETWEEN)
def test_law_a_pair_that_is_not_taken_starts_again(name: str) -> None:
    """Of three instants, the middle one not taken as a pair, none is the second in a row."""
    case = between(name)
    last = case.plan.timeline.readings.step == 2
    assert last.sum() == 2
    used = name == "nothing"
    assert covariance(case).accepted[last].tolist() == [used, used]
    accepted = run_trials(case, 3, 1).counts[:, 2, Outcome.ACCEPTED]
    assert accepted.tolist() == [3 * used, 3 * used]


def test_law_a_pairs_move_is_counted_once() -> None:
    """The sum over both sensors is how far the belief moved: 50 mm, for the wall is nearer by that."""
    at = {"rate": "0.002 Hz", "phase": "0.5 s"}
    sensors = [range_sensor(side, 0.05, y, 0.0, **at) for side, y in (("port", 0.1), ("starboard", -0.1))]
    correction = {"when": "always", "update": {"law": "replace"}, **PAIR}
    nearer = field_map(x=(-4.0, 3.95), y=(-4.0, 4.0))
    case = prepared([LOOK], robot({}, sensors, correction), believed=HALL, true=nearer)
    result = run_trials(case, 4, 1)
    assert result.moments[-1].tracking[:, 0] == pytest.approx(0.05)
    assert result.fix_move_nm.sum(axis=1).tolist() == [4 * 25_000_000, 4 * 25_000_000]


def test_law_long_moves_add_up_exactly() -> None:
    """A hundred thousand runaway moves and one of a nanometre: no digit is lost to rounding."""
    tally: Tally = empty_tally(1, 1, 1, 1)
    tally.moved(0, 0, np.concatenate([np.full(100_000, 999.999999999), [1e-9]]))
    assert int(tally.fix_move_nm[0, 0]) == 100_000 * 999_999_999_999 + 1


def test_law_the_way_back_widens_once_in_so_many_refusals() -> None:
    """After 3, 6, 9 refusals in a row the covariance grows fourfold; a pass starts the count again."""
    rule = WayBack(refusals=3, factor=4.0, lost_after=4)
    one, zero = np.ones(2), np.zeros(2)
    memory = fresh_memory((one, zero, zero, one, zero, one), 2, 1)
    grown, lost = [], []
    for i in range(9):
        refused = np.array([True, i != 4])
        memory.way_back(rule, refused, ~refused)
        grown.append([float(v) for v in memory.filter[0]])
        lost.append(memory.lost.tolist())
    assert [g[0] for g in grown] == [1.0, 1.0, 4.0, 4.0, 4.0, 16.0, 16.0, 16.0, 64.0]
    # The second trial passes at the fifth: 4 refusals, then 4 more.
    assert [g[1] for g in grown] == [1.0, 1.0, 4.0, 4.0, 4.0, 4.0, 4.0, 16.0, 16.0]
    assert [v[0] for v in lost] == [False] * 6 + [True] * 3
    assert not any(v[1] for v in lost)
    memory.way_back(None, np.array([True, True]), np.array([False, False]))
    assert memory.filter[0].tolist() == [64.0, 16.0]


@pytest.mark.parametrize("sigmas", [3.0, 30.0])
def test_law_the_covariance_engine_has_a_gate(sigmas: float) -> None:
    """A wall half a metre off is 10 of the filter's sigmas: refused at 3 by both engines, taken at 30."""
    machine = robot(
        sensors=[single_reading("ahead", 0.0, 0.5)], correction={"when": "always", "gate": {"sigmas": sigmas}}
    )
    case = prepared([LOOK], machine, believed=HALL, true=field_map(x=(-4.0, 3.5), y=(-4.0, 4.0)))
    taken = sigmas > 10.0
    linear = covariance(case)
    assert linear.accepted.tolist() == [taken]
    assert linear.moments[-1].tracking_mean[0] == pytest.approx(0.5 if taken else 0.0, abs=1e-9)
    result = run_trials(case, 2, 1)
    assert result.counts[0, 0, Outcome.ACCEPTED if taken else Outcome.GATE] == 2
    assert linear.moments[-1].filter_cov[0, 0] == pytest.approx(0.0 if taken else 0.05**2, abs=1e-9)


@pytest.mark.evidence(
    source="worked on paper",
    compares="sensors that read long, look up or down; pairs",
    tolerance="1e-12 to 3 %",
)
@pytest.mark.parametrize("engine", ENGINES)
def test_ref_a_scale_stretches_white_errors(engine: str) -> None:
    """A sensor that reads a quarter long puts 1.25 times the walk into the belief it replaces.

    With D to the wall as drawn and a walk w of the truth, the reading is 1.25 (D - w) and the new belief
    D - 1.25 (D - w): its spread is 1.25 sd(w), and that of the estimation error 0.25 sd(w).
    """
    noise = {"scale": run(mean="25 %", spread="0 %")}
    sensor = range_sensor("ahead", 0.0, 0.0, 0.0, rate="0.002 Hz", phase="2.5 s", errors=noise)
    machine = robot(
        {"distance_walk": tick(per_root_metre="10 mm/sqrt(m)")},
        [sensor],
        {"when": "always", "update": {"law": "replace"}},
    )
    steps = [{"do": "advance", "distance": "1 m"}, {"do": "look", "time": "2 s"}]
    case = prepared(steps, machine, believed=HALL)
    found = spreads(case, engine)["end"]
    # 20 000 trials: a spread is known to 0.5 %, four of them are 2 %.
    assert found.t[0] == pytest.approx(1.25 * 0.010, rel=0.02)
    assert found.e[0] == pytest.approx(0.25 * 0.010, rel=0.02)


def tilted(tilt: str, **own: str) -> Prepared:
    """Return a precise pair that looks once at a wall which may be turned by half a degree."""
    build = {"offset": "0 mm", "tilt": tilt, "constant_over": "field", **GUESS}
    at = {"rate": "0.002 Hz", "phase": "0.5 s"}
    noise = {"noise": {"at_zero": "0.2 mm", "constant_over": "reading", **GUESS}}
    sensors = [
        range_sensor(side, 0.05, y, 0.0, errors=noise, **at)
        for side, y in (("port", 0.1), ("starboard", -0.1))
    ]
    return prepared(
        [LOOK],
        robot({}, sensors, {"when": "always", "filter": own, **PAIR}),
        believed=field_map(x=(-4.0, 4.0), y=(-4.0, 4.0), build=build),
        spread=("20 mm", "20 mm", "3 deg"),
    )


def test_law_a_pairs_heading_is_no_better_than_the_wall() -> None:
    """By the map's own spread of a wall's turn the filter's heading is as wide as its true error."""
    for case, right in ((tilted("0.5 deg"), True), (tilted("0.5 deg", wall_tilt="0 deg"), False)):
        moment = covariance(case).moments[-1]
        claimed, true = (math.degrees(math.sqrt(c[2, 2])) for c in (moment.filter_cov, moment.estimation_cov))
        assert true == pytest.approx(0.5, abs=0.02)
        assert (claimed == pytest.approx(true, rel=0.02)) == right
    assert claimed < 0.1


def test_mc_the_wall_tilt_makes_a_pairs_heading_honest() -> None:
    """In trials the filter's 95 % interval of the heading holds the truth with the number, not without."""
    trials = 1000
    with_it, without = (
        run_trials(tilted("0.5 deg", **own), trials, 1).own.inside[-1, 2, -1] / trials
        for own in ({}, {"wall_tilt": "0 deg"})
    )
    assert with_it == pytest.approx(0.95, abs=4.0 * math.sqrt(0.95 * 0.05 / trials))
    assert without < 0.5


def test_law_the_wall_tilt_is_that_of_the_reference_surfaces() -> None:
    """Its default is the root mean square over the walls of the map that fixes are taken from."""
    build = {"offset": "0 mm", "tilt": "0.3 deg", "constant_over": "field", **GUESS}
    builds = {"east": {**build, "tilt": "0.9 deg"}}
    case = prepared([LOOK], robot(), believed=field_map(build=build, builds=builds))
    wanted = math.sqrt((3.0 * 0.3**2 + 0.9**2) / 4.0)
    assert math.degrees(case.filter.wall_tilt_rad) == pytest.approx(wanted)
