"""What stands in the way, how far it is from the robot, and what steps are called: on paper."""

import math

import numpy as np
import pytest
from plan_cases import case, field_map, routine

from driftgate.plan.build import plan_case
from driftgate.plan.flatten import count_steps, flatten
from driftgate.plan.obstacles import obstacles_of, origin_distance, owner_distance, pair_distance
from driftgate.world import build_world

# 0.4 m by 0.2 m about the origin.
HULL = np.array([(0.2, -0.1), (0.2, 0.1), (-0.2, 0.1), (-0.2, -0.1)])


def element(name, shape, x, y, heading=0, **more):
    """Return an element exactly at its place."""
    return {
        "id": name,
        "shape": shape,
        "at": {"x": f"{x} m", "y": f"{y} m", "heading": f"{heading} deg"},
        "scatter": {"x": "0 mm", "y": "0 mm", "heading": "0 deg", "basis": "guess", "constant_over": "run"},
        **more,
    }


POT = element("pot", {"circle": {"radius": "50 mm"}}, 2.0, 1.0, present={"begin": "1 s", "end": "4 s"})
TRAY = element("tray", {"rectangle": {"length": "0.4 m", "width": "0.2 m"}}, 3.0, 2.0, 90)
LAMP = element("lamp", {"circle": {"radius": "50 mm"}}, 1.0, 1.0, height={"low": "0.5 m", "high": "1 m"})


def found(height_m=0.4):
    """Return what stands in the hall, 4.2 m by 3 m, for a robot of this height."""
    return obstacles_of(build_world(field_map(elements=[POT, TRAY, LAMP])), height_m)


def test_law_what_stands_at_the_robots_height():
    """Four walls, a disc with its times, four sides of the tray as it is turned; no lamp above it."""
    obstacles = found()
    names = [obstacles.ids[i] for i in obstacles.owner]
    assert names == ["south", "east", "north", "west", "pot", *["tray"] * 4]
    assert obstacles.a[4].tolist() == obstacles.b[4].tolist() == [2.0, 1.0]
    assert obstacles.radius_m.tolist() == [0.0] * 4 + [0.05] + [0.0] * 4
    assert (obstacles.begin_s[4], obstacles.end_s[4]) == (1.0, 4.0)
    assert (obstacles.begin_s[0], obstacles.end_s[0]) == (-math.inf, math.inf)
    assert (obstacles.begin_s[5], obstacles.end_s[5]) == (0.0, math.inf)
    corners = {(round(x, 9), round(y, 9)) for x, y in obstacles.a[5:].tolist()}
    assert corners == {(2.9, 1.8), (3.1, 1.8), (2.9, 2.2), (3.1, 2.2)}
    assert np.roll(obstacles.a[5:], -1, axis=0) == pytest.approx(obstacles.b[5:], abs=1e-12)
    assert "lamp" in found(0.51).ids
    assert "lamp" not in found(0.5).ids


def test_law_distances_of_the_footprint():
    """From its side to a disc and to a wall, from its corner to a corner, and none where they overlap."""
    obstacles = found()
    poses = np.array([(1.5, 1.0, 0.0), (1.5, 1.0, math.pi / 2), (2.0, 1.0, 0.3), (2.0, 1.16, 0.0)])
    pot = owner_distance(HULL, poses, obstacles, obstacles.of({"pot"}))
    # 0.5 less the radius and half a length, or half a width; inside; 0.16 less 0.05 and 0.1.
    assert pot == pytest.approx([0.25, 0.35, 0.0, 0.01], abs=1e-12)
    south = owner_distance(HULL, poses, obstacles, obstacles.of({"south"}))
    assert south[:2] == pytest.approx([0.9, 0.8], abs=1e-12)
    tray = owner_distance(HULL, np.array([(2.4, 1.4, 0.0)]), obstacles, obstacles.of({"tray"}))
    # From (2.6, 1.5) to (2.9, 1.8).
    assert tray == pytest.approx([math.hypot(0.3, 0.3)], abs=1e-12)
    assert owner_distance(HULL, poses, obstacles, np.zeros(0, np.intp)).tolist() == [math.inf] * 4
    # Pair by pair: pose 0 to the pot, pose 1 to the south wall.
    assert pair_distance(HULL, poses[:2], obstacles, np.array([4, 0])) == pytest.approx(
        [0.25, 0.8], abs=1e-12
    )


def test_law_distances_of_the_origin():
    """To every segment, a disc's rim, and a segment's end where its foot lies beyond it."""
    obstacles = found()
    away = origin_distance(np.array([(1.5, 1.0, 0.0), (2.5, 1.5, 1.0)]), obstacles)
    assert away.shape == (2, 9)
    assert away[0, :5] == pytest.approx([1.0, 2.7, 2.0, 1.5, 0.45], abs=1e-12)
    assert away[1, 4] == pytest.approx(math.hypot(0.5, 0.5) - 0.05, abs=1e-12)
    # The tray's nearest corner, (2.9, 1.8), is 0.5 away along 3, 4, 5.
    assert away[1, 5:].min() == pytest.approx(0.5, abs=1e-12)


def steps_of(*steps):
    """Return the steps of a routine."""
    return routine(*steps).steps


ON = {"do": "advance", "distance": "0.1 m"}


def test_law_repetitions_are_unrolled_in_order():
    """Two rounds of a step and of two rounds of another: which of which, and where it stands."""
    steps = steps_of(
        ON, {"do": "repeat", "times": 2, "steps": [ON, {"do": "repeat", "times": 2, "steps": [ON]}]}
    )
    flat = list(flatten(steps))
    assert [f.rounds for f in flat] == [
        (),
        ((1, 2),),
        ((1, 2), (1, 2)),
        ((1, 2), (2, 2)),
        ((2, 2),),
        ((2, 2), (1, 2)),
        ((2, 2), (2, 2)),
    ]
    assert [f.doc_path for f in flat[:3]] == [
        ("steps", 0),
        ("steps", 1, "steps", 0),
        ("steps", 1, "steps", 1, "steps", 0),
    ]
    assert count_steps(steps) == 7
    assert flat[0].label == "advance 0.100 m"
    assert flat[1].label == "advance 0.100 m (round 1 of 2)"
    assert flat[6].label == "advance 0.100 m (round 2 of 2, round 2 of 2)"


def planned(*steps, at=(1.0, 1.0, 0.0)):
    """Return the plan of some steps in a hall with a pot ahead, 0.36 m by 0.30 m."""
    true = field_map(elements=[element("pot", {"circle": {"radius": "50 mm"}}, 2.0, 1.0)])
    return plan_case(case(*steps, at=at, on=true))


def test_law_the_nearest_approach_of_a_drive():
    """0.4 m towards a pot 1 m ahead: 0.6 less half the robot and the radius, where it stops."""
    plan = planned({"do": "advance", "distance": "0.4 m"})
    (nearest,) = [c for c in plan.clearances if c.obstacle == "pot"]
    assert nearest.distance_m == pytest.approx(0.6 - 0.18 - 0.05, abs=1e-9)
    # Speeding up and slowing down at 2.5 m/s² all the way: 2 sqrt(0.4 / 2.5) s.
    assert nearest.time_s == pytest.approx(0.8, abs=1e-9)


def test_law_a_drive_through_is_an_error_at_its_step():
    """One that stops 20 mm short is fine, one that stops at 5 mm is warned of, one through is refused."""
    levels = {}
    for distance in ("0.75 m", "0.765 m", "0.9 m"):
        plan = planned({"do": "advance", "distance": distance})
        levels[distance] = [(f.code, f.level) for f in plan.findings if f.code == "DG204"]
    assert levels == {"0.75 m": [], "0.765 m": [("DG204", "warning")], "0.9 m": [("DG204", "error")]}
