"""Ray kernels, held to shapely and to scalar twins."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from driftgate.world.rays import (
    edge_arrays,
    nearest_edge,
    range_to_disc,
    range_to_polygon,
    range_to_segment,
    write_where,
)
from driftgate.world.values import Edge

SHAPELY = pytest.mark.evidence(
    source="library shapely",
    compares="ranges to lines, segments, discs, in cones",
    tolerance="1 nm; cut circles 0.1 mm",
)

FAR_M = 50.0
RNG_SEED = 20240611


def segment_twin(px, py, ux, uy, ax, ay, bx, by):
    """Scalar twin of `range_to_segment`: the implicit line of the segment instead of cross products."""
    nx, ny = -(by - ay), bx - ax
    closing = nx * ux + ny * uy
    if abs(closing) <= 1e-15:
        return math.inf
    r = (nx * (ax - px) + ny * (ay - py)) / closing
    if r < 0.0:
        return math.inf
    hx, hy = px + r * ux, py + r * uy
    along = ((hx - ax) * (bx - ax) + (hy - ay) * (by - ay)) / ((bx - ax) ** 2 + (by - ay) ** 2)
    return r if -1e-12 <= along <= 1.0 + 1e-12 else math.inf


def disc_twin(px, py, ux, uy, cx, cy, radius):
    """Scalar twin of `range_to_disc`: the roots of the quadratic."""
    wx, wy = px - cx, py - cy
    c = wx * wx + wy * wy - radius * radius
    if c <= 0.0:
        return 0.0
    half_b = wx * ux + wy * uy
    root2 = half_b * half_b - c
    if root2 < 0.0 or half_b > 0.0:
        return math.inf
    return -half_b - math.sqrt(root2)


def scenes(count, seed=RNG_SEED):
    """Return beams and segments strewn over a small field."""
    rng = np.random.default_rng(seed)
    px, py, ax, ay, bx, by = rng.uniform(-3.0, 3.0, (6, count))
    angle = rng.uniform(-math.pi, math.pi, count)
    return px, py, np.cos(angle), np.sin(angle), ax, ay, bx, by


def beam_line(px, py, ux, uy, length=FAR_M):
    """Return a long beam as shapely's line."""
    return shapely.LineString([(px, py), (px + length * ux, py + length * uy)])


@SHAPELY
def test_ref_segment_against_shapely():
    """On 5000 random scenes the range is shapely's distance to the intersection (shapely 2, GEOS)."""
    scene = scenes(5000)
    ranges = range_to_segment(*scene)
    hits = 0
    for i, (px, py, ux, uy, ax, ay, bx, by) in enumerate(zip(*scene, strict=True)):
        met = beam_line(px, py, ux, uy).intersection(shapely.LineString([(ax, ay), (bx, by)]))
        if met.is_empty:
            # GEOS and the kernel may differ on a graze of an end by rounding only.
            grazed = beam_line(px, py, ux, uy).distance(shapely.LineString([(ax, ay), (bx, by)])) < 1e-9
            assert math.isinf(ranges[i]) or grazed
        else:
            hits += 1
            assert ranges[i] == pytest.approx(met.distance(shapely.Point(px, py)), abs=1e-9)
    assert hits > 500


@SHAPELY
def test_ref_disc_against_shapely():
    """On 3000 random scenes the range to a disc is that to a finely cut circle of shapely's."""
    rng = np.random.default_rng(RNG_SEED)
    px, py, ux, uy, cx, cy, _, _ = scenes(3000)
    radius = rng.uniform(0.02, 0.8, len(px))
    ranges = range_to_disc(px, py, ux, uy, cx, cy, radius)
    hits = 0
    for i in range(len(px)):
        centre, start = shapely.Point(cx[i], cy[i]), shapely.Point(px[i], py[i])
        away = beam_line(px[i], py[i], ux[i], uy[i]).distance(centre)
        if centre.distance(start) <= radius[i]:
            assert ranges[i] == 0.0
        elif away < radius[i] - 2e-4:  # a polygon of 4 x 64 sides lies within r (1 - cos(pi/256)) < 1e-4 m
            hits += 1
            met = beam_line(px[i], py[i], ux[i], uy[i]).intersection(centre.buffer(radius[i], quad_segs=64))
            # Near a tangent the cut of the circle moves the echo by more than its depth.
            slack = 1e-4 / math.sqrt(1.0 - (away / radius[i]) ** 2) + 1e-9
            assert ranges[i] == pytest.approx(met.distance(start), abs=slack)
        elif away > radius[i]:
            assert math.isinf(ranges[i])
    assert hits > 150


coordinate = st.floats(-5.0, 5.0, allow_subnormal=False)


@settings(max_examples=300, deadline=None)
@given(st.tuples(*[coordinate] * 6), st.floats(-math.pi, math.pi))
def test_law_segment_equals_scalar_twin(points, angle):
    """Kernel and scalar twin agree, away from grazes and near-parallel beams."""
    px, py, ax, ay, bx, by = points
    ux, uy = math.cos(angle), math.sin(angle)
    length = math.hypot(bx - ax, by - ay)
    if length < 1e-3 or abs(ux * (by - ay) - uy * (bx - ax)) < 1e-6 * length:
        return
    got, want = (
        float(range_to_segment(px, py, ux, uy, ax, ay, bx, by)),
        segment_twin(px, py, ux, uy, *points[2:]),
    )
    if math.isinf(got) != math.isinf(want):
        end = min(
            shapely.LineString([(px, py), (px + FAR_M * ux, py + FAR_M * uy)]).distance(shapely.Point(x, y))
            for x, y in ((ax, ay), (bx, by))
        )
        start = shapely.Point(px, py).distance(shapely.LineString([(ax, ay), (bx, by)]))
        assert min(end, start) < 1e-8
    elif not math.isinf(got):
        assert got == pytest.approx(want, abs=1e-7)


@settings(max_examples=300, deadline=None)
@given(st.tuples(*[coordinate] * 4), st.floats(-math.pi, math.pi), st.floats(0.01, 2.0))
def test_law_disc_equals_scalar_twin(points, angle, radius):
    """Kernel and scalar twin agree, away from tangents."""
    px, py, cx, cy = points
    ux, uy = math.cos(angle), math.sin(angle)
    offset = abs((cx - px) * uy - (cy - py) * ux)
    if abs(offset - radius) < 1e-7 or abs(math.hypot(cx - px, cy - py) - radius) < 1e-7:
        return
    got, want = (
        float(range_to_disc(px, py, ux, uy, cx, cy, radius)),
        disc_twin(px, py, ux, uy, cx, cy, radius),
    )
    assert got == pytest.approx(want, abs=1e-6)


def test_law_ends_faces_and_parallel_beams():
    """End points are hit, both faces answer, beams along or away from a segment miss: no warning."""
    wall = (2.0, -1.0, 2.0, 1.0)
    assert range_to_segment(0.0, 0.0, 1.0, 0.0, *wall) == 2.0
    assert range_to_segment(5.0, 0.0, -1.0, 0.0, *wall) == 3.0
    assert range_to_segment(0.0, 1.0, 1.0, 0.0, *wall) == 2.0
    assert range_to_segment(0.0, -1.0, 1.0, 0.0, *wall) == 2.0
    assert range_to_segment(2.0, 0.0, 1.0, 0.0, *wall) == 0.0
    assert math.isinf(range_to_segment(0.0, 1.0 + 1e-9, 1.0, 0.0, *wall))
    assert math.isinf(range_to_segment(2.0, -2.0, 0.0, 1.0, *wall))
    assert math.isinf(range_to_segment(1.0, 0.0, 0.0, 1.0, *wall))
    assert math.isinf(range_to_segment(0.0, 0.0, -1.0, 0.0, *wall))
    assert math.isinf(range_to_segment(0.0, 0.0, 1.0, 0.0, 2.0, 0.0, 2.0, 0.0))


def test_law_disc_edges():
    """A tangent beam hits, a disc behind misses, a start inside or on the rim echoes at once."""
    assert range_to_disc(0.0, 0.0, 1.0, 0.0, 2.0, 0.5, 0.5) == 2.0
    assert math.isinf(range_to_disc(0.0, 0.0, -1.0, 0.0, 2.0, 0.0, 0.5))
    assert range_to_disc(2.1, 0.0, 1.0, 0.0, 2.0, 0.0, 0.5) == 0.0
    assert range_to_disc(2.5, 0.0, 1.0, 0.0, 2.0, 0.0, 0.5) == 0.0


def test_law_no_beam_slips_through_a_corner():
    """From inside a closed polygon every beam meets it, aimed at its corners too."""
    rng = np.random.default_rng(RNG_SEED)
    angles = np.sort(rng.uniform(0.0, math.tau, 40))
    x, y = 2.0 * np.cos(angles), 1.5 * np.sin(angles)
    px, py = rng.uniform(-0.2, 0.2, (2, 500, 1))
    aim = np.arctan2(y - py, x - px)
    ranges, index = nearest_edge(px, py, np.cos(aim), np.sin(aim), x, y, np.roll(x, -1), np.roll(y, -1))
    assert ranges == pytest.approx(np.hypot(x - px, y - py), abs=1e-9)
    assert index.min() >= 0


@SHAPELY
def test_ref_nearest_edge_against_shapely():
    """Among 30 segments the nearest is the one that shapely meets first (300 beams)."""
    rng = np.random.default_rng(RNG_SEED)
    ax, ay, bx, by = rng.uniform(-3.0, 3.0, (4, 30))
    px, py, ux, uy, *_ = scenes(300)
    ranges, index = nearest_edge(px, py, ux, uy, ax, ay, bx, by)
    lines = [shapely.LineString([(ax[j], ay[j]), (bx[j], by[j])]) for j in range(30)]
    for i in range(300):
        beam, start = beam_line(px[i], py[i], ux[i], uy[i]), shapely.Point(px[i], py[i])
        reached = [
            math.inf if (met := beam.intersection(line)).is_empty else met.distance(start) for line in lines
        ]
        assert ranges[i] == pytest.approx(min(reached), abs=1e-9)
        assert index[i] == (-1 if math.isinf(min(reached)) else int(np.argmin(reached)))


def test_law_lowest_index_wins_ties():
    """Of two surfaces in one place the first is met."""
    ax, ay = np.array([2.0, 2.0]), np.array([-1.0, -2.0])
    ranges, index = nearest_edge(0.0, 0.0, 1.0, 0.0, ax, ay, ax, -ay)
    assert (float(ranges), int(index)) == (2.0, 0)


def test_law_nearest_edge_takes_displaced_surfaces():
    """With end points given per trial every trial meets its own surface."""
    offset = np.array([0.0, 0.1, 0.2])
    ax = np.stack([2.0 + offset, np.full(3, 2.15)])
    ay = np.full((2, 3), -1.0)
    ranges, index = nearest_edge(np.zeros(3), 0.0, 1.0, 0.0, ax, ay, ax, -ay)
    assert ranges == pytest.approx([2.0, 2.1, 2.15])
    assert index.tolist() == [0, 0, 1]


def test_law_polygon_is_its_nearest_face():
    """A square is met at its near face from outside and at once from within, per trial."""
    x, y = np.array([1.0, 2.0, 2.0, 1.0]), np.array([-0.5, -0.5, 0.5, 0.5])
    shift = np.array([0.0, 0.3])
    ranges = range_to_polygon(0.0, 0.0, 1.0, 0.0, x[:, None] + shift, y[:, None])
    assert ranges == pytest.approx([1.0, 1.3])
    assert range_to_polygon(1.5, 0.0, 0.0, 1.0, x, y) == 0.0
    assert math.isinf(range_to_polygon(0.0, 0.0, -1.0, 0.0, x, y))


def test_law_edge_arrays_keep_order():
    """Columns come in the order of the edges; no edges give empty columns."""
    edge = Edge("s/0", "s", "structure", (1.0, 2.0), (1.0, 3.0), (-1.0, 0.0), True, 0.1, 0.4, None)
    arrays = edge_arrays([edge])
    assert [float(column[0]) for column in arrays] == [1.0, 2.0, 1.0, 3.0, -1.0, 0.0, 0.1, 0.4]
    assert edge_arrays([]).ax.shape == (0,)


@given(st.integers(0, 60), st.integers(0, 2**32 - 1), st.floats(0.0, 1.0), st.booleans())
def test_rows_are_written_where_told(size: int, seed: int, share: float, one: bool) -> None:
    """A few by their places and many by the mask come to the same as a choice by element."""
    rng = np.random.default_rng(seed)
    values, where = rng.normal(size=size), rng.random(size) < share
    by = 3.5 if one else rng.normal(size=size)
    wanted = np.where(where, by, values)
    write_where(values, where, by)
    np.testing.assert_array_equal(values, wanted)


def test_one_column_is_written_to_every_row_that_is_told() -> None:
    """What broadcasts to the rows is not taken up one after the other."""
    for many in (1, 40):
        values, where = np.zeros((40, 3)), np.zeros((40, 3), dtype=bool)
        where[:many] = True
        write_where(values, where, np.array([1.0, 2.0, 3.0]))
        np.testing.assert_array_equal(values[:many], np.tile([1.0, 2.0, 3.0], (many, 1)))
        assert not values[many:].any()
