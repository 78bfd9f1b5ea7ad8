"""The plan pushes what can be pushed as the trials do; what it takes is gone at once."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest

from driftgate.plan.build import plan_case
from driftgate.predict import Prepared, run_trials
from driftgate.sight.values import Reason

from .test_things import LOOK, drive, ended, pot, scene, take

BACK = {"do": "drive", "to": ["0.9 m", "1.5 m"], "backwards": True}


def found(case: Prepared) -> list[tuple[str, str]]:
    """Return level and place of what the clearance finds."""
    findings = plan_case(case.case).findings
    return [(f.level, str(f.doc_path[-1])) for f in findings if f.code == "DG204"]


DISC = {"circle": {"radius": "60 mm"}}
BOX = {"rectangle": {"length": "60 mm", "width": "100 mm"}}


@pytest.mark.parametrize("shape", [DISC, BOX])
def test_law_the_plan_pushes_as_a_perfect_trial_does(shape: dict[str, Any]) -> None:
    """Along a path that pushes, turns against the thing and pushes on, both leave it at the same place."""
    steps = [
        drive(1.5, 1.5, "pot"),
        {"do": "turn", "to": f"{math.degrees(math.atan2(0.25, 0.1))!r} deg", "may_touch": ["pot"]},
        drive(1.6, 1.75, "pot"),
    ]
    case = scene(steps, [pot(1.2, 1.55, pushable=True, shape=shape)], enabled=False)
    assert case.plan.things is not None
    last = case.plan.things[-1]
    _, things = ended(case, 2)
    (element,) = things.world.elements
    # Trial and plan differ by the rounding of their poses.
    assert (element.x[0], element.y[0]) == pytest.approx(last.pose[:2], abs=1e-6)
    assert np.hypot(last.pose[0] - 1.2, last.pose[1] - 1.55) > 0.3
    times = [(t.source.present.begin, t.source.present.end) for t in case.plan.things]
    assert times[0][0] == 0.0
    assert times[-1][1] is None
    assert all(a[1] == b[0] for a, b in itertools.pairwise(times))


def test_law_what_was_pushed_is_out_of_the_way() -> None:
    """A step may drive through the mapped place of a pot that was pushed on, as it may in the trials."""
    steps = [drive(1.5, 1.5, "pot"), BACK, drive(1.3, 1.5)]
    pushed = scene(steps, [pot(1.2, 1.5, pushable=True)], enabled=False)
    assert found(pushed) == []
    assert (run_trials(pushed, 20, 1).touch_step < 0).all()
    assert found(scene(steps, [pot(1.2, 1.5)], enabled=False)) == [("error", "1"), ("error", "2")]


def test_law_backing_off_what_was_pushed_is_no_contact() -> None:
    """The bumper leans on what it has pushed until it is away; coming back to it is a contact again."""
    start = [drive(1.5, 1.5, "pot"), BACK]
    elements = [pot(1.2, 1.5, pushable=True)]
    assert found(scene(start, elements)) == []
    again = scene([*start, drive(1.51, 1.5)], elements, enabled=False)
    assert found(again) == [("error", "2")]
    assert (run_trials(again, 5, 1).touch_step == 2).all()
    near = scene([*start, drive(1.495, 1.5)], elements, enabled=False)
    assert found(near) == [("warning", "2")]


def test_law_turning_into_what_was_pushed_is_an_error() -> None:
    """What is still at the bumper and is pushed again, without leave, is run into."""
    steps = [drive(1.5, 1.5, "pot"), {"do": "turn", "to": "40 deg"}]
    case = scene(steps, [pot(1.2, 1.5, pushable=True)], enabled=False)
    assert found(case) == [("error", "1")]
    assert (run_trials(case, 5, 1).touch_step == 1).all()


def test_law_an_unmeant_push_is_still_an_error() -> None:
    """Pushing without leave is found where it happens."""
    assert found(scene([drive(1.5, 1.5)], [pot(1.2, 1.5, pushable=True)])) == [("error", "0")]


def turn(to_deg: float) -> dict[str, Any]:
    """Return a turn."""
    return {"do": "turn", "to": f"{to_deg!r} deg"}


def test_law_sight_lines_go_by_the_pushed_place_and_the_robot_by_the_map() -> None:
    """Pushed aside a pot leaves the sight line; the robot's own test has it where it was mapped."""
    back = {**drive(1.5, 1.0), "backwards": True}
    round_it = [turn(-90.0), drive(0.5, 1.0), turn(0.0), drive(1.5, 1.0), turn(90.0), drive(1.5, 1.6, "pot")]
    home = [back, turn(180.0), drive(0.5, 1.0), turn(90.0), drive(0.5, 1.5), turn(0.0)]

    def reasons(**validity: Any) -> list[set[Reason]]:
        steps = [LOOK, *round_it, *home, LOOK]
        case = scene(steps, [pot(1.5, 1.5, pushable=True)], validity=validity)
        assert found(case) == []
        assert case.plan.things is not None
        assert case.plan.things[-1].pose[:2] == pytest.approx((1.5, 1.81), abs=1e-9)
        step = case.plan.timeline.readings.step
        return [{Reason(int(r)) for r in case.sight.reason[step == i]} for i in (0, len(steps) - 1)]

    assert reasons() == [{Reason.OBSTRUCTED}, {Reason.USABLE}]
    assert reasons(corridor="0 mm") == [{Reason.CORRIDOR}, {Reason.CORRIDOR}]


def test_law_what_is_taken_is_gone_at_once() -> None:
    """A step that begins with the taking passes where the pot was, without a warning."""
    steps = [drive(1.0, 1.5, "pot"), take("pot", radial="1 m"), drive(1.5, 1.5)]
    assert found(scene(steps, [pot(1.2, 1.5)], enabled=False)) == []
    beside = scene(steps, [pot(1.2, 1.5 + 0.15 + 0.062)], enabled=False)
    assert found(beside) == []
    kept = scene([steps[0], steps[2]], [pot(1.2, 1.5 + 0.15 + 0.062)], enabled=False)
    assert found(kept) == [("warning", "1")]
