"""Unintended contact trial by trial, held to the distance of every pot in the robot's own axes."""

from __future__ import annotations

import numpy as np
import pytest

from driftgate.core.pose import FloatArray
from driftgate.predict.path_record import PathRecorder
from driftgate.predict.trials_engine import run_recorded

from .scenes import GUESS, field_map, prepared, robot
from .test_things import ended

TRIALS, HALF_M, RADIUS_M = 300, 0.15, 0.06


def pot(name: str, x: float, y: float, **more: object) -> dict[str, object]:
    """Return a pot of 60 mm radius exactly at its place, unless it strays."""
    return {
        "id": name,
        "shape": {"circle": {"radius": "60 mm"}},
        "at": {"x": f"{x!r} m", "y": f"{y!r} m"},
        "scatter": {"x": "0 mm", "y": "0 mm", "heading": "0 deg", "constant_over": "run", **GUESS},
        **more,
    }


def away(pose: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
    """Return how far pots at x, y are from the outline of a square robot, by trial; negative is inside."""
    c, s = np.cos(pose[2]), np.sin(pose[2])
    dx, dy = x - pose[0], y - pose[1]
    ahead, left = c * dx + s * dy, c * dy - s * dx
    out = np.hypot(np.maximum(np.abs(ahead) - HALF_M, 0.0), np.maximum(np.abs(left) - HALF_M, 0.0))
    return out - RADIUS_M


def test_law_only_what_can_be_pushed_is_pushed() -> None:
    """Of two pots abreast in the way one stays, with the robot in it, and one ends before the bumper."""
    case = prepared(
        [{"do": "advance", "distance": "0.5 m", "may_touch": ["a", "b"]}],
        robot(correction={"enabled": False}),
        believed=field_map(elements=[pot("a", 0.4, 0.08), pot("b", 0.4, -0.08, pushable=True)]),
    )
    _, things = ended(case, 2)
    ends = [(float(e.x[0]), float(e.y[0])) for e in things.world.elements]
    assert ends == [pytest.approx((0.4, 0.08), abs=1e-12), pytest.approx((0.71, -0.08), abs=1e-9)]


@pytest.mark.parametrize("spread", [("20 mm", "20 mm", "2 deg"), ("60 mm", "60 mm", "8 deg")])
def test_law_the_first_contact_of_every_trial(spread: tuple[str, str, str]) -> None:
    """Knot and thing, with strays all over, one thing that may be touched, and one that comes too late.

    With the smaller spread the robot is mostly within 80 mm of its plan, with the larger seldom.
    """
    region = [["0.1 m", "-0.6 m"], ["1.3 m", "-0.6 m"], ["0.7 m", "0.5 m"]]
    stray = {"probability": "80 %", "region": region, "constant_over": "run", **GUESS}
    pots = [
        pot("a", 0.6, 0.215),
        pot("b", 3.0, 3.0, stray=stray),
        pot("c", 0.4, -0.1),
        pot("d", 0.8, -0.1, present={"begin": "60 s"}),
        pot("e", 2.5, 3.0, stray={**stray, "probability": "40 %"}),
        pot("f", 1.02, 0.05),
    ]
    case = prepared(
        [{"do": "pause", "time": "0.1 s"}, {"do": "advance", "distance": "0.8 m", "may_touch": ["c"]}],
        robot(correction={"enabled": False}),
        believed=field_map(elements=pots),
        spread=spread,
    )
    record = PathRecorder(case, TRIALS)
    found = run_recorded(case, np.arange(TRIALS), 3, record)
    timeline = case.plan.timeline
    # Where it was put down, and from there straight on.
    start = timeline.pose[0, :, None] + record.truth[0]
    way_m = np.hypot(timeline.pose[:, 0] - timeline.pose[0, 0], timeline.pose[:, 1] - timeline.pose[0, 1])
    places = {
        one["id"]: [np.full(TRIALS, float(str(one["at"][axis]).split()[0])) for axis in "xy"] for one in pots
    }  # type: ignore[index]
    for name, strayed, x, y in record.strayed:
        assert strayed.any() == (name in ("b", "e"))
        places[name] = [
            np.where(strayed, there, here) for there, here in zip((x, y), places[name], strict=True)
        ]
    knot, thing = np.full(TRIALS, -1), np.full(TRIALS, -1)
    for k, gone_m in enumerate(way_m):
        if k < timeline.first_tick[1] + 1:
            continue
        pose = np.stack(
            [start[0] + gone_m * np.cos(start[2]), start[1] + gone_m * np.sin(start[2]), start[2]]
        )
        for name in ("a", "b", "e", "f"):
            new = (away(pose, *places[name]) <= 0.0) & (knot < 0)
            knot[new] = k
            thing[new] = found.obstacles.index(name)
        # Of several at one knot the first; they are in the order of the file.
    touched = knot >= 0
    assert 50 < touched.sum() < TRIALS
    assert len(set(thing.tolist())) == 5
    assert record.touch_knot.tolist() == knot.tolist()
    assert found.touch_obstacle.tolist() == thing.tolist()
    assert found.touch_step.tolist() == np.where(touched, 1, -1).tolist()
