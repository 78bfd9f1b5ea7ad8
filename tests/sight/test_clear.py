"""Whether a beam gets to the surface that the robot expects, whatever the robot tests for."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import shapely.affinity
from sight_cases import GUESS, bench, case, crate, hall, pot, robot, sensor
from test_expect import HERE, look, one, plan

from driftgate.sight.corridor import obstacles_at_height
from driftgate.sight.dark import dark_intervals, persisting
from driftgate.sight.values import Reason
from driftgate.world.build import build_world

ON_PAPER = pytest.mark.evidence(
    source="worked on paper", compares="sight lines, corridors, dark times", tolerance="exact"
)

NO_TEST = robot(validity={})


@ON_PAPER
@pytest.mark.parametrize("across", [0.0, 0.07, -0.07])
def test_ref_a_pot_in_the_sight_line_obstructs(across):
    """Straight at a pot, the wall behind it gives no fix, and the pot is named; no corridor is asked for."""
    got = one(hall(elements=[pot("pot", 3.5, 1.5 + across)]), robot_=NO_TEST)
    assert got == (Reason.OBSTRUCTED, "east", 1.0, "pot")


@pytest.mark.parametrize("width", ["0 deg", "20 deg"])
def test_law_what_is_not_in_the_line_does_not_obstruct(width):
    """Beside it, behind the wall's face, behind the sensor, lower, higher, or gone: usable."""
    seen = robot([sensor(beam_width=width)])

    def reason(x=3.5, y=1.5, **more):
        return one(hall(elements=[pot("pot", x, y, **more)]), robot_=seen)[0]

    assert reason() is Reason.OBSTRUCTED
    assert reason(y=1.75) is Reason.USABLE
    assert reason(x=2.8) is Reason.USABLE
    assert reason(height={"low": "0 cm", "high": "10 cm"}) is Reason.USABLE
    assert reason(height={"low": "20 cm", "high": "30 cm"}) is Reason.USABLE
    assert reason(present={"begin": "0.6 s"}) is Reason.USABLE
    assert reason(present={"end": "0.4 s"}) is Reason.USABLE
    assert reason(present={"begin": "0.4 s", "end": "0.6 s"}) is Reason.OBSTRUCTED


def test_law_the_nearest_is_named_and_the_structure_met_is_not():
    """Of two things the nearer is named; the faces of what is met itself are no obstruction."""
    two = hall([bench("bench", 0.2, 0.4, 3.8, 1.5)], [pot("far", 3.6, 1.5), pot("near", 3.3, 1.5)])
    assert one(two, robot_=NO_TEST)[3] == "near"
    assert one(hall([bench("bench", 0.2, 0.4, 3.8, 1.5)]), robot_=NO_TEST)[:2] == (Reason.USABLE, "bench/2")


def test_law_the_robots_own_tests_come_first():
    """What the robot refuses is refused for the robot's reason; only what it tries is called obstructed."""
    field = hall(elements=[pot("pot", 3.5, 1.5)], north_reference=False)
    for validity, reason in (({"corridor": "0 cm"}, Reason.CORRIDOR), ({"speed": "1 m/s"}, Reason.TOO_FAST)):
        got = one(field, robot_=robot(validity=validity), rates=[[2.0, 0.0, 0.0]] * 2)
        assert got[0] is reason
    assert Reason.OBSTRUCTED.tried
    assert not Reason.CORRIDOR.tried


@pytest.mark.evidence(source="library shapely", compares="what stands in a sight line", tolerance="exact")
def test_ref_lines_against_polygons():
    """On random fields: obstructed where the line to the hit crosses an outline (shapely 2)."""
    rng = np.random.default_rng(7)
    found = set()
    for _ in range(40):
        things = [
            crate(f"c{i}", 0.3, 0.2, *np.round(rng.uniform((0.5, 0.5), (3.5, 2.5)), 3), int(rng.integers(90)))
            for i in range(3)
        ]
        x, y, turn = float(rng.uniform(1, 3)), float(rng.uniform(1, 2)), float(rng.uniform(-3, 3))
        world, sight = look(NO_TEST, hall(elements=things), plan([(x, y, turn)] * 2))
        outlines = [
            shapely.affinity.translate(
                shapely.affinity.rotate(
                    shapely.box(-0.15, -0.1, 0.15, 0.1), e.pose[2], (0, 0), use_radians=True
                ),
                *e.pose[:2],
            )
            for e in world.elements
        ]
        if any(outline.covers(shapely.Point(x, y)) for outline in outlines):
            continue
        hit_m = float(sight.range_m[0])
        line = shapely.LineString([(x, y), (x + hit_m * math.cos(turn), y + hit_m * math.sin(turn))])
        crossed = any(outline.intersects(line) for outline in outlines)
        if sight.reason[0] in (Reason.USABLE, Reason.OBSTRUCTED):
            found.add(crossed)
            assert (sight.reason[0] == Reason.OBSTRUCTED) == crossed
    assert found == {True, False}


def pitched(mean_deg, **more):
    """Return a robot whose sensor, 15 cm up, looks up by so many degrees."""
    pitch = {"mean": f"{mean_deg} deg", "spread": "0 deg", "constant_over": "run", **GUESS}
    return robot([sensor(errors={"mount_pitch": pitch}, **more)])


@ON_PAPER
@pytest.mark.parametrize(
    ("mean_deg", "reason"),
    [
        (0.0, Reason.USABLE),
        (19.0, Reason.USABLE),  # 0.15 m + 1 m tan 19 deg = 0.494 m, under the wall's 0.5 m
        (20.0, Reason.OVER_OR_UNDER),  # 0.514 m
        (-8.0, Reason.USABLE),  # the floor after 0.15 m / tan 8 deg = 1.07 m
        (-9.0, Reason.FLOOR_FIRST),  # 0.947 m
    ],
)
def test_ref_a_pitched_beam_by_hand(mean_deg, reason):
    """One metre from a wall of half a metre, on paper."""
    assert one(hall(), robot_=pitched(mean_deg))[0] is reason


@ON_PAPER
def test_ref_pitch_decides_what_obstructs():
    """A pot 20 cm high 0.42 m away: up by 6 deg the beam is 19.4 cm up there, by 8 deg 20.9 cm (on paper)."""
    field = hall(elements=[pot("pot", 3.5, 1.5, height={"low": "0 cm", "high": "20 cm"})])
    assert one(field, robot_=pitched(6.0))[0] is Reason.OBSTRUCTED
    assert one(field, robot_=pitched(8.0))[0] is Reason.USABLE
    # Down by 4 deg it is 12.1 cm up: a pot too low for a level beam is met.
    low = hall(elements=[pot("pot", 3.5, 1.5, height={"low": "0 cm", "high": "13 cm"})])
    assert one(low, robot_=pitched(0.0))[0] is Reason.USABLE
    assert one(low, robot_=pitched(-4.0))[0] is Reason.OBSTRUCTED
    # The floor comes after 0.71 m, and the pot before it.
    assert one(low, robot_=pitched(-12.0))[0] is Reason.OBSTRUCTED


def test_law_it_is_dark_behind_a_pot():
    """What an obstructed reading would have told is dark, and persistence does not count it."""
    field = hall(elements=[pot("pot", 3.5, 1.5, present={"begin": "0.9 s"})])
    poses = [HERE] * 7
    seen = robot(validity={}, gate={"sigmas": 3.0}, persistence={"readings": 2})
    world, sight = look(seen, field, plan(poses))
    given = case(seen, field)
    assert [Reason(r) for r in sight.reason] == [Reason.USABLE] + [Reason.OBSTRUCTED] * 5
    assert [d.begin_s for d in dark_intervals(given, plan(poses), sight, world) if d.axis == "x"] == [0.0]
    assert persisting(given, plan(poses), sight).tolist() == [False] * 6
    ungated = robot(
        validity={},
        gate={"sigmas": 3.0},
        persistence={"readings": 2},
        order=["validity", "persistence", "gate"],
    )
    assert persisting(case(ungated, field), plan(poses), sight).tolist() == [False] + [True] * 5


@pytest.mark.parametrize(("low", "high"), [("10 cm", "20 cm"), ("0 cm", "10 cm"), ("10 cm", "10.1 cm")])
def test_law_what_reaches_a_height_exactly_is_there(low, high):
    """From its foot to its top, both included; a little above the one and below the other it is not."""
    tray = crate("tray", 0.2, 0.2, 2.0, 1.5, height={"low": low, "high": high})
    world = build_world(hall(elements=[tray]))

    def there(height_m):
        return "tray" in [o.id for o in obstacles_at_height(world, height_m)]

    low_m, high_m = (float(text.removesuffix(" cm")) / 100.0 for text in (low, high))
    assert there(low_m)
    assert there(high_m)
    assert not there(low_m - 1e-6)
    assert not there(high_m + 1e-6)
