"""The wall carry rule."""

import math

import numpy as np
import pytest
import shapely
from world_fields import HALL, field_map

from driftgate.core.errors import ModelError
from driftgate.core.pose import compose, inverse
from driftgate.world import Edge, build_world
from driftgate.world.carry import (
    carry_point,
    carry_pose,
    edge_middle,
    line_difference,
    wall_lines_to_corners,
)

ON_PAPER = pytest.mark.evidence(
    source="worked on paper", compares="what moves with a wall or structure", tolerance="5 µm, or exact"
)

SEED = 20240612


def edge(a, b, name="east"):
    """Return a wall from a to b with its free side on the left."""
    dx, dy = b[0] - a[0], b[1] - a[1]
    length = math.hypot(dx, dy)
    return Edge(name, name, "wall", a, b, (-dy / length, dx / length), True, 0.0, 0.5, name)


def ends(walls):
    """Return end points of walls as four arrays."""
    return [
        np.array([point[k] for point in points])
        for points in ([w.a for w in walls], [w.b for w in walls])
        for k in (0, 1)
    ]


@ON_PAPER
def test_ref_carry_by_hand():
    """A wall x = 4 tilted by 90 deg and moved 0.1 m inwards takes (3, 2) with it (worked on paper)."""
    wall = edge((4.0, 0.0), (4.0, 3.0))
    got = carry_pose(np.array([3.0, 2.0, 0.5]), edge_middle(wall), wall.normal, 0.1, math.pi / 2)
    # From the middle (4, 1.5) the point is (-1, 0.5); turned: (-0.5, -1); the normal is (-1, 0).
    assert got == pytest.approx([4.0 - 0.5 - 0.1, 1.5 - 1.0, 0.5 + math.pi / 2])


def test_law_carry_is_one_rigid_motion():
    """Two poses on one wall keep their place relative to each other, in every trial."""
    rng = np.random.default_rng(SEED)
    wall = edge((0.0, 0.0), (2.0, 1.0))
    one, two = rng.uniform(-2, 2, (2, 3))
    offset, tilt = rng.normal(0, 0.1, (2, 50))
    carried = [carry_pose(p, edge_middle(wall), wall.normal, offset, tilt) for p in (one, two)]
    assert carried[0].shape == (50, 3)
    want = np.broadcast_to(compose(inverse(one), two), (50, 3))
    assert compose(inverse(carried[0]), carried[1]) == pytest.approx(want, abs=1e-12)


@pytest.mark.evidence(source="library shapely", compares="areas, hulls and corners", tolerance="1e-12; 1 nm")
@pytest.mark.parametrize("clockwise", [False, True])
def test_ref_corners_are_where_the_lines_meet(clockwise):
    """Corners of a tilted and shifted hall are shapely's intersections of the carried wall lines."""
    walls = [HALL[0], *reversed(HALL[1:])] if clockwise else HALL
    world = build_world(field_map(walls))
    rng = np.random.default_rng(SEED)
    offset, tilt = rng.normal(0, 0.02, (4, 20)), rng.normal(0, 0.03, (4, 20))
    ax, ay, bx, by = wall_lines_to_corners(*ends(world.edges), offset, tilt)
    for n in range(20):
        lines = []
        for i, wall in enumerate(world.edges):
            stretched = [np.array(wall.a) * 2 - wall.b, np.array(wall.b) * 2 - wall.a]
            moved = [
                carry_point(*p, edge_middle(wall), wall.normal, offset[i, n], tilt[i, n]) for p in stretched
            ]
            lines.append(shapely.LineString(moved))
        for i in range(4):
            want = {k: lines[i].intersection(lines[k]) for k in ((i + 1) % 4, (i - 1) % 4)}
            corners = [shapely.Point(ax[i, n], ay[i, n]), shapely.Point(bx[i, n], by[i, n])]
            for point in want.values():
                assert min(point.distance(c) for c in corners) < 1e-9


@pytest.mark.parametrize("clockwise", [False, True])
def test_law_no_error_leaves_the_drawing(clockwise):
    """Without build errors the walls stand as drawn, collinear neighbours included."""
    walls = [("a", (0, 0)), ("b", (2, 0)), ("c", (4, 0)), ("d", (4, 3)), ("e", (0, 3))]
    if clockwise:
        walls = walls[::-1]
    drawn = ends(build_world(field_map(walls)).edges)
    built = wall_lines_to_corners(*drawn, np.zeros((5, 2)), np.zeros((5, 2)))
    for want, got in zip(drawn, built, strict=True):
        assert got == pytest.approx(np.column_stack([want, want]), abs=1e-12)


def test_law_nearly_parallel_neighbours_keep_their_corner():
    """Two halves of one straight wall, built unlike, still meet near the drawn joint."""
    walls = [("a", (0, 0)), ("b", (2, 0)), ("c", (4, 0)), ("d", (4, 3)), ("e", (0, 3))]
    rng = np.random.default_rng(SEED)
    offset, tilt = rng.normal(0, 0.01, (5, 500)), rng.normal(0, 0.03, (5, 500))
    ax, ay, bx, by = wall_lines_to_corners(*ends(build_world(field_map(walls)).edges), offset, tilt)
    assert np.hypot(bx[0] - 2.0, by[0]).max() < 0.2
    assert np.array_equal(bx[0], ax[1])
    assert np.array_equal(by[0], ay[1])
    # The joint lies between the places that the two halves carry it to.
    low = np.minimum(offset[0] + np.sin(tilt[0]), offset[1] - np.sin(tilt[1]))
    high = np.maximum(offset[0] + np.sin(tilt[0]), offset[1] - np.sin(tilt[1]))
    assert np.all((by[0] >= low - 1e-12) & (by[0] <= high + 1e-12))


def test_law_difference_inverts_the_carry():
    """A wall carried by (offset, tilt), and cut to any length, differs by (offset, tilt)."""
    rng = np.random.default_rng(SEED)
    for _ in range(100):
        believed = edge(tuple(rng.uniform(-3, 0, 2)), tuple(rng.uniform(0.1, 3, 2)))
        offset, tilt = rng.normal(0, 0.05), rng.normal(0, 0.05)
        a, b = (
            np.array(carry_point(*p, edge_middle(believed), believed.normal, offset, tilt))
            for p in (believed.a, believed.b)
        )
        cut = edge(tuple(a + 0.2 * (b - a)), tuple(a + 0.7 * (b - a)))
        assert line_difference(believed, cut) == pytest.approx((offset, tilt), abs=1e-12)


@ON_PAPER
def test_ref_wall_ten_millimetres_out():
    """A wall mapped at x = 3.600 and built at 3.610 is 10 mm outwards (worked case of the three poses)."""
    offset, tilt = line_difference(edge((3.6, 0.0), (3.6, 3.0)), edge((3.61, 0.0), (3.61, 2.5)))
    assert (offset, tilt) == (pytest.approx(-0.01), 0.0)


def test_err_another_wall_is_refused():
    """A wall that runs the other way is not the same wall built differently."""
    with pytest.raises(ModelError, match="'east'"):
        line_difference(edge((4, 0), (4, 3)), edge((4, 3), (4, 0)))
