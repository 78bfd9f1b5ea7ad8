"""Faults: what each changes, what it leaves alone, and that its numbers come out in the trials."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_project import write_project

from driftgate.predict import covariance, run_trials
from driftgate.predict.values import Outcome
from driftgate.run import faults
from driftgate.run.cases import one_case
from driftgate.run.edge_of_build import built_field
from driftgate.run.faults import faults_of, with_fault
from driftgate.run.inputs import load_inputs
from driftgate.run.tasks import plan_one
from driftgate.schema.routine import PoseOff
from driftgate.world.build import build_world
from driftgate.world.carry import line_difference

TRIALS = 400
SHIPPED = Path(__file__).resolve().parents[2] / "routines"


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """Return the small project's case, prepared."""
    root = write_project(tmp_path_factory.mktemp("small"))
    named = one_case(load_inputs([root / "routines/out.yaml"]).routines[0])
    return plan_one((named.case, named.written)).prepared


@pytest.fixture(scope="module")
def dash():
    """Return a shipped case with structures and things that stray, prepared."""
    named = one_case(load_inputs([SHIPPED / "corner-dash.yaml"]).routines[0])
    return plan_one((named.case, named.written)).prepared


def fault(prepared, key):
    """Return the fault of a key."""
    return next(one for one in faults_of(prepared) if one.key == key)


def test_law_every_fault_keeps_the_robots_own_view(small):
    """Plan, map carried, sight lines and filter are those of the case as it is, which stays as it was."""
    before = repr(small.case)
    for one in faults_of(small):
        for way in one.ways:
            faulty = with_fault(small, way.case)
            assert faulty.plan is small.plan
            assert faulty.filter is small.filter
            assert way.case.believed is small.case.believed
            assert way.case != small.case
    assert repr(small.case) == before


def test_law_keys_are_unlike(dash):
    """No two faults of a case have one key."""
    keys = [one.key for one in faults_of(dash)]
    assert len(set(keys)) == len(keys)
    assert {"gyro", "floor", "battery", "start", "build", "dead:front"} <= set(keys)


def test_law_a_dead_sensor_gives_nothing(small):
    """Not one reading of a dead sensor is taken."""
    trials = run_trials(with_fault(small, fault(small, "dead:front").ways[0].case), TRIALS, 1)
    assert run_trials(small, TRIALS, 1).counts[0, :, Outcome.ACCEPTED].sum() > 0
    assert trials.counts[0, :, Outcome.ACCEPTED].sum() == 0


def test_law_a_stuck_sensor_always_says_the_same(small):
    """Every reading that is taken of a stuck sensor is a wrong one, though it fits when it is stuck."""
    ways = fault(small, "stuck:front").ways
    assert len(ways) > 1
    for way in ways:
        trials = run_trials(with_fault(small, way.case), TRIALS, 1)
        taken = trials.counts[0, :, Outcome.ACCEPTED].sum()
        assert taken > 0
        assert trials.wrongly_accepted[0].sum() == taken


def test_law_a_stuck_reading_is_the_one_given(small):
    """A sensor that is stuck at half a metre moves no two beliefs apart: it knows nothing of the trial."""
    from driftgate.predict.tick_record import TickRecorder
    from driftgate.predict.trials_engine import run_recorded

    way = fault(small, "stuck:front").ways[0]
    faulty = with_fault(small, way.case)
    record = TickRecorder(faulty, 5)
    run_recorded(faulty, np.arange(5), 1, record)
    read = record.reading_m[np.isfinite(record.reading_m)]
    at = way.case.robot.sensors[0].errors.random_return.at
    assert way.words == f"at {at:.3f} m"
    assert set(np.unique(read)) == {at}


def test_law_an_askew_sensor_looks_to_both_sides(dash):
    """The mount is off by four spreads, to either side, and its own spread stays."""
    left, right = fault(dash, "askew:front").ways
    now = dash.case.robot.sensors[0].errors.mount_angle
    turns = [way.case.robot.sensors[0].errors.mount_angle for way in (left, right)]
    assert turns[0].mean - now.mean == pytest.approx(4.0 * now.spread)
    assert turns[1].mean - now.mean == pytest.approx(-4.0 * now.spread)
    assert turns[0].spread == now.spread


def test_law_drift_doubles(small):
    """By covariance the part of the heading's spread that the gyro's bias makes is twice what it was."""
    blind = replace(
        small.case,
        robot=small.case.robot.model_copy(
            update={"correction": small.case.robot.correction.model_copy(update={"enabled": False})}
        ),
    )
    plain = plan_one((blind, blind.routine)).prepared
    faulty = with_fault(plain, fault(plain, "gyro").ways[0].case)
    part = [covariance(p).moments[-1].by_source["heading_bias"][2, 2] for p in (plain, faulty)]
    assert part[1] == pytest.approx(4.0 * part[0], rel=1e-9)


def test_law_a_bumpy_floor_is_rough_everywhere(small):
    """As many bumps a metre as stated, all along the path: heading variance grows by their number."""
    faulty = with_fault(small, fault(small, "floor").ways[0].case)
    heading = covariance(faulty).moments[-1].by_source["bump"]
    assert heading[2, 2] > 0.0
    alone = run_trials(faulty, TRIALS, 1)
    assert alone.moments[-1].error[:, 2].std() > run_trials(small, TRIALS, 1).moments[-1].error[:, 2].std()


def test_law_a_low_battery_takes_longer(small):
    """The trial's own clock is later by the stated share."""
    late = run_trials(with_fault(small, fault(small, "battery").ways[0].case), 50, 1).moments[-1].clock_s
    plain = run_trials(small, 50, 1).moments[-1].clock_s
    assert late == pytest.approx((1.0 + faults.SLOWER) * plain, rel=1e-9)


def test_law_a_start_off_its_mark_is_a_shift_in_every_trial(small):
    """With nothing to correct it, put down 6 mm off is 6 mm off at the end: by both engines."""
    ways = fault(small, "start").ways
    assert len(ways) == 6
    blind = small.case.robot.correction.model_copy(update={"enabled": False})
    case = replace(small.case, robot=small.case.robot.model_copy(update={"correction": blind}))
    plain = plan_one((case, case.routine)).prepared
    up = next(way for way in fault(plain, "start").ways if way.words == "+6.0 mm in y")
    faulty = with_fault(plain, up.case)
    moved = run_trials(faulty, 50, 1).moments[-1].error - run_trials(plain, 50, 1).moments[-1].error
    # The angles between the two paths are a few milliradians: their square times 2 m is below 0.1 mm.
    assert moved == pytest.approx(np.tile([0.0, 0.006, 0.0], (50, 1)), abs=1e-4)
    by_covariance = covariance(faulty).moments[-1].mean - covariance(plain).moments[-1].mean
    assert by_covariance == pytest.approx([0.0, 0.006, 0.0], abs=1e-12)


def test_law_a_mirrored_start_is_off_to_the_other_side(dash):
    """What the start is off is reflected with the start."""
    from driftgate.plan.mirror import mirror_routine

    off = PoseOff.model_validate({"x": "3 mm", "y": "2 mm", "heading": "1 deg"})
    start = dash.case.routine.start.model_copy(update={"off": off})
    routine = dash.case.routine.model_copy(update={"start": start})
    found = mirror_routine(routine, dash.case.believed).start.off
    assert (found.x, found.y, found.heading) == (-0.003, 0.002, -math.radians(1.0))
    again = mirror_routine(mirror_routine(routine, dash.case.believed), dash.case.believed)
    assert again.start.off == off


@pytest.mark.parametrize(("offset", "tilt"), [(2.0, 0.0), (-2.0, 0.0), (0.0, 2.0), (1.0, -1.5)])
def test_law_every_wall_is_off_by_its_own_spreads(dash, offset, tilt):
    """The walls' lines differ from the drawn ones by just what was asked, and have nothing left to vary."""
    field = dash.case.true
    built = built_field(field, offset, tilt)
    drawn, now = build_world(field), build_world(built)
    for i, wall in enumerate(field.walls):
        build = wall.build or field.build
        found = line_difference(drawn.edges[i], now.edges[i])
        assert found == pytest.approx((offset * build.offset, tilt * build.tilt), abs=1e-9)
        settled = built.walls[i].build or built.build
        assert (settled.offset, settled.tilt) == (0.0, 0.0)


def test_law_what_stands_on_a_wall_goes_with_it(dash):
    """A bench that is screwed to a wall is as far from it as drawn."""
    field = dash.case.true
    built = built_field(field, 2.0, 0.0)
    for before, after in zip(field.structures, built.structures, strict=True):
        wall = next(e for e in build_world(field).edges if e.id == before.fixed_to)
        build = next(w.build for w in field.walls if w.id == before.fixed_to) or field.build
        moved = (after.at.x - before.at.x) * wall.normal[0] + (after.at.y - before.at.y) * wall.normal[1]
        assert moved == pytest.approx(2.0 * build.offset, abs=1e-12)
    assert built_field(built, 2.0, 2.0) is None
