"""What trials expect whose beliefs are far from those of the rest, each held to a ray in a rectangle."""

from __future__ import annotations

import math

import numpy as np
import pytest

from driftgate.predict.trial_expect import Looks
from driftgate.predict.values import Outcome

from .scenes import GUESS, field_map, prepared, range_sensor, robot

LOW_X, HIGH_X, LOW_Y, HIGH_Y = -6.0, 2.0, -5.0, 5.0
SOUTH, EAST, NORTH, WEST = range(4)
# Enough that the few that are elsewhere are looked at apart.
COUNT = 96
REACH_M, STEEPEST_DEG = 4.0, 30.0
# What the map has beside the way to the north wall.
POT_M, RADIUS_M, CORRIDOR_M = (0.3, 4.0), 0.06, 0.1


def on_paper(x: float, y: float, heading: float) -> tuple[int, float, Outcome]:
    """Return the wall that a beam along the heading meets, how far off it is, and whether it may be used."""
    c, s = math.cos(heading), math.sin(heading)
    ways = [
        (((LOW_Y - y) / s if s < 0.0 else math.inf), SOUTH, abs(s)),
        (((HIGH_X - x) / c if c > 0.0 else math.inf), EAST, abs(c)),
        (((HIGH_Y - y) / s if s > 0.0 else math.inf), NORTH, abs(s)),
        (((LOW_X - x) / c if c < 0.0 else math.inf), WEST, abs(c)),
    ]
    range_m, wall, square = min(ways)
    if range_m > REACH_M:
        return wall, range_m, Outcome.OUT_OF_RANGE
    if square < math.cos(math.radians(STEEPEST_DEG)):
        return wall, range_m, Outcome.INCIDENCE
    # From the pot's place to the beam between sensor and wall.
    dx, dy = POT_M[0] - x, POT_M[1] - y
    along = min(max(c * dx + s * dy, 0.0), range_m)
    if math.hypot(dx - along * c, dy - along * s) <= RADIUS_M + CORRIDOR_M:
        return wall, range_m, Outcome.CORRIDOR
    return wall, range_m, Outcome.ACCEPTED


@pytest.mark.parametrize(
    "far",
    [
        [],
        # Turned to other walls: one, and two that both meet the same one.
        [(0.0, 0.0, 1.6)],
        [(0.0, 2.0, 1.5), (0.3, 1.9, 1.7)],
        # One beyond every bound that meets what the others meet, one inside a wider bound that does not.
        [(-3.0, 1.0, 0.1), (0.0, 1.0, 1.2)],
        [(0.0, 0.0, 0.3), (0.1, 0.2, 0.6)],
        [(0.5, 4.0, 0.4), (-3.0, 0.0, -2.9)],
        # Past the pot, and into it.
        [(0.1, 2.0, 1.57), (0.2, 2.0, 1.57)],
    ],
)
def test_law_a_few_far_beliefs_are_looked_at_one_by_one(far: list[tuple[float, float, float]]) -> None:
    """Surface, range and validity of every trial are those of its own beam; the rest is near the plan."""
    pot = {
        "id": "pot",
        "shape": {"circle": {"radius": f"{RADIUS_M!r} m"}},
        "at": {"x": f"{POT_M[0]!r} m", "y": f"{POT_M[1]!r} m"},
        "scatter": {"x": "0 mm", "y": "0 mm", "heading": "0 deg", "constant_over": "run", **GUESS},
    }
    case = prepared(
        [{"do": "look", "time": "0.1 s"}],
        robot(
            sensors=[range_sensor("a", 0.0, 0.0, 0.0, reach={"low": "0 m", "high": f"{REACH_M!r} m"})],
            correction={"validity": {"incidence": f"{STEEPEST_DEG!r} deg", "corridor": f"{CORRIDOR_M!r} m"}},
        ),
        believed=field_map(x=(LOW_X, HIGH_X), y=(LOW_Y, HIGH_Y), elements=[pot]),
    )
    looks = Looks(case, case.plan.timeline.readings.knot)
    poses = np.random.default_rng(2).uniform(-1.0, 1.0, (COUNT, 3)) * (0.01, 0.01, 0.01)
    for row, pose in zip((17, 40), far, strict=False):
        poses[row] = pose
    then = (poses[:, 0].copy(), poses[:, 1].copy(), poses[:, 2].copy())
    expected = looks.expect(0, 0, then)
    outcome = looks.validity(0, 0, expected)
    outcomes = [int(outcome)] * COUNT if isinstance(outcome, Outcome) else outcome.tolist()
    wanted = [on_paper(*pose) for pose in poses.tolist()]
    assert expected.surface.tolist() == [wall for wall, _, _ in wanted]
    assert expected.model.range_m == pytest.approx([range_m for _, range_m, _ in wanted], abs=1e-9)
    assert outcomes == [int(found) for _, _, found in wanted]
    # And each asked for alone.
    for row in (0, 17, 40):
        alone = looks.expect(0, 0, tuple(v[row : row + 1].copy() for v in then))  # type: ignore[arg-type]
        assert alone.surface.tolist() == [wanted[row][0]]
        assert np.broadcast_to(looks.validity(0, 0, alone), 1).tolist() == [int(wanted[row][2])]
