"""What a sensor with a cone should see, and what stands in its way, on hand-made fields."""

import math

import numpy as np
import pytest
import shapely
from sight_cases import bench, case, crate, hall, plan, pot, robot, sensor
from test_expect import look, one

from driftgate.sight.dark import informing
from driftgate.sight.expect import look_along
from driftgate.sight.values import Reason
from driftgate.world import build_world

ON_PAPER = pytest.mark.evidence(
    source="worked on paper", compares="sight lines, corridors, dark times", tolerance="exact"
)


def coned(width_deg, validity=None, **more):
    """Return a robot whose one sensor has a cone."""
    return robot([sensor(beam_width=f"{width_deg!r} deg", **more)], validity)


@ON_PAPER
@pytest.mark.parametrize(
    ("heading_deg", "range_m", "incidence_deg"),
    [
        (0.0, 1.0, 0.0),
        (8.0, 1.0, 0.0),  # the foot of the perpendicular is still in a cone of 20 deg
        (30.0, 1.0 / math.cos(math.radians(20.0)), 20.0),  # the nearer rim
    ],
)
def test_ref_a_wall_in_a_cone_by_hand(heading_deg, range_m, incidence_deg):
    """Range and incidence of the wall 1 m away are those of the nearest point in a cone of 20 deg."""
    _, sight = look(coned(20.0), hall(), plan([(3.0, 1.5, math.radians(heading_deg))] * 2))
    assert sight.range_m[0] == pytest.approx(range_m, abs=1e-12)
    assert sight.incidence_rad[0] == pytest.approx(math.radians(incidence_deg), abs=1e-7)


def test_law_a_bench_beside_the_axis_answers_a_cone_only():
    """A bench that a line passes by is what a cone expects, from its corner."""
    field = hall([bench("bench", 0.2, 0.2, 3.6, 1.75)])  # its near corner is at (3.5, 1.65)
    here = (3.0, 1.5, 0.0)
    assert one(field, here, robot())[1:3] == ("east", pytest.approx(1.0))
    reason, met, range_m, _ = one(field, here, coned(40.0))
    assert (reason, met, range_m) == (Reason.USABLE, "bench/2", pytest.approx(math.hypot(0.5, 0.15)))
    # An answer from a corner is nearer to the end than any margin.
    got = one(field, here, coned(40.0, {"edge_margin": "1 mm"}))
    assert (got[0], got[3]) == (Reason.CORRIDOR, "end of bench/2")


@ON_PAPER
@pytest.mark.parametrize(
    ("at", "width_deg", "blocked"),
    [
        ((3.5, 1.75), 40.0, True),  # 0.25 m off the axis, outside the corridor, inside the cone
        ((3.5, 1.75), 10.0, False),
        ((3.5, 1.75), 0.0, False),
        ((3.8, 1.9), 60.0, True),  # 0.894 m less its radius of 0.08 m away
        ((3.92, 2.08), 60.0, False),  # 1.088 m less 0.08 m: in the cone, but behind the wall's answer
    ],
)
def test_ref_the_cone_is_kept_free(at, width_deg, blocked):
    """A pot inside the cone and nearer than the wall blocks, however narrow the corridor (on paper)."""
    seen = coned(width_deg, {"corridor": "10 mm"})
    got = one(hall(elements=[pot("pot", *at)]), robot_=seen)
    assert (got[0] is Reason.CORRIDOR, got[3]) == ((blocked, "pot" if blocked else ""))


def test_law_a_foot_informs_no_heading():
    """A wall met obliquely by a line tells the heading; at its foot in a cone it does not."""
    here = [(3.0, 1.5, math.radians(12.0))] * 2
    for width_deg, tells in ((0.0, True), (60.0, False)):
        map_, robot_, plan_ = hall(), coned(width_deg), plan(here)
        world = build_world(map_)
        sight = look_along(case(robot_, map_), plan_, world)
        informs = informing(case(robot_, map_), plan_, sight, world)
        assert informs[0].tolist() == [True, False, tells]


@pytest.mark.evidence(
    source="library shapely", compares="surface, range, corridor in random halls", tolerance="1 nm"
)
def test_ref_random_hall_against_shapely():
    """On 300 random poses surface, range and cone are shapely's (shapely 2, GEOS)."""
    rng = np.random.default_rng(20240618)
    things = [bench("bench", 0.4, 0.2, 1.5, 1.0, 20.0), bench("shelf", 0.3, 0.3, 2.8, 2.1, -30.0)]
    loose = [pot("pot", 2.2, 1.2), crate("crate", 0.2, 0.1, 1.0, 2.2, 15.0)]
    map_ = hall(things, loose)
    world = build_world(map_)
    poses = np.column_stack(
        [rng.uniform(0.3, 3.7, 300), rng.uniform(0.3, 2.7, 300), rng.uniform(-math.pi, math.pi, 300)]
    )
    half = math.radians(15.0)
    sight = look(coned(30.0, {"corridor": "0 mm"}), map_, plan([poses[0], *poses]))[1]
    edges = [shapely.LineString([e.a, e.b]) for e in world.edges]
    crate_at = next(e for e in world.elements if e.id == "crate")
    c, s = math.cos(crate_at.pose[2]), math.sin(crate_at.pose[2])
    corners = [
        (crate_at.pose[0] + c * x - s * y, crate_at.pose[1] + s * x + c * y)
        for x, y in crate_at.outline.corners
    ]
    solids = [shapely.Point(2.2, 1.2).buffer(0.08, quad_segs=200), shapely.Polygon(corners)]
    blocked = 0
    for i, (x, y, heading) in enumerate(poses):
        here = shapely.Point(x, y)
        far = 20.0 / math.cos(half)
        rims = [(x + far * math.cos(heading + t), y + far * math.sin(heading + t)) for t in (-half, half)]
        wedge = shapely.Polygon([(x, y), *rims])
        away = [
            edge.intersection(wedge).distance(here) if edge.intersects(wedge) else math.inf for edge in edges
        ]
        assert sight.range_m[i] == pytest.approx(min(away), abs=1e-9)
        assert away[sight.surface[i]] == pytest.approx(min(away), abs=1e-9)
        if sight.reason[i] not in (Reason.USABLE, Reason.CORRIDOR):
            continue
        near = [t.intersection(wedge).distance(here) if t.intersects(wedge) else math.inf for t in solids]
        if abs(min(near) - min(away)) > 1e-4:
            blocked += min(near) < min(away)
            assert (sight.reason[i] == Reason.CORRIDOR) == (min(near) < min(away)), i
    assert blocked > 20
