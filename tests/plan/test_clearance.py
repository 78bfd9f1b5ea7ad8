"""Clearance and meant contacts, held to shapely."""

import dataclasses
import math

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from plan_cases import case, codes, field_map, robot

from driftgate.plan import plan_case, touch_exemptions
from driftgate.plan.clearance import check_clearance
from driftgate.world.build import build_world

HULL = np.array([[0.18, -0.15], [0.18, 0.15], [-0.18, 0.15], [-0.18, -0.15]])
SCATTER = {"x": "2 cm", "y": "2 cm", "heading": "5 deg", "basis": "guess", "constant_over": "run"}


def pot(x, y, name="pot", **more):
    """Return a round pot of 8 cm radius."""
    at = {"x": f"{x} m", "y": f"{y} m", "heading": "0 deg"}
    return {"id": name, "shape": {"circle": {"radius": "8 cm"}}, "at": at, "scatter": SCATTER, **more}


def bench(x, y, heading=0.0, name="bench", **more):
    """Return a bench 0.6 m x 0.3 m."""
    at = {"x": f"{x} m", "y": f"{y} m", "heading": f"{heading} deg"}
    shape = {"rectangle": {"length": "0.6 m", "width": "0.3 m"}}
    return {"id": name, "shape": shape, "at": at, **more}


def swept(plan, step, parts=300):
    """Return finely sampled footprints of a step as shapely polygons."""
    motion = plan.steps[step].motion
    poses, _ = motion.sample(np.linspace(0.0, motion.duration_s, parts))
    c, s = np.cos(poses[:, 2, None]), np.sin(poses[:, 2, None])
    x = poses[:, 0, None] + c * HULL[:, 0] - s * HULL[:, 1]
    y = poses[:, 1, None] + s * HULL[:, 0] + c * HULL[:, 1]
    return shapely.polygons(np.stack([x, y], axis=-1))


@pytest.mark.evidence(
    source="library shapely", compares="nearest distance of a sweep", tolerance="2 mm, 300 samples"
)
@settings(max_examples=40, deadline=None)
@given(
    st.tuples(st.floats(0.5, 3.7), st.floats(0.5, 2.5)),
    st.floats(-180.0, 180.0),
    st.sampled_from(["straight", "arc", "curve", "turn"]),
)
def test_ref_clearance_equals_shapely(place, degrees, kind):
    """The nearest distance of a sweep is that of shapely's polygons sampled three hundred times."""
    x, y = place
    steps = {
        "straight": {"do": "advance", "distance": "0.8 m"},
        "arc": {"do": "arc", "radius": "0.3 m", "angle": "120 deg"},
        "curve": {"do": "curve", "through": [["2.1 m", "1.5 m"], ["2.6 m", "1.7 m"]]},
        "turn": {"do": "rotate", "angle": "300 deg"},
    }
    on = field_map(structures=[bench(3.0, 0.8, 25.0)], elements=[pot(1.4, 2.0)])
    plan = plan_case(case(steps[kind], at=(x, y, degrees), on=on))
    # A curve that is refused for its tightness turns too far within a tick to be followed by arcs.
    assume("DG203" not in codes(plan))
    c, s = math.cos(math.radians(25)), math.sin(math.radians(25))
    box = [(u * 0.3, v * 0.15) for u, v in ((1, 1), (-1, 1), (-1, -1), (1, -1))]
    obstacles = {
        "pot": shapely.Point(1.4, 2.0).buffer(0.08, quad_segs=256),
        "bench": shapely.Polygon([(3.0 + c * u - s * v, 0.8 + s * u + c * v) for u, v in box]),
        "south": shapely.LineString([(0, 0), (4.2, 0)]),
        "east": shapely.LineString([(4.2, 0), (4.2, 3)]),
        "north": shapely.LineString([(4.2, 3), (0, 3)]),
        "west": shapely.LineString([(0, 3), (0, 0)]),
    }
    footprints = swept(plan, 0)
    expected = {name: shapely.distance(footprints, shape).min() for name, shape in obstacles.items()}

    got = plan.clearances[0]
    # Both are samples of a sweep; three hundred footprints lie a few millimetres apart.
    assert got.distance_m == pytest.approx(min(expected.values()), abs=2e-3)
    assert got.distance_m == pytest.approx(expected[got.obstacle], abs=2e-3)


def test_law_clearance_by_hand():
    """Driving past a pot whose centre is 0.3 m from the path leaves 0.3 - 0.15 - 0.08 m."""
    on = field_map(elements=[pot(2.0, 1.8)])
    plan = plan_case(case({"do": "drive", "to": ["3 m", "1.5 m"]}, at=(1.0, 1.5, 0.0), on=on))

    assert plan.clearances[0].obstacle == "pot"
    assert plan.clearances[0].distance_m == pytest.approx(0.07, abs=1e-9)
    assert plan.findings == ()


@pytest.mark.parametrize(
    ("to", "touches"), [(["3.9 m", "1.5 m"], "bench"), (["4.15 m", "2.6 m"], "east")], ids=["bench", "wall"]
)
def test_err_no_leave_to_drive_through_what_is_fixed(to, touches):
    """Leave to touch lets a robot lean on a bench or a wall, and not drive through it."""
    on = field_map(structures=[bench(2.4, 1.5)])
    start = (1.0, 1.5, 0.0) if touches == "bench" else (3.5, 2.6, 0.0)
    plan = plan_case(case({"do": "drive", "to": to, "may_touch": [touches]}, at=start, on=on))
    found = [f for f in plan.findings if f.code == "DG204" and f"through '{touches}'" in f.message]

    assert [f.level for f in found] == ["error"]
    assert "touching only" in found[0].suggestion


def test_law_leave_to_touch_what_is_fixed():
    """A robot that has leave may stand a little into a bench, as one that leans on it does."""
    on = field_map(structures=[bench(2.4, 1.5)])
    # The bench begins at 2.1 m, the bumper is 0.18 m ahead: 10 mm too far.
    step = {"do": "drive", "to": ["1.93 m", "1.5 m"], "may_touch": ["bench"]}
    assert codes(plan_case(case(step, at=(1.0, 1.5, 0.0), on=on))) == []


def test_err_driving_into_something():
    """A path through a pot is an error at the step, named, with a way out if it is meant."""
    on = field_map(elements=[pot(2.0, 1.5)])
    step = {"do": "drive", "to": ["3 m", "1.5 m"]}
    plan = plan_case(case({"do": "pause", "time": "1 s"}, step, at=(1.0, 1.5, 0.0), on=on))
    meant = plan_case(case({**step, "may_touch": ["pot"]}, at=(1.0, 1.5, 0.0), on=on))

    assert codes(plan) == ["DG204"]
    assert plan.findings[0].doc_path == ("steps", 1)
    assert "'pot'" in plan.findings[0].message
    assert "may_touch: [pot]" in plan.findings[0].suggestion
    assert codes(meant) == []


def test_err_passing_too_close_is_a_warning():
    """Passing by less than 10 mm is a warning with the distance."""
    on = field_map(elements=[pot(2.0, 1.736)])
    plan = plan_case(case({"do": "drive", "to": ["3 m", "1.5 m"]}, at=(1.0, 1.5, 0.0), on=on))

    assert codes(plan) == []
    assert codes(plan, "warning") == ["DG204"]
    assert "6.0 mm" in plan.findings[0].message


@pytest.mark.parametrize(
    ("more", "found"),
    [
        ({"present": {"begin": "30 s"}}, []),
        ({"present": {"begin": "0 s", "end": "0.2 s"}}, []),
        ({"present": {"begin": "0.5 s", "end": "20 s"}}, ["DG204"]),
        ({"height": {"low": "0.4 m", "high": "0.6 m"}}, []),
        ({"height": {"low": "0.2 m", "high": "0.6 m"}}, ["DG204"]),
    ],
)
def test_law_only_what_is_there_and_low_enough_counts(more, found):
    """An element counts while it is there, and if it reaches down to the robot's height."""
    on = field_map(elements=[pot(2.0, 1.5, **more)])
    plan = plan_case(case({"do": "drive", "to": ["3 m", "1.5 m"]}, at=(1.0, 1.5, 0.0), on=on))

    assert codes(plan) == found


def test_law_what_the_robot_starts_against_is_left_out_until_it_is_away():
    """Placed against a wall the robot may touch it until it has been 50 mm away, and not after."""
    leave = [{"do": "advance", "distance": "0.3 m"}, {"do": "advance", "distance": "-0.3 m"}]
    c = case(*leave, at=(0.18, 1.5, 0.0), placed_against=["west"])
    plan = plan_case(c)
    masks = touch_exemptions(c, plan.steps, plan.timeline)
    away = plan.timeline.pose[:-1, 0] - 0.18 > 0.05
    first = int(np.argmax(away))

    assert set(masks) == {"west"}
    assert masks["west"][:first].all()
    assert not masks["west"][first:].any()
    # Backing against it once more is not meant.
    assert [f.doc_path for f in plan.findings if f.code == "DG204"] == [("steps", 1)]


def test_law_wall_squared_up_against_is_left_out_from_that_step_on():
    """From the square-up until 50 mm away the wall may be touched; before it may not."""
    c = case(
        {"do": "advance", "distance": "0.5 m"},
        {"do": "square-up", "against": "east", "speed": "0.3 m/s"},
        {"do": "look", "time": "1 s"},
        {"do": "advance", "distance": "-0.5 m"},
        at=(3.0, 1.5, 0.0),
    )
    plan = plan_case(c)
    mask = touch_exemptions(c, plan.steps, plan.timeline)["east"]
    tl = plan.timeline

    assert codes(plan) == []
    assert not mask[: tl.first_tick[1]].any()
    assert mask[tl.first_tick[1] : tl.first_tick[3] + 1].all()
    assert not mask[-1]
    back = tl.pose[:-1, 0] > 4.2 - 0.18 - 0.05 - 1e-12
    assert (mask[tl.first_tick[3] :] == back[tl.first_tick[3] :]).all()


def test_law_may_touch_is_for_its_own_step():
    """What one step may touch another may not."""
    c = case(
        {"do": "advance", "distance": "0.1 m", "may_touch": ["pot"]},
        {"do": "advance", "distance": "0.1 m"},
        on=field_map(elements=[pot(3.0, 1.0)]),
    )
    plan = plan_case(c)
    mask = touch_exemptions(c, plan.steps, plan.timeline)["pot"]

    assert (mask == (plan.timeline.step == 0)).all()


def test_law_two_walls_of_a_corner_are_told_apart():
    """Squared up against one wall, running along its neighbour too near is still found."""
    c = case({"do": "square-up", "against": "east", "speed": "0.3 m/s"}, at=(3.0, 2.845, 0.0))
    plan = plan_case(c)

    assert codes(plan) == []
    assert codes(plan, "warning") == ["DG204"]
    assert "'north'" in plan.findings[0].message


def test_law_standing_steps_have_no_clearance():
    """Only motions are looked at; a step that stands is not in the list."""
    plan = plan_case(case({"do": "pause", "time": "1 s"}, {"do": "advance", "distance": "0.2 m"}))

    assert [c.step for c in plan.clearances] == [1]


def test_law_nothing_is_near_of_a_plan_without_motion_or_a_field_without_anything():
    """No clearance and no finding: where nothing moves, and where nothing stands."""
    still, moving = (
        case(step) for step in ({"do": "pause", "time": "1 s"}, {"do": "advance", "distance": "1 m"})
    )
    world = build_world(still.believed)
    bare = dataclasses.replace(world, edges=(), elements=())
    for planned, around in ((still, world), (moving, bare)):
        plan = plan_case(planned)
        assert check_clearance(planned, plan.steps, plan.timeline, HULL, around) == ((), ())


def test_law_polygon_footprint_counts_as_its_hull():
    """A nose on the footprint comes nearer than the rectangle would."""
    nose = {
        "corners": [
            ["-0.18 m", "-0.15 m"],
            ["0.1 m", "-0.15 m"],
            ["0.3 m", "0 m"],
            ["0.1 m", "0.15 m"],
            ["-0.18 m", "0.15 m"],
        ]
    }
    plan = plan_case(
        case({"do": "advance", "distance": "0.5 m"}, at=(3.0, 1.5, 0.0), drives=robot(footprint=nose))
    )

    assert plan.clearances[0].obstacle == "east"
    assert plan.clearances[0].distance_m == pytest.approx(4.2 - 3.5 - 0.3, abs=1e-9)


def test_law_a_target_too_near_is_reported_once():
    """Not again by the step that starts from there; what comes nearer than it starts is."""
    near = {"do": "drive", "to": ["4.015 m", "1.5 m"]}
    back = {"do": "advance", "distance": "-20 cm"}
    away = plan_case(case(near, {"do": "pause", "time": "1 s"}, back, at=(1.0, 1.5, 0.0)))
    assert [f.doc_path for f in away.findings if f.code == "DG204"] == [("steps", 0)]
    on = {"do": "advance", "distance": "2 mm"}
    nearer = plan_case(case(near, on, back, at=(1.0, 1.5, 0.0)))
    assert [f.doc_path for f in nearer.findings if f.code == "DG204"] == [("steps", 0), ("steps", 1)]
