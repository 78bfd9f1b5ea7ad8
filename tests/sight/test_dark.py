"""Dark intervals and fix opportunities on hand-made plans."""

import math

import numpy as np
import pytest
from sight_cases import case, hall, plan, pot, robot, sensor

from driftgate.core.errors import ModelError
from driftgate.sight.dark import dark_intervals, fix_opportunities, informing
from driftgate.sight.expect import look_along
from driftgate.sight.values import DarkInterval, Reason
from driftgate.world import build_world

ON_PAPER = pytest.mark.evidence(
    source="worked on paper", compares="sight lines, corridors, dark times", tolerance="exact"
)

EAST = (3.0, 1.5, 0.0)
NORTH = (2.0, 2.0, math.pi / 2)
NOTHING = (1.0, 1.5, 0.0)  # east wall out of reach
OBLIQUE = (3.0, 1.5, math.radians(30.0))


def stage(poses, sensors=None, map_=None, **more):
    """Return what the functions under test take."""
    map_ = map_ or hall()
    robot_ = robot(sensors)
    plan_ = plan([poses[0], *poses], sensors=len(robot_.sensors), **more)
    world = build_world(map_)
    case_ = case(robot_, map_)
    return case_, plan_, look_along(case_, plan_, world), world


@ON_PAPER
def test_ref_dark_times_by_hand():
    """Readings every 0.5 s: the dark times between those that inform, worked on paper."""
    poses = [EAST, NORTH, NOTHING, NOTHING, NOTHING, EAST, NOTHING, NORTH]
    assert dark_intervals(*stage(poses)) == (
        DarkInterval("x", 0.5, 3.0, 1, 5),
        # x is last informed at 3.0 s: 1.0 s to the end is not longer than 1 s.
        DarkInterval("y", 1.0, 4.0, 2, 7),
        DarkInterval("heading", 0.0, 4.0, 0, 7),
    )


def test_law_shortest_time_is_kept():
    """A shorter limit lists more intervals, a longer one fewer."""
    poses = [EAST, NORTH, NOTHING, NOTHING, NOTHING, EAST, NOTHING, NORTH]
    scene = stage(poses)
    assert [d.axis for d in dark_intervals(*scene, shortest_s=0.9)] == ["x", "x", "y", "y", "heading"]
    assert [d.axis for d in dark_intervals(*scene, shortest_s=3.5)] == ["heading"]
    assert dark_intervals(*scene, shortest_s=5.0) == ()


def test_law_oblique_or_offset_beams_inform_the_heading():
    """At 30 deg a beam tells the heading, square on it does not, unless the sensor sits off the centre."""
    case_, plan_, sight, world = stage([OBLIQUE, EAST])
    assert informing(case_, plan_, sight, world).tolist() == [[True, False, True], [True, False, False]]
    for y, tells in ((0.12, True), (0.08, False)):
        assert informing(*stage([EAST], [sensor(y=y)]))[0, 2] == tells


@pytest.mark.parametrize("update", [{"law": "replace"}, {"law": "blend", "share": "30 %"}])
def test_law_laws_along_the_normal_leave_the_heading_to_pairs(update):
    """Under them a reading moves the place alone, oblique or not; two sensors are a fix only as a pair."""
    two = [sensor("a", y=0.12), sensor("b", y=-0.12)]
    for pairs, tells in (([], False), ([{"sensors": ["a", "b"]}], True)):
        robot_ = robot(two, update=update, pairs=pairs)
        map_ = hall()
        case_, plan_, world = case(robot_, map_), plan([OBLIQUE] * 4, sensors=2), build_world(map_)
        sight = look_along(case_, plan_, world)
        assert informing(case_, plan_, sight, world).tolist() == [[True, False, tells]] * 6
        heading = [d for d in dark_intervals(case_, plan_, sight, world, 0.0) if d.axis == "heading"]
        assert (heading == [DarkInterval("heading", 0.0, 1.5, 0, 2)]) != tells


@ON_PAPER
def test_ref_heading_threshold_by_hand():
    """Square on, a sensor y to the left changes its range by y per radian: 0.1 m is the threshold."""
    assert informing(*stage([EAST], [sensor(y=0.1)])).tolist() == [[True, False, True]]


def test_law_a_wall_at_sixty_degrees_informs_both():
    """A surface's normal must be within 60 deg of an axis to inform it."""
    for degrees, want in (
        (59.9, [True, True]),
        (60.0, [True, True]),
        (60.1, [False, True]),
        (0.0, [True, False]),
    ):
        # The same hall, seen in a frame turned by that angle.
        c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
        turned = hall().model_copy(
            update={
                "walls": [
                    w.model_copy(
                        update={
                            "corner": (
                                c * (w.corner[0] - 3) - s * (w.corner[1] - 1.5) + 3,
                                s * (w.corner[0] - 3) + c * (w.corner[1] - 1.5) + 1.5,
                            )
                        }
                    )
                    for w in hall().walls
                ]
            }
        )
        pose = (3.0, 1.5, math.radians(degrees))
        assert informing(*stage([pose], map_=turned))[0, :2].tolist() == want


def test_law_what_is_refused_informs_nothing():
    """A reading that the corridor refuses leaves the coordinate dark."""
    map_ = hall(elements=[pot("pot", 3.5, 1.5)])
    robot_ = robot(validity={"corridor": "5 cm"})
    case_, world, plan_ = case(robot_, map_), build_world(map_), plan([EAST] * 4)
    sight = look_along(case_, plan_, world)
    assert not informing(case_, plan_, sight, world).any()
    assert dark_intervals(case_, plan_, sight, world)[0] == DarkInterval("x", 0.0, 1.5, 0, 2)


def test_law_a_sensor_that_sees_nothing_hides_no_other():
    """One looks back, at a wall out of its reach, and informs nothing; the one ahead does, in any order."""
    back, ahead = sensor("back", heading=180.0), sensor("ahead")
    assert informing(*stage([EAST], [back, ahead])).tolist() == [[False] * 3, [True, False, False]]
    assert informing(*stage([EAST], [ahead, back])).tolist() == [[True, False, False], [False] * 3]


def test_law_opportunities_count_every_reading_once():
    """Each reading is counted under its sensor, step and reason."""
    case_, plan_, sight, _ = stage([EAST, NOTHING, EAST], [sensor(), sensor("left", heading=90.0)])
    counts = fix_opportunities(case_, plan_, sight)
    assert counts.shape == (2, 4 - 1, len(Reason))
    assert counts.sum() == len(sight.reason) == 6
    assert counts[0, :, Reason.USABLE].tolist() == [1, 0, 1]
    assert counts[0, 1, Reason.OUT_OF_RANGE] == 1
    assert counts[1, :, Reason.USABLE].tolist() == [1, 1, 1]


def test_law_no_sensors_all_dark():
    """Without sensors the whole run is dark on every coordinate."""
    dark = dark_intervals(*stage([EAST] * 4, []))
    assert [(d.axis, d.begin_s, d.end_s) for d in dark] == [(a, 0.0, 2.0) for a in ("x", "y", "heading")]
    case_, plan_, sight, _ = stage([EAST] * 4, [])
    assert fix_opportunities(case_, plan_, sight).shape == (0, 4, len(Reason))


@pytest.mark.parametrize("shortest_s", [-1.0, np.nan])
def test_err_bad_shortest_time(shortest_s):
    """A limit that is no time is refused by name."""
    with pytest.raises(ModelError, match="shortest_s"):
        dark_intervals(*stage([EAST]), shortest_s=shortest_s)
