"""The walks hang on a step's own grid: how readings cut the ticks changes none of them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from driftgate.core.pose import FloatArray
from driftgate.predict import Prepared, run_trials
from driftgate.predict.sources import source_table
from driftgate.predict.streams import Streams
from driftgate.predict.walk import Walker, walk_plan

from .scenes import GUESS, field_map, prepared, range_sensor, robot, tick

SOURCES = {
    "distance": {"distance_walk": tick(per_root_metre="10 mm/sqrt(m)")},
    "lateral": {"lateral_walk": tick(per_root_metre="10 mm/sqrt(m)")},
    "heading": {
        "heading_walk": tick(
            per_root_metre="1 deg/sqrt(m)",
            per_root_second="0.3 deg/sqrt(s)",
            per_root_radian="0.5 deg/sqrt(rad)",
        )
    },
    "slips": {"rare_slip": tick(rate="2 1/m", along="15 mm")},
    "bumps": {"bump": {"along": "5 mm", "heading": "0.3 deg", "constant_over": "tick", **GUESS}},
}
ZONE = {
    "id": "mat",
    "area": [["0.4 m", "-2 m"], ["1.3 m", "-2 m"], ["1.3 m", "2 m"], ["0.4 m", "2 m"]],
    "bumps": "4 1/m",
}
# Rates and phases that cut no tick where a cell ends.
MORE = [
    range_sensor("one", 0.0, 0.0, 0.0, rate="17 Hz", phase="3 ms", latency="7 ms"),
    range_sensor("two", 0.0, 0.0, 90.0, rate="31 Hz", phase="1 ms"),
]
STEPS: list[dict[str, Any]] = [
    {"do": "drive", "to": ["1.2 m", "0 m"]},
    {"do": "turn", "to": "80 deg"},
    {"do": "pause", "time": "0.33 s"},
    {"do": "curve", "through": [["1.3 m", "0.6 m"], ["1.0 m", "1.1 m"]]},
    {"do": "rotate", "angle": "-50 deg"},
]


def case_of(errors: dict[str, Any], sensors: list[dict[str, Any]]) -> Prepared:
    """Return a routine of every kind of motion, without correction."""
    machine = robot(
        errors,
        sensors=sensors,
        correction={"enabled": False},
        controller={"time_constant": "0.2 s", "settle": "0.11 s"},
    )
    return prepared(STEPS, machine, believed=field_map(rough_zones=[ZONE]))


def sums(case: Prepared) -> FloatArray:
    """Return the walks summed over each step, shape (steps, 3, trials)."""
    timeline = case.plan.timeline
    walker = Walker(walk_plan(case), source_table(case.case).noise, Streams(5, 0, 40))
    found = np.zeros((len(case.plan.steps), 3, 40))
    for step in case.plan.steps:
        for k in range(int(timeline.first_tick[step.index]), int(timeline.first_tick[step.index + 1])):
            found[step.index] += np.stack([np.broadcast_to(w, 40) for w in walker.tick(step, k, np.ones(1))])
    return found


@pytest.mark.parametrize("source", SOURCES)
def test_law_sensors_leave_the_walks_as_they_were(source: str) -> None:
    """Summed over a step a walk is the same with two sensors more, to rounding."""
    bare, more = case_of(SOURCES[source], []), case_of(SOURCES[source], MORE)
    assert len(more.plan.timeline.twist) > 1.5 * len(bare.plan.timeline.twist)
    without = sums(bare)
    assert np.abs(without).max() > 1e-3
    assert sums(more) == pytest.approx(without, abs=1e-12)


@pytest.mark.parametrize("source", SOURCES)
def test_law_sensors_leave_the_end_as_it_was(source: str) -> None:
    """With nothing corrected, two sensors more leave every trial's end in its place: correlation 0.999."""
    bare, more = (
        run_trials(case_of(SOURCES[source], sensors), 300, 3).moments[-1].error for sensors in ([], MORE)
    )
    moved = bare.std(axis=0) > 1e-6
    assert moved.any()
    for axis in np.flatnonzero(moved):
        assert np.corrcoef(bare[:, axis], more[:, axis])[0, 1] > 0.999


def test_mc_cells_have_the_variance_of_their_stretch() -> None:
    """Over many steps of one length the sum's variance is intensity times length, cut by readings or not."""
    for sensors in ([], MORE):
        machine = robot(SOURCES["distance"], sensors=sensors, correction={"enabled": False})
        leg = {"do": "advance", "distance": "0.5 m"}
        case = prepared([{"do": "repeat", "times": 4, "steps": [leg]}], machine)
        walker = Walker(walk_plan(case), source_table(case.case).noise, Streams(1, 0, 4000))
        timeline = case.plan.timeline
        total = np.zeros(4000)
        for step in case.plan.steps:
            for k in range(int(timeline.first_tick[step.index]), int(timeline.first_tick[step.index + 1])):
                total = total + walker.tick(step, k, np.ones(1))[0]
        # (10 mm)^2 per metre over 2 m; the standard error of a variance is sqrt(2 / n).
        assert total.var() == pytest.approx(2e-4, rel=4.0 * np.sqrt(2.0 / 4000.0))


def test_law_the_share_of_a_zone_counts() -> None:
    """Expected bumps add up to the zone's 4 per metre times the 0.8 m driven in it."""
    cells = walk_plan(case_of(SOURCES["bumps"], [])).cells[0]
    assert sum(cell.length_m for cell in cells) == pytest.approx(1.2, abs=1e-9)
    # The zone's border is found to an eighth of a cell of 20 ms at 1 m/s.
    assert sum(cell.bumps for cell in cells) == pytest.approx(4.0 * 0.8, abs=4.0 * 0.02 / 8.0)
