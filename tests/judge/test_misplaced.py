"""Surfaces off their places on the map, held against an error, by hand."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from driftgate.judge.misplaced import misplaced

X, Y, TURN = np.eye(3)


def edge(name: str, ax: float, ay: float, bx: float, by: float) -> SimpleNamespace:
    """Return a wall; its normal is left of its direction."""
    length = math.hypot(bx - ax, by - ay)
    normal = (-(by - ay) / length, (bx - ax) / length)
    return SimpleNamespace(id=name, owner=name, a=(ax, ay), b=(bx, by), normal=normal)


def world(east: float = 4.0, lean: float = 0.0) -> SimpleNamespace:
    """Return a hall whose east wall stands there, with its far end further east by so much."""
    walls = (edge("south", 0.0, 0.0, east, 0.0), edge("east", east, 0.0, east + lean, 3.0))
    return SimpleNamespace(edges=walls)


@pytest.mark.parametrize(
    ("error", "surfaces", "axis", "name"),
    [
        (-0.05, [1, 1, -1], X, "east"),
        (-0.099, [1], X, "east"),  # twice as much
        (-0.0251, [1], X, "east"),  # half as much
        (-0.101, [1], X, ""),
        (-0.0249, [1], X, ""),
        (0.05, [1], X, ""),  # the other way
        (-0.05, [0, -1], X, ""),  # by a wall that stands where it should
        (-0.05, [], X, ""),
        (-0.05, [0, 1], Y, ""),
        (-0.05, [1], (X + Y) / math.sqrt(2.0), "east"),
        (0.0, [1], X, ""),
    ],
)
def test_law_a_wall_that_is_nearer_makes_the_robot_lie_behind(
    error: float, surfaces: list[int], axis: np.ndarray, name: str
) -> None:
    """A wall 50 mm nearer is read 50 mm short: the robot believes to be ahead of where it is."""
    assert misplaced(world(), world(3.95), surfaces, axis, error) == name


def test_law_a_turned_wall_turns_the_belief() -> None:
    """A wall that leans to the right by 0.02 rad makes the true heading so much less than the believed."""
    leaning = world(4.0 - 0.03, 0.06)
    assert misplaced(world(), leaning, [1], TURN, -0.02) == "east"
    assert misplaced(world(), leaning, [1], TURN, 0.02) == ""
    assert misplaced(world(), leaning, [1], X, -0.02) == ""


def test_law_a_surface_that_the_field_lacks_is_passed_over() -> None:
    """Where no edge has the name nothing is known of its place."""
    assert misplaced(world(), SimpleNamespace(edges=()), [0, 1], X, 0.1) == ""
