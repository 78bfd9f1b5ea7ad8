"""A face that is seen from behind is left out only where another face of its outline is met first."""

from __future__ import annotations

import math

import numpy as np
import pytest

from driftgate.world.cone import Axis, nearest_edge_in_cone
from driftgate.world.rays import nearest_edge
from driftgate.world.solids import seen_from_behind, solids_of
from driftgate.world.values import Edge

SEED = 20261126


def faces(owner: str, corners: np.ndarray) -> list[Edge]:
    """Return the faces of an outline whose corners run counter-clockwise; free side on the left of a -> b."""
    edges = []
    for i, (here, after) in enumerate(zip(corners, np.roll(corners, -1, axis=0), strict=True)):
        (bx, by), (ax, ay) = here.tolist(), after.tolist()
        length = math.hypot(bx - ax, by - ay)
        normal = (-(by - ay) / length, (bx - ax) / length)
        edges.append(
            Edge(f"{owner}/{i}", owner, "structure", (ax, ay), (bx, by), normal, True, 0.0, 1.0, None)
        )
    return edges


def outline(rng: np.random.Generator, dented: bool) -> np.ndarray:
    """Return the corners of a random outline somewhere around the origin; dented, it is not convex."""
    count = int(rng.integers(3, 9))
    jitter = rng.uniform(-0.3, 0.3, count) if dented else np.zeros(count)
    angle = 2.0 * math.pi * (np.arange(count) + jitter) / count
    size = rng.uniform(0.1, 0.6) * (rng.uniform(0.3, 1.0, count) if dented else np.ones(count))
    middle = rng.uniform(-2.0, 2.0, 2)
    return middle + size[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])


def ends_of(edges: list[Edge]) -> np.ndarray:
    """Return end points as rows ax, ay, bx, by."""
    return np.array([(*e.a, *e.b) for e in edges]).T


def rigidly_moved(rng: np.random.Generator, edges: list[Edge], moved_m: float) -> np.ndarray:
    """Return the end points with each outline moved as a whole, no corner further than that."""
    rows = []
    for owner in dict.fromkeys(e.owner for e in edges):
        ax, ay, bx, by = ends_of([e for e in edges if e.owner == owner])
        reach = float(np.hypot(ax - ax[0], ay - ay[0]).max())
        share, around = rng.choice([0.0, rng.uniform(0.0, 1.0)]), rng.uniform(-math.pi, math.pi)
        turn = (1.0 - share) * moved_m / reach * rng.choice([-1.0, 1.0])
        c, s = math.cos(turn), math.sin(turn)
        dx, dy = share * moved_m * math.cos(around), share * moved_m * math.sin(around)
        for x, y in ((ax, ay), (bx, by)):
            rows += [
                ax[0] + dx + c * (x - ax[0]) - s * (y - ay[0]),
                ay[0] + dy + s * (x - ax[0]) + c * (y - ay[0]),
            ]
    parts = [np.concatenate(rows[i::4]) for i in range(4)]
    return np.array(parts)


@pytest.mark.parametrize("moved_m", [0.0, 0.004, 0.05])
@pytest.mark.parametrize("dented", [False, True])
@pytest.mark.parametrize("seed", range(4))
def test_law_without_the_faces_left_out_the_same_is_met(seed: int, dented: bool, moved_m: float) -> None:
    """On random scenes, every outline moved as a whole, the first face met and its range are the same."""
    rng = np.random.default_rng([SEED, seed, dented])
    edges = [e for i in range(25) for e in faces(f"box-{i}", outline(rng, dented))]
    solids, slack, left_out = solids_of(edges), 0.05, 0
    for x, y in rng.uniform(-2.5, 2.5, (30, 2)).tolist():
        nominal = np.array([x]), np.array([y])
        hidden = seen_from_behind(*nominal, slack, *ends_of(edges), moved_m, solids)[0]
        left_out += int(hidden.sum())
        around, size = rng.uniform(-math.pi, math.pi, 200), slack * np.sqrt(rng.uniform(0.0, 1.0, 200))
        px, py, ends = (
            x + size * np.cos(around),
            y + size * np.sin(around),
            rigidly_moved(rng, edges, moved_m),
        )
        # Each at a point of a face, one left out if there is one: few beams would meet what is seen edge-on.
        at = rng.choice(np.flatnonzero(hidden), 200) if hidden.any() else rng.integers(len(edges), size=200)
        along = rng.uniform(0.0, 1.0, 200)
        ax, ay, bx, by = ends[:, at]
        aim = np.arctan2(ay + along * (by - ay) - py, ax + along * (bx - ax) - px)
        beam = px, py, np.cos(aim), np.sin(aim)
        every, index = nearest_edge(*beam, *ends)
        some, among = nearest_edge(*beam, *ends[:, ~hidden])
        kept = np.append(np.flatnonzero(~hidden), -1)
        assert np.array_equal(every, some)
        assert np.array_equal(index, kept[among])
    # Of what stands still about half is seen from behind.
    share = left_out / (30 * len(edges))
    assert share > (0.35 if moved_m == 0.0 else 0.02)
    assert share < 0.6


def boxes(rng: np.random.Generator, corners: tuple[int, ...]) -> list[Edge]:
    """Return the faces of 25 convex outlines with so many corners each; of four corners, rectangles."""
    edges = []
    for i in range(25):
        count = int(rng.choice(corners))
        angle, size = 2.0 * math.pi * (np.arange(count) + 0.5) / count, rng.uniform(0.1, 0.6, 2)
        if count == 4:
            ring = size * np.column_stack([np.cos(angle), np.sin(angle)])
        else:
            ring = size[0] * np.column_stack([np.cos(angle), np.sin(angle)])
        c, s = math.cos(angle[0] + i), math.sin(angle[0] + i)
        edges += faces(f"box-{i}", rng.uniform(-2.0, 2.0, 2) + ring @ np.array([[c, s], [-s, c]]))
    return edges


def left_out_of_cones(seed: int, corners: tuple[int, ...], moved_m: float, swapped: bool = False) -> float:
    """Hold what cones meet among the faces kept against all; return the share of faces left out.

    Every cone has a corner in it. With `swapped` front is taken for behind.
    """
    rng = np.random.default_rng([SEED, seed])
    edges = boxes(rng, corners)
    solids, slack, left_out = solids_of(edges), 0.03, 0
    for x, y in rng.uniform(-2.5, 2.5, (30, 2)).tolist():
        ax, ay, bx, by = ends_of(edges)
        mapped = (bx, by, ax, ay) if swapped else (ax, ay, bx, by)
        hidden = seen_from_behind(np.array([x]), np.array([y]), slack, *mapped, moved_m, solids, True)[0]
        left_out += int(hidden.sum())
        around, size = rng.uniform(-math.pi, math.pi, 200), slack * np.sqrt(rng.uniform(0.0, 1.0, 200))
        px, py = x + size * np.cos(around), y + size * np.sin(around)
        ends = rigidly_moved(rng, edges, moved_m)
        half_rad = rng.uniform(0.01, 0.4)
        at = rng.choice(np.flatnonzero(hidden), 200) if hidden.any() else rng.integers(len(edges), size=200)
        ax, ay, bx, by = ends[:, at]
        along, off = rng.integers(0, 2, 200), rng.uniform(-half_rad, half_rad, 200)
        aim = np.arctan2(ay + along * (by - ay) - py, ax + along * (bx - ax) - px) + off
        cone = Axis(px, py, np.cos(aim), np.sin(aim), half_rad)
        every_m, index = nearest_edge_in_cone(cone, *ends)
        some_m, among = nearest_edge_in_cone(cone, *ends[:, ~hidden])
        kept = np.append(np.flatnonzero(~hidden), -1)
        assert np.array_equal(every_m, some_m)
        assert np.array_equal(index, kept[among])
    return left_out / (30 * len(edges))


@pytest.mark.parametrize("moved_m", [0.0, 0.004])
@pytest.mark.parametrize("seed", range(4))
def test_law_without_the_faces_left_out_a_cone_meets_the_same(seed: int, moved_m: float) -> None:
    """Among rectangles and outlines of more corners, looked at past their corners, the same face answers."""
    share = left_out_of_cones(seed, (4, 4, 5, 6, 8), moved_m)
    assert share > (0.35 if moved_m == 0.0 else 0.2)


def test_law_a_face_that_a_cone_sees_from_the_front_is_missed() -> None:
    """Were front taken for behind, something else would be met; triangles are never left out."""
    with pytest.raises(AssertionError):
        left_out_of_cones(1, (4,), 0.0, swapped=True)
    assert left_out_of_cones(1, (3,), 0.0) == 0.0


def test_law_blunt_by_hand() -> None:
    """A right angle counts, also one that is rounded; an acute one spoils the two faces that make it."""
    turned = math.radians(33.3)
    c, s = math.cos(turned), math.sin(turned)
    square = np.array([(0.0, 0.0), (0.7, 0.0), (0.7, 0.3), (0.0, 0.3)]) @ np.array([[c, s], [-s, c]])
    house = np.array([(0.0, 0.0), (2.0, 0.0), (1.0, 0.9), (0.0, 1.0)])  # the corner at (2, 0) is acute
    dented = np.array([(0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (1.0, 0.5), (0.0, 2.0)])
    edges = [*faces("square", square), *faces("house", house), *faces("dented", dented)]
    # The house's corner at (0, 1) has 84 deg.
    assert solids_of(edges).blunt.tolist() == [True] * 4 + [False] * 4 + [False] * 5
    house[3] = 0.0, 0.8
    assert solids_of(faces("house", house)).blunt.tolist() == [False, False, True, True]


def test_law_a_cone_that_starts_in_line_with_a_face_keeps_it() -> None:
    """A foot that is nearer than the corner by no more than rounding proves nothing."""
    square = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)])
    edges = faces("box", square)  # south, east, north, west
    solids, ends = solids_of(edges), ends_of(edges)
    x, y = np.array([-1.0, -1.0]), np.array([0.9e-4, 1.1e-4])
    hidden = seen_from_behind(x, y, 0.0, *ends, 0.0, solids, True)
    assert hidden.tolist() == [[False, True, True, False], [True, True, True, False]]
    assert seen_from_behind(x, y, 0.0, *ends, 0.0, solids)[0].tolist() == [True, True, True, False]


def test_law_by_hand() -> None:
    """Of a square its far faces are hidden; near a face's line that face is unsure, and inside all are."""
    square = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)])
    edges = faces("box", square)  # south, east, north, west
    solids, ends = solids_of(edges), ends_of(edges)
    x, y = np.array([-1.0, -1.0, -1.0, 0.5, -0.02]), np.array([0.5, -0.02, -0.5, 0.5, 0.5])
    hidden = seen_from_behind(x, y, 0.05, *ends, 0.0, solids)
    east, north, south = [False, True, False, False], [False, False, True, False], [True, False, False, False]
    both = np.logical_or(east, north).tolist()
    middle = np.logical_or(both, south).tolist()
    assert hidden.tolist() == [middle, both, both, [False] * 4, [False] * 4]


def test_law_what_is_open_hides_nothing() -> None:
    """A wall alone, and a face that is missing one beside it, are always kept."""
    square = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)])
    open_box = faces("box", square)[:3]
    solids = solids_of(open_box)
    assert not solids.supports.any()
    assert not seen_from_behind(np.array([-1.0]), np.array([0.5]), 0.0, *ends_of(open_box), 0.0, solids).any()
    assert len(solids_of([]).first) == 0
