"""The push kernels against shapely and against a push written out in plain numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from driftgate.schema.robot import Footprint
from driftgate.world.footprint import footprint_hull, hull_at
from driftgate.world.pushing import push_disc, push_polygon

SHAPELY = pytest.mark.evidence(
    source="library shapely", compares="what is pushed, and where it ends", tolerance="1 nm"
)

COUNT = 400
BOX = np.array([(0.06, 0.04), (-0.06, 0.04), (-0.06, -0.04), (0.06, -0.04)])


@pytest.fixture(scope="module")
def scene():
    """Return a hull at random poses, things near it, and the hulls as shapely polygons."""
    rng = np.random.default_rng(7)
    shape = [(0.2, 0.1), (0.2, -0.1), (-0.1, -0.15), (-0.15, 0.0), (0.0, 0.2)]
    hull = footprint_hull(Footprint.model_validate({"corners": [[f"{x} m", f"{y} m"] for x, y in shape]}))
    hx, hy = hull_at(hull, *rng.uniform(-0.1, 0.1, (2, COUNT)), rng.uniform(-math.pi, math.pi, COUNT))
    cx, cy = rng.uniform(-0.35, 0.35, (2, COUNT))
    solids = [shapely.Polygon(np.column_stack([hx[:, i], hy[:, i]])) for i in range(COUNT)]
    return hx, hy, cx, cy, rng.uniform(-math.pi, math.pi, COUNT), solids


def written_out(corners, cx, cy, radius):
    """Return where a push leaves a disc, corner by corner in plain numbers."""
    sides = list(zip(corners, corners[1:] + corners[:1], strict=True))
    outs, nearest = [], []
    for (ax, ay), (bx, by) in sides:
        length = math.hypot(bx - ax, by - ay)
        nx, ny = (by - ay) / length, (ax - bx) / length
        outs.append((nx * (cx - ax) + ny * (cy - ay), nx, ny))
        t = min(max(((cx - ax) * (bx - ax) + (cy - ay) * (by - ay)) / length**2, 0.0), 1.0)
        px, py = ax + t * (bx - ax), ay + t * (by - ay)
        nearest.append((math.hypot(cx - px, cy - py), px, py))
    out, nx, ny = max(outs)
    if out <= 0.0:
        return cx + (radius - out) * nx, cy + (radius - out) * ny
    distance, px, py = min(nearest)
    if distance >= radius:
        return cx, cy
    return px + (cx - px) * radius / distance, py + (cy - py) * radius / distance


def test_law_disc_pushed_as_written_out(scene):
    """The kernel leaves every disc where the push in plain numbers does."""
    hx, hy, cx, cy, _, _ = scene
    dx, dy = push_disc(hx, hy, cx, cy, 0.08)
    for i in range(COUNT):
        corners = list(zip(hx[:, i].tolist(), hy[:, i].tolist(), strict=True))
        assert (cx[i] + dx[i], cy[i] + dy[i]) == pytest.approx(
            written_out(corners, float(cx[i]), float(cy[i]), 0.08), abs=1e-12
        )


@SHAPELY
def test_ref_disc_ends_at_its_radius_from_the_hull(scene):
    """A pushed disc touches shapely's polygon; one that did not overlap stays; none moves too far."""
    hx, hy, cx, cy, _, solids = scene
    dx, dy = push_disc(hx, hy, cx, cy, 0.08)
    pushed = np.hypot(dx, dy)
    assert 50 < np.count_nonzero(pushed) < COUNT - 50
    for i, solid in enumerate(solids):
        before = solid.distance(shapely.Point(cx[i], cy[i]))
        inside = solid.contains(shapely.Point(cx[i], cy[i]))
        after = solid.distance(shapely.Point(cx[i] + dx[i], cy[i] + dy[i]))
        if before >= 0.08:
            assert pushed[i] == 0.0
            continue
        assert after == pytest.approx(0.08, abs=1e-9)
        depth = solid.exterior.distance(shapely.Point(cx[i], cy[i])) if inside else -before
        assert pushed[i] == pytest.approx(0.08 + depth, abs=1e-9)


@SHAPELY
def test_ref_polygon_ends_touching_and_by_the_shortest_way(scene):
    """A pushed box touches shapely's polygon, and no shorter way, tried all round, gets it out."""
    hx, hy, cx, cy, turn, solids = scene
    px, py = hull_at(BOX, cx, cy, turn)
    dx, dy = push_polygon(hx, hy, px, py)
    moved = np.hypot(dx, dy)
    assert 50 < np.count_nonzero(moved) < COUNT - 50
    for i, solid in enumerate(solids):
        box = shapely.Polygon(np.column_stack([px[:, i], py[:, i]]))
        if not solid.intersects(box):
            assert moved[i] == 0.0
            continue
        after = shapely.affinity.translate(box, dx[i], dy[i])
        assert solid.distance(after) < 1e-9
        assert solid.intersection(after).area < 1e-9
        for way in np.arange(0.0, 2.0 * math.pi, 0.1):
            shorter = shapely.affinity.translate(
                box, 0.98 * moved[i] * math.cos(way), 0.98 * moved[i] * math.sin(way)
            )
            assert solid.intersects(shorter)
