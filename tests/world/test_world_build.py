"""The field map as geometry."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from world_fields import HALL, element, field_map, polygon, rectangle, structure

from driftgate.core.errors import ModelError
from driftgate.world import build_world
from driftgate.world.build import signed_area


def free_side_is_left(edge):
    """Return whether the normal points left of a -> b."""
    (ax, ay), (bx, by) = edge.a, edge.b
    return (bx - ax) * edge.normal[1] - (by - ay) * edge.normal[0] > 0.0


@pytest.mark.parametrize("clockwise", [False, True])
def test_law_walls_face_inwards_whichever_way_they_are_listed(clockwise):
    """Each wall keeps its line and id; its free side is the inside of the field."""
    walls = [HALL[0], *reversed(HALL[1:])] if clockwise else HALL
    world = build_world(field_map(walls))
    inside = shapely.Polygon(world.outline)
    for i, edge in enumerate(world.edges):
        ends = {walls[i][1], walls[(i + 1) % 4][1]}
        assert (edge.id, {edge.a, edge.b}) == (walls[i][0], ends)
        assert free_side_is_left(edge)
        middle = 0.5 * (np.array(edge.a) + edge.b)
        assert inside.contains(shapely.Point(middle + 0.01 * np.array(edge.normal)))
        assert edge.carrier == edge.owner == edge.id
    assert signed_area(world.outline) == pytest.approx(4.2 * 3.0)


def test_law_faces_face_outwards_in_the_order_written():
    """Faces keep the order of the corners as written, free side outside, for either orientation."""
    corners = [(0.3, 0.0), (0.0, 0.4), (-0.2, -0.1)]
    for written in (corners, corners[::-1]):
        world = build_world(
            field_map(structures=[structure("bench", polygon(written), 2.0, 1.0, 30.0, fixed_to="east")])
        )
        faces = world.edges[4:]
        c, s = math.cos(math.pi / 6), math.sin(math.pi / 6)
        placed = [(2.0 + c * x - s * y, 1.0 + s * x + c * y) for x, y in written]
        solid = shapely.Polygon(placed)
        assert [f.id for f in faces] == ["bench/0", "bench/1", "bench/2"]
        for i, face in enumerate(faces):
            want = {placed[i], placed[(i + 1) % 3]}
            assert np.allclose(sorted([face.a, face.b]), sorted(want))
            assert free_side_is_left(face)
            middle = 0.5 * (np.array(face.a) + face.b)
            assert not solid.intersects(shapely.Point(middle + 1e-3 * np.array(face.normal)))
            assert face.carrier == "east"
            assert math.hypot(*face.normal) == pytest.approx(1.0, abs=1e-15)


def test_law_rectangle_faces_are_ahead_left_behind_right():
    """A rectangle's four faces look along +x, +y, -x, -y of its own axes."""
    world = build_world(field_map(structures=[structure("bench", rectangle(0.6, 0.2), 1.0, 1.0)]))
    faces = world.edges[4:]
    assert np.allclose([f.normal for f in faces], [(1, 0), (0, 1), (-1, 0), (0, -1)])
    assert np.allclose(0.5 * (np.array(faces[0].a) + faces[0].b), (1.3, 1.0))


def test_law_carriers_are_followed_to_the_wall():
    """A pot on a bench on a shelf on the east wall is carried by the east wall; a loose bench by none."""
    world = build_world(
        field_map(
            structures=[
                structure("bench", rectangle(0.6, 0.2), 1.0, 1.0, fixed_to="shelf"),
                structure("shelf", rectangle(0.6, 0.2), 1.0, 2.0, fixed_to="east"),
                structure("island", rectangle(0.2, 0.2), 3.0, 2.0),
            ],
            elements=[
                element("pot", {"circle": {"radius": "8 cm"}}, 1.5, 1.0, placed_against="bench"),
                element("crate", rectangle(0.3, 0.4), 2.0, 2.0, 45.0, placed_against="island"),
                element("wedge", polygon([(0, 0), (0, 1), (1, 0)]), 2.0, 2.0, placed_against="north"),
            ],
        )
    )
    assert [e.carrier for e in world.edges[4:]] == ["east"] * 8 + [None] * 4
    assert [e.carrier for e in world.elements] == ["east", None, "north"]
    pot, crate, wedge = (e.outline for e in world.elements)
    assert (pot.radius_m, pot.corners, pot.reach_m) == (0.08, None, 0.08)
    assert crate.reach_m == pytest.approx(0.25)
    assert signed_area(wedge.corners) == pytest.approx(0.5)
    assert world.elements[1].pose == pytest.approx((2.0, 2.0, math.pi / 4))


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.floats(0.3, 1.0), min_size=3, max_size=12),
    st.booleans(),
    st.floats(-180.0, 180.0),
    st.tuples(st.floats(-2.0, 2.0), st.floats(-2.0, 2.0)),
)
def test_law_any_structure_is_a_closed_ring_with_its_inside_on_the_right(radii, clockwise, heading, where):
    """Faces of a star-shaped polygon close a ring of the same area, free side outside."""
    count = len(radii)
    written = [
        (round(r * math.cos(math.tau * i / count), 6), round(r * math.sin(math.tau * i / count), 6))
        for i, r in enumerate(radii)
    ]
    if clockwise:
        written.reverse()
    x, y = (round(v, 6) for v in where)
    one = structure("bench", polygon(written), x, y, round(heading, 6))
    faces = build_world(field_map(structures=[one])).edges[4:]
    ring = {f.a: f for f in faces}
    assert len(ring) == count
    assert all(f.b in ring for f in faces)
    solid = shapely.Polygon([f.a for f in faces])
    assert solid.is_valid
    assert solid.area == pytest.approx(abs(signed_area(np.array(written))), rel=1e-9)
    for face in faces:
        middle = 0.5 * (np.array(face.a) + face.b)
        assert not solid.contains(shapely.Point(middle + 1e-6 * np.array(face.normal)))
        assert solid.contains(shapely.Point(middle - 1e-6 * np.array(face.normal)))


def test_law_heights_and_zones_are_kept():
    """Height ranges, reference flags and rough zones reach the geometry."""
    world = build_world(
        field_map(
            wall_height={"low": "0 m", "high": "30 cm"},
            structures=[
                structure(
                    "bar", rectangle(1.0, 0.1), 2, 1, height={"low": "20 cm", "high": "25 cm"}, reference=True
                )
            ],
            rough_zones=[
                {"id": "mat", "area": [["0 m", "0 m"], ["1 m", "0 m"], ["1 m", "1 m"]], "bumps": "2 1/m"}
            ],
        )
    )
    assert {(e.low_m, e.high_m) for e in world.edges[:4]} == {(0.0, 0.3)}
    assert (world.edges[4].low_m, world.edges[4].high_m, world.edges[4].reference) == (0.2, 0.25, True)
    name, area, bumps = world.zones[0]
    assert (name, area.shape, bumps) == ("mat", (3, 2), 2.0)


@pytest.mark.evidence(
    source="worked on paper", compares="mean, area and length of simple things", tolerance="exact to 10 nm"
)
def test_ref_area_of_a_triangle():
    """A right triangle of legs 3 and 4 has area 6, negative clockwise (Euclid)."""
    corners = np.array([(100.0, 100.0), (103.0, 100.0), (100.0, 104.0)])
    assert signed_area(corners) == 6.0
    assert signed_area(corners[::-1]) == -6.0


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"structures": [structure("bench", {"circle": {"radius": "1 m"}})]}, "rectangle or a polygon"),
        ({"structures": [structure("bench", rectangle(1, 1), fixed_to="moon")]}, "'moon'"),
        ({"structures": [structure("bench", rectangle(1, 1), fixed_to="bench")]}, "fixed to itself"),
        ({"structures": [structure("bench", polygon([(0, 0), (1, 0), (2, 0)]))]}, "enclose an area"),
        ({"structures": [structure("bench", polygon([(0, 0), (0, 0), (1, 0), (0, 1)]))]}, "no length"),
        ({"elements": [element("pot", rectangle(1, 1), 0, 0, placed_against="moon")]}, "'moon'"),
        ({"elements": [element("pot", {}, 0, 0)]}, "must be a circle"),
        ({"elements": [element("pot", polygon([(0, 0), (1, 1), (2, 2)]), 0, 0)]}, "enclose an area"),
        ({"walls": HALL[:3], "flat": True}, "enclose an area"),
    ],
)
def test_err_impossible_geometry_is_named(more, message):
    """What is not a field is refused with what is wrong."""
    more = dict(more)
    walls = more.pop("walls", HALL)
    if more.pop("flat", False):
        walls = [("a", (0, 0)), ("b", (1, 0)), ("c", (2, 0))]
    with pytest.raises(ModelError, match=message):
        build_world(field_map(walls, **more))
