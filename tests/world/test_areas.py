"""Uniform points in polygons, held to shapely."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from driftgate.world.areas import cut_into_triangles, point_in_triangles

SHAPES = {
    "square": [(0, 0), (2, 0), (2, 2), (0, 2)],
    "clockwise": [(0, 2), (2, 2), (2, 0), (0, 0)],
    "corner on a line": [(0, 0), (1, 0), (2, 0), (2, 2), (0, 2)],
    "u": [(0, 0), (3, 0), (3, 2), (2, 2), (2, 1), (1, 1), (1, 2), (0, 2)],
    "sliver": [(0, 0), (0.02, 0), (3.02, 3), (3, 3)],
}


@pytest.mark.evidence(source="library shapely", compares="areas, hulls and corners", tolerance="1e-12; 1 nm")
@pytest.mark.parametrize("corners", SHAPES.values(), ids=SHAPES)
def test_ref_triangles_tile_the_polygon(corners):
    """The triangles cover the polygon once: same area, same union (shapely)."""
    triangles = cut_into_triangles(np.array(corners, float))
    whole = shapely.Polygon(corners)
    parts = [shapely.Polygon(t) for t in triangles]

    assert sum(p.area for p in parts) == pytest.approx(whole.area, rel=1e-12)
    assert shapely.union_all(parts).symmetric_difference(whole).area == pytest.approx(0.0, abs=1e-12)


def test_mc_points_are_uniform():
    """Points fall into the arms of a U by their areas, within 5 standard errors."""
    rng = np.random.default_rng(5)
    triangles = cut_into_triangles(np.array(SHAPES["u"], float))
    x, y = point_in_triangles(triangles, *rng.random((3, 40_000)))
    inside = shapely.contains_xy(shapely.Polygon(SHAPES["u"]).buffer(1e-9), x, y)
    share = np.mean((x < 1.0) & (y > 1.0))

    assert inside.all()
    assert share == pytest.approx(1.0 / 5.0, abs=5 * np.sqrt(0.2 * 0.8 / 40_000))
