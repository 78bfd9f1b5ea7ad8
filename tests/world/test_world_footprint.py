"""Footprint and contact kernels, held to shapely."""

import math

import numpy as np
import pytest
import shapely

from driftgate.core.errors import ModelError
from driftgate.schema.robot import Footprint
from driftgate.world.distance import point_to_segment, segment_to_segment
from driftgate.world.footprint import (
    footprint_hull,
    hull_at,
    hull_distance_to_point,
    hull_distance_to_segment,
    hull_meets_disc,
    hull_meets_segment,
)

SHAPELY = pytest.mark.evidence(
    source="library shapely", compares="contact, distances from a hull", tolerance="exact; 1e-12 m"
)

SEED = 20240614
COUNT = 3000


def corners_of(points):
    """Return a footprint written as corners."""
    return Footprint.model_validate({"corners": [[f"{x} m", f"{y} m"] for x, y in points]})


@pytest.fixture(scope="module")
def scene():
    """Return a hull at random poses, segments and discs near it, and the hulls as shapely polygons."""
    rng = np.random.default_rng(SEED)
    hull = footprint_hull(corners_of([(0.2, 0.1), (0.2, -0.1), (-0.1, -0.15), (-0.15, 0.0), (0.0, 0.2)]))
    x, y = rng.uniform(-0.5, 0.5, (2, COUNT))
    hx, hy = hull_at(hull, x, y, rng.uniform(-math.pi, math.pi, COUNT))
    ends = rng.uniform(-0.7, 0.7, (4, COUNT))
    solids = [shapely.Polygon(np.column_stack([hx[:, i], hy[:, i]])) for i in range(COUNT)]
    return hx, hy, ends, rng.uniform(0.01, 0.3, COUNT), solids


@pytest.mark.evidence(source="library shapely", compares="areas, hulls and corners", tolerance="1e-12; 1 nm")
def test_ref_hull_against_shapely():
    """The hull of random points is shapely's, counter-clockwise."""
    rng = np.random.default_rng(SEED)
    for _ in range(100):
        points = [(round(x, 3), round(y, 3)) for x, y in rng.normal(0, 0.2, (12, 2))]
        hull = footprint_hull(corners_of(points))
        solid = shapely.Polygon(hull)
        assert solid.exterior.is_ccw
        assert solid.symmetric_difference(shapely.MultiPoint(points).convex_hull).area < 1e-12


def test_law_rectangle_is_centred():
    """Length runs ahead, width across, about the robot's origin."""
    hull = footprint_hull(Footprint.model_validate({"length": "40 cm", "width": "30 cm"}))
    assert hull.min(axis=0) == pytest.approx([-0.2, -0.15])
    assert hull.max(axis=0) == pytest.approx([0.2, 0.15])
    assert len(hull) == 4


def test_law_corners_on_a_straight_side_are_dropped():
    """A corner on the line between its neighbours adds nothing."""
    assert len(footprint_hull(corners_of([(0, 0), (0.5, 0), (1, 0), (1, 1), (0, 1), (0.5, 0.5)]))) == 4


@SHAPELY
def test_ref_contact_against_shapely(scene):
    """On 3000 scenes contact with a segment and a disc is as shapely says."""
    hx, hy, ends, radius, solids = scene
    segment, disc = hull_meets_segment(hx, hy, *ends), hull_meets_disc(hx, hy, ends[0], ends[1], radius)
    for i, solid in enumerate(solids):
        line = shapely.LineString([(ends[0, i], ends[1, i]), (ends[2, i], ends[3, i])])
        assert segment[i] == solid.intersects(line)
        assert disc[i] == (solid.distance(shapely.Point(ends[0, i], ends[1, i])) <= radius[i])
    assert 0.2 < segment.mean() < 0.8
    assert 0.1 < disc.mean() < 0.9


@SHAPELY
def test_ref_distance_against_shapely(scene):
    """On 3000 scenes distances from the hull are shapely's."""
    hx, hy, ends, _, solids = scene
    to_segment, to_point = hull_distance_to_segment(hx, hy, *ends), hull_distance_to_point(hx, hy, *ends[:2])
    for i, solid in enumerate(solids):
        line = shapely.LineString([(ends[0, i], ends[1, i]), (ends[2, i], ends[3, i])])
        assert to_segment[i] == pytest.approx(solid.distance(line), abs=1e-12)
        assert to_point[i] == pytest.approx(solid.distance(shapely.Point(ends[0, i], ends[1, i])), abs=1e-12)


@SHAPELY
def test_ref_segment_distances_against_shapely():
    """On 3000 scenes point-to-segment and segment-to-segment distances are shapely's."""
    rng = np.random.default_rng(SEED)
    points = rng.uniform(-1, 1, (8, COUNT))
    between, to_point = segment_to_segment(*points), point_to_segment(*points[:6])
    for i in range(COUNT):
        ax, ay, bx, by, cx, cy, dx, dy = points[:, i]
        line = shapely.LineString([(ax, ay), (bx, by)])
        assert between[i] == pytest.approx(line.distance(shapely.LineString([(cx, cy), (dx, dy)])), abs=1e-12)
        want = shapely.Point(ax, ay).distance(shapely.LineString([(bx, by), (cx, cy)]))
        assert to_point[i] == pytest.approx(want, abs=1e-12)


def test_law_touching_is_contact():
    """A wall or pot that just touches the bumper is met; a hair further off it is not."""
    hull = footprint_hull(Footprint.model_validate({"length": "50 cm", "width": "50 cm"}))
    hx, hy = hull_at(hull, np.array([0.0, 0.0]), 0.0, 0.0)
    x = np.array([0.25, 0.25 + 1e-9])
    assert hull_meets_segment(hx, hy, x, -1.0, x, 1.0).tolist() == [True, False]
    assert hull_meets_disc(hx, hy, x + 0.25, 0.0, 0.25).tolist() == [True, False]
    assert hull_distance_to_segment(hx, hy, x, -1.0, x, 1.0) == pytest.approx([0.0, 1e-9], abs=1e-12)


def test_law_inside_is_contact_and_a_point_is_a_segment():
    """A segment wholly inside is met; one of no length behaves as a point."""
    hull = footprint_hull(Footprint.model_validate({"length": "50 cm", "width": "50 cm"}))
    hx, hy = hull_at(hull, np.zeros(1), 0.0, 0.0)
    assert hull_meets_segment(hx, hy, -0.1, 0.0, 0.1, 0.1).all()
    assert hull_meets_segment(hx, hy, 0.1, 0.1, 0.1, 0.1).all()
    assert not hull_meets_segment(hx, hy, 0.3, 0.3, 0.3, 0.3).any()
    assert hull_distance_to_segment(hx, hy, 0.28, 0.29, 0.28, 0.29) == pytest.approx([0.05])


@pytest.mark.parametrize(
    "footprint",
    [Footprint(), corners_of([(0, 0), (1, 1), (2, 2)]), Footprint.model_validate({"length": "40 cm"})],
)
def test_err_no_footprint(footprint):
    """What encloses no area is refused."""
    with pytest.raises(ModelError, match="footprint"):
        footprint_hull(footprint)
