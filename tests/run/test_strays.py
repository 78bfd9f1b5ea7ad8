"""The worst place of a strayed element: where it is searched, and that it is bad indeed."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from small_project import FIELD, write_project

from driftgate.predict import run_trials
from driftgate.predict.places import places_of_strays
from driftgate.run import strays
from driftgate.run.cases import one_case
from driftgate.run.faults import with_fault
from driftgate.run.inputs import load_inputs
from driftgate.run.tasks import plan_one

SHIPPED = Path(__file__).resolve().parents[2] / "routines"
POTS = """\
elements:
  - id: pot
    shape: {circle: {radius: 60 mm}}
    at: {x: 300 mm, y: 300 mm}
    scatter: {x: 1 mm, y: 1 mm, heading: 0 deg, basis: guess, constant_over: run}
    stray: {probability: 1 %, basis: guess, constant_over: run}
  - id: twin
    shape: {circle: {radius: 60 mm}}
    at: {x: 300 mm, y: 1.7 m}
    scatter: {x: 1 mm, y: 1 mm, heading: 0 deg, basis: guess, constant_over: run}
    stray: {probability: 1 %, basis: guess, constant_over: run}
  - id: fixed-pot
    shape: {circle: {radius: 60 mm}}
    at: {x: 2.7 m, y: 300 mm}
    scatter: {x: 1 mm, y: 1 mm, heading: 0 deg, basis: guess, constant_over: run}
"""


@pytest.fixture(scope="module")
def prepared(tmp_path_factory):
    """Return the small project with pots that may stray, prepared."""
    root = write_project(tmp_path_factory.mktemp("pots"))
    (root / "fieldmaps/box.yaml").write_text(
        FIELD.replace("mirror: {x: 1.5 m, pairs: {east: west, west: east}}\n", POTS)
    )
    named = one_case(load_inputs([root / "routines/out.yaml"]).routines[0])
    return plan_one((named.case, named.written)).prepared


def test_law_one_of_each_kind_is_searched(prepared):
    """Two pots alike are one search; what cannot stray is left alone."""
    assert [element.id for element in strays.straying(prepared.case)] == ["pot"]


def test_law_places_are_those_of_the_trials(prepared):
    """The recorder says where an element lies and changes nothing of the trials."""
    case = strays._strayed(prepared.case, prepared.case.true.elements[0], None)
    faulty = with_fault(prepared, case)
    trials, x, y, strayed = places_of_strays(faulty, "pot", np.arange(60), 3)
    assert strayed.all()
    assert np.ptp(x) > 1.0
    assert np.ptp(y) > 0.5
    plain = run_trials(faulty, 60, 3)
    assert np.array_equal(plain.moments[-1].error, trials.moments[-1].error)


def test_law_in_the_way_is_contact(prepared):
    """The worst place in the way is on the planned path, and the robot touches it there."""
    found = strays.worst_place(prepared, strays.IN_THE_WAY, 40, 5)
    assert found.tried > 4
    trials = run_trials(with_fault(prepared, found.way.case), 100, 99)
    assert (trials.touch_step >= 0).mean() > 0.9


def test_law_beside_the_way_is_clear_of_the_plan(prepared):
    """The worst place beside the way leaves the planned outline alone, yet stands in the sight line."""
    found = strays.worst_place(prepared, strays.BESIDE, 120, 5)
    (element,) = [e for e in found.way.case.true.elements if e.id == "pot"]
    x, y = np.mean(np.array(element.stray.region), axis=0)
    pose = prepared.plan.timeline.pose
    # The outline is a square of 0.2 m; nearer than its half width no pot of 60 mm may lie.
    assert np.hypot(pose[:, 0] - x, pose[:, 1] - y).min() > 0.1 + 0.06 + strays.CLEAR_M - 1e-9
    faulty = with_fault(prepared, found.way.case)
    corner = [(0.29, 0.29), (0.31, 0.29), (0.3, 0.31)]
    harmless = strays._strayed(prepared.case, element, corner)
    assert strays.pain(faulty, 120, 5) > strays.pain(with_fault(prepared, harmless), 120, 5)


def test_law_a_search_is_the_same_again(prepared):
    """The same seed finds the same place; another seed may not, but tries as hard."""
    one, two = (strays.worst_place(prepared, strays.BESIDE, 30, 5) for _ in range(2))
    assert (one.way.words, one.tried) == (two.way.words, two.tried)


def test_law_no_place_no_way(prepared):
    """Where an element can only stray far from the path there is none in the way."""
    corner = [(2.75, 1.75), (2.95, 1.75), (2.95, 1.95), (2.75, 1.95)]
    case = strays._strayed(prepared.case, prepared.case.true.elements[0], corner)
    elements = [e for e in case.true.elements if e.id == "pot"]
    tame = case.true.model_copy(update={"elements": elements})
    faulty = with_fault(prepared, type(case)(case.routine, case.robot, case.believed, tame))
    assert strays.worst_place(faulty, strays.IN_THE_WAY, 20, 5).way is None
    assert math.isfinite(strays.pain(faulty, 20, 5))


def test_law_places_of_a_robot_with_a_pair():
    """The search runs where two sensors are read as one, on a shipped routine."""
    named = one_case(load_inputs([SHIPPED / "evening-sweep.yaml"]).routines[0])
    sweep = plan_one((named.case, named.written)).prepared
    (element, *_) = [e for e in sweep.case.true.elements if e.stray is not None]
    trials, x, _, _ = places_of_strays(sweep, element.id, np.arange(3), 1)
    assert (trials.trials, len(x)) == (3, 3)
