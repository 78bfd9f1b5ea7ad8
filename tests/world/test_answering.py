"""What answers beside a mute surface, against a reference written out beam by beam and by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from driftgate.core.pose import FloatArray
from driftgate.world.answering import Disc, Outline, Side, answer_beside, answering_edge
from driftgate.world.cone import Axis, nearest_edge_in_cone

ON_PAPER = pytest.mark.evidence(
    source="worked on paper", compares="what answers in a cone", tolerance="1 nm to 1 µm"
)

SEED = 20_260
LIMIT_RAD = math.radians(35.0)
LEAST = math.cos(LIMIT_RAD)


def ahead(half_deg: float, count: int = 1) -> Axis:
    """Return cones at the origin that look along +x."""
    zero, one = np.zeros(count), np.ones(count)
    return Axis(zero, zero, one, zero, math.radians(half_deg))


def edges(*rows: tuple[float, float, float, float]) -> tuple[FloatArray, ...]:
    """Return segments as arrays, turned so that they face the origin."""
    turned = [(a, b, c, d) if b * (c - a) - a * (d - b) < 0.0 else (c, d, a, b) for a, b, c, d in rows]
    return tuple(np.array(turned, dtype=float).T)


# A wall to the right, 0.15 m beside the axis, and one ahead at 2 m.
ALONG, WALL = (-1.0, -0.15, 2.0, -0.15), (2.0, -0.15, 2.0, 3.0)


@ON_PAPER
@pytest.mark.parametrize(
    ("extra", "half_deg", "range_m", "index"),
    [
        ((), 12.5, 2.0, 1),
        # A board before the wall, met squarely.
        (((1.2, -0.1, 1.2, 0.3),), 12.5, 1.2, 2),
        # A board along the beams, mute as well, hides nothing on the axis and half of the cone.
        (((0.5, 0.02, 1.5, 0.1),), 12.5, 2.0, 1),
        # A mute board across the axis hides the foot of the wall ahead.
        (((0.5, -0.02, 1.5, 0.1),), 12.5, math.hypot(0.5, 0.02), 2),
    ],
    ids=["wall ahead", "board before it", "mute board beside the axis", "mute board across the axis"],
)
def test_ref_beside_a_mute_wall(
    extra: tuple[tuple[float, float, float, float], ...], half_deg: float, range_m: float, index: int
) -> None:
    """Driving along a wall a cone of 25 deg meets it at 77.5 deg; what answers is worked out on paper."""
    scene = edges(ALONG, WALL, *extra)
    near_m, near = nearest_edge_in_cone(ahead(half_deg), *scene)
    found_m, found = answering_edge(ahead(half_deg), *scene, LIMIT_RAD, 5.0)
    assert near_m[0] < found_m[0] or near[0] == found[0]
    assert found_m[0] == pytest.approx(range_m, abs=1e-12)
    assert found[0] == index


@ON_PAPER
def test_ref_out_of_reach_nothing_answers_beside() -> None:
    """A wall ahead that is out of reach leaves the mute one to be the answer."""
    found_m, found = answering_edge(ahead(12.5), *edges(ALONG, WALL), LIMIT_RAD, 1.9)
    assert found[0] == 0
    assert found_m[0] == pytest.approx(0.15 / math.sin(math.radians(12.5)))


@ON_PAPER
def test_ref_the_far_face_of_a_box_is_not_seen_from_its_corner() -> None:
    """Of a mute board, turned 14 deg, one side is in sight, and the wall ahead is hidden."""
    c, s = math.cos(math.radians(14.0)), math.sin(math.radians(14.0))
    corners = [
        (1.2 + u * c - v * s, u * s + v * c)
        for u, v in ((-0.8, -0.01), (0.6, -0.01), (0.6, 0.01), (-0.8, 0.01))
    ]
    # Counter-clockwise, so that the free side of each side, outside, is to its right: turned round.
    sides = [(*b, *a) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
    wall = (2.0, -1.0, 2.0, 0.05)
    scene = tuple(np.array([*sides, wall], dtype=float).T)
    _, found = answering_edge(ahead(12.0), *scene, math.radians(50.0), 5.0)
    assert found[0] == 2


@pytest.mark.parametrize("half_deg", [0.0, 1e-6, 0.01])
def test_law_a_narrow_cone_is_blocked_as_a_line_is(half_deg: float) -> None:
    """A grazed wall across all of a narrow cone hides what is behind it, however narrow the cone."""
    across, behind = (0.9, -0.05, 1.6, 0.1), (3.0, -1.0, 3.0, 1.0)
    found_m, found = answering_edge(ahead(half_deg), *edges(across, behind), LIMIT_RAD, 5.0)
    assert found[0] == 0
    assert found_m[0] == pytest.approx(0.9 + 0.7 / 3.0, abs=1e-3)


@ON_PAPER
def test_ref_pots_and_boxes_beside_a_mute_wall() -> None:
    """A disc off the axis answers from its near side; behind a mute board it does not."""
    cone = ahead(20.0)
    along = Side(*(float(v[0]) for v in edges(ALONG)))
    disc = Disc(np.array([1.0]), np.array([0.2]), 0.05)
    found_m, index, cosine = answer_beside(cone, [along, disc], LEAST, 5.0)
    assert (found_m[0], index[0], cosine[0]) == (pytest.approx(math.hypot(1.0, 0.2) - 0.05), 1, 1.0)
    # Its centre outside the cone: the rim of the cone meets it.
    outside = Disc(np.array([1.0]), np.array([0.4]), 0.1)
    found_m, index, _ = answer_beside(cone, [along, outside], LEAST, 5.0)
    c, s = math.cos(cone.half_rad), math.sin(cone.half_rad)
    off = -1.0 * s + 0.4 * c
    assert found_m[0] == pytest.approx(1.0 * c + 0.4 * s - math.sqrt(0.01 - off**2))
    box = Outline(np.array([[1.0], [1.2], [1.2], [1.0]]), np.array([[-0.05], [-0.05], [0.1], [0.1]]))
    found_m, index, _ = answer_beside(cone, [along, box, disc], LEAST, 5.0)
    assert (found_m[0], index[0]) == (pytest.approx(math.hypot(1.0, 0.2) - 0.05), 2)
    hidden = Disc(np.array([1.6]), np.array([0.02]), 0.05)
    found_m, index, _ = answer_beside(cone, [along, hidden, Side(0.5, -0.1, 1.0, 0.2)], LEAST, 5.0)
    assert (found_m[0], index[0]) == (math.inf, -1)
    found_m, index, _ = answer_beside(cone, [along, hidden], LEAST, 5.0)
    assert (found_m[0], index[0]) == (pytest.approx(math.hypot(1.6, 0.02) - 0.05), 1)


def beams(
    scene: tuple[FloatArray, ...], half_rad: float, count: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return for a fan of beams from the origin: first hit, which segment, and cosine; written out anew."""
    angle = half_rad * np.linspace(-1.0, 1.0, count)
    ux, uy = np.cos(angle), np.sin(angle)
    first, which, square = np.full(count, np.inf), np.full(count, -1), np.zeros(count)
    for i, (ax, ay, bx, by) in enumerate(zip(*scene, strict=True)):
        # Solve a + s e = r u by Cramer's rule.
        ex, ey = bx - ax, by - ay
        det = ux * ey - uy * ex
        r, s = (ax * ey - ay * ex) / det, (ax * uy - ay * ux) / det
        hit = (r > 0.0) & (s >= 0.0) & (s <= 1.0) & (r < first)
        first, which = np.where(hit, r, first), np.where(hit, i, which)
        square = np.where(hit, np.abs(det) / math.hypot(ex, ey), square)
    return first, which, square


def test_law_the_answer_is_that_of_a_beam_that_is_not_mute() -> None:
    """In random scenes no beam with an echo is nearer than the answer, and the answer is one of theirs."""
    rng = np.random.default_rng(SEED)
    half, beside, hidden = math.radians(15.0), 0, 0
    for _ in range(400):
        centre = rng.uniform((0.5, -0.8), (3.0, 0.8), (7, 2))
        turn, length = rng.uniform(0.0, math.pi, 7), rng.uniform(0.2, 1.2, 7)
        reach = 0.5 * length[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
        scene = edges(*np.column_stack([centre - reach, centre + reach]).tolist())
        if np.min(np.abs(scene[0])) < 0.05 or min(scene[0].min(), scene[2].min()) < 0.05:
            continue
        _, near = nearest_edge_in_cone(ahead(15.0), *scene)
        found_m, found = answering_edge(ahead(15.0), *scene, LIMIT_RAD, 10.0)
        first, which, square = beams(scene, half, 6001)
        echoes = np.where(square >= LEAST, first, np.inf)
        # What lies between two beams moves an oblique hit by range x step / cosine.
        slack = 3.0 * half / 3000.0 / LEAST * 4.0
        if found[0] < 0 or found[0] == near[0]:
            hidden += int(
                np.isfinite(echoes.min()) and (found[0] < 0 or square[which == near[0]].max() < LEAST)
            )
            continue
        beside += 1
        mine = which == found[0]
        assert found_m[0] >= echoes.min() - slack
        assert mine.any()
        assert echoes[mine].min() == pytest.approx(found_m[0], abs=slack)
    assert beside > 60
    # Where only the nearest point is hidden an echo is lost, and that is seldom.
    assert hidden < 0.5 * beside
