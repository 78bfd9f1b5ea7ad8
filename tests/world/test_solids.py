"""A face that is seen from behind is left out only where another face of its outline is met first."""

from __future__ import annotations

import math

import numpy as np
import pytest

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
