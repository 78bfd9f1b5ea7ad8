"""What the planned robot pushes and for how long it leans on it, on a straight drive worked out beside it."""

import dataclasses

import numpy as np
import pytest
from plan_cases import case, codes, field_map

from driftgate.plan import plan_case
from driftgate.plan.clearance import check_clearance
from driftgate.plan.pushed import push_along
from driftgate.world.build import build_world

# The robot's bumper is 0.18 m ahead of it.
HULL = np.array([[0.18, -0.15], [0.18, 0.15], [-0.18, 0.15], [-0.18, -0.15]])
SCATTER = {"x": "2 cm", "y": "2 cm", "heading": "5 deg", "basis": "guess", "constant_over": "run"}
AHEAD = {"do": "drive", "to": ["1.5 m", "1.5 m"], "may_touch": ["pot"]}
BACK = {"do": "drive", "to": ["1.2 m", "1.5 m"], "backwards": True}


def pushed(*steps, chunk=None, monkeypatch=None, **pot):
    """Return a plan from (0.5, 1.5), and where its pot of 80 mm radius, mapped at x = 1.2 m, ends up."""
    if chunk:
        monkeypatch.setattr("driftgate.plan.pushed._CHUNK", chunk)
    element = {
        "id": "pot",
        "shape": {"circle": {"radius": "8 cm"}},
        "at": {"x": "1.2 m", "y": "1.5 m", "heading": "0 deg"},
        "scatter": SCATTER,
        "pushable": True,
        **pot,
    }
    planned = case(*steps, at=(0.5, 1.5, 0.0), on=field_map(elements=[element]))
    plan = plan_case(planned)
    return planned, plan, push_along(plan.timeline, HULL, planned.robot.height, build_world(planned.believed))


@pytest.mark.parametrize("chunk", [None, 1, 7])
def test_law_the_robot_leans_until_it_is_50_mm_away(chunk, monkeypatch):
    """From the last push on; however many knots are looked at in one go."""
    _, plan, things = pushed(AHEAD, BACK, chunk=chunk, monkeypatch=monkeypatch)
    assert things.elements[-1].pose == pytest.approx((1.5 + 0.18 + 0.08, 1.5, 0.0), abs=1e-9)
    tl = plan.timeline
    x = tl.pose[:-1, 0]
    there = np.arange(x.size) >= np.argmax(x > 1.5 - 1e-9)
    leaning = there & (x > 1.45 + 1e-12)
    assert leaning[tl.first_tick[1]]
    assert not leaning[-1]
    assert things.leaning["pot"].tolist() == leaning.tolist()


def test_law_a_tick_that_ends_in_a_push_is_no_leaning():
    """Standing between two pushes it leans, up to the tick that pushes on; while it pushes it does not."""
    on = {"do": "drive", "to": ["1.6 m", "1.5 m"], "may_touch": ["pot"]}
    _, plan, things = pushed(AHEAD, {"do": "pause", "time": "0.5 s"}, on, BACK)
    tl = plan.timeline
    x, ahead = tl.pose[:-1, 0], np.diff(tl.pose[:, 0]) > 1e-6
    leaning = (np.arange(x.size) >= np.argmax(x > 1.5 - 1e-9)) & ~ahead & ((tl.step < 3) | (x > 1.55))
    assert (leaning & (tl.step == 1)).sum() == (tl.step == 1).sum() > 5
    assert things.leaning["pot"].tolist() == leaning.tolist()


@pytest.mark.parametrize(
    ("present", "there"),
    [({"begin": "60 s"}, False), ({"end": "10 ms"}, False), ({"begin": "10 ms", "end": "60 s"}, True)],
)
def test_law_only_what_is_there_is_pushed(present, there):
    """What comes after the drive, or is gone before it, stays where it is mapped."""
    _, _, things = pushed(AHEAD, present=present)
    assert things.elements[-1].pose[0] == pytest.approx(1.76 if there else 1.2, abs=1e-9)
    assert (len(things.elements) > 1) == there


def test_law_leaning_on_what_was_pushed_is_no_contact():
    """While the mask says that it leans; without the mask backing off from it is one."""
    planned, plan, things = pushed(AHEAD, BACK)
    assert codes(plan) == []
    world = build_world(planned.believed)
    moved = dataclasses.replace(world, elements=things.elements)

    def found(*leaning):
        _, findings = check_clearance(planned, plan.steps, plan.timeline, HULL, moved, *leaning)
        return [f.doc_path for f in findings]

    assert found(things.leaning) == []
    assert found() == [("steps", 1)]
    # Only in the ticks of the mask: here while it drives ahead, not while it backs off.
    assert found({"pot": things.leaning["pot"] & (plan.timeline.step == 0)}) == [("steps", 1)]
