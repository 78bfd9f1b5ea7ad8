"""The bounds that culling trades on: wide enough for what they bound; the tightest that holds is taken."""

from __future__ import annotations

import math

import numpy as np
import pytest

from driftgate.predict.bounds import (
    ANGLE_SLACK_RAD,
    POSITION_SLACK_M,
    SHARES,
    Bounded,
    angle_slack,
    edge_slacks,
    element_slack,
    mount_slack,
    position_slack,
    true_angle_slack,
    true_position_slack,
)
from driftgate.schema.fieldmap import Element
from driftgate.schema.sensor import Sensor
from driftgate.world.build import build_world

from .scenes import GUESS, field_map, range_sensor, run


def sensor(**more: object) -> Sensor:
    """Return a sensor 0.3 m ahead and 0.4 m to the left of the origin."""
    return Sensor.model_validate(range_sensor("a", 0.3, 0.4, 0.0, **more))


def test_law_slack_by_hand() -> None:
    """The origin's, and what a turn makes at a lever of 0.5 m; in truth 20 mm where the mount is off."""
    whole = POSITION_SLACK_M + 0.5 * ANGLE_SLACK_RAD
    assert position_slack(sensor(), 1.0) == pytest.approx(whole, rel=1e-12)
    assert position_slack(sensor(), 0.4) == pytest.approx(0.4 * whole, rel=1e-12)
    assert true_position_slack(sensor(), 0.4) == pytest.approx(0.4 * whole, rel=1e-12)
    off = sensor(errors={"mount_position": run(spread="3 mm")})
    assert true_position_slack(off, 0.4) == pytest.approx(0.4 * whole + 0.02, rel=1e-12)
    cone, turn = sensor(beam_width="20 deg"), 0.5 * ANGLE_SLACK_RAD + math.radians(10.0)
    assert angle_slack(cone, 0.5) == pytest.approx(turn, rel=1e-12)
    assert true_angle_slack(cone, 0.5) == pytest.approx(turn, rel=1e-12)


def test_law_a_mount_counts_by_four_and_a_half_spreads() -> None:
    """Its mean's size on top, whichever side it turns to; nothing where it is exact."""
    assert mount_slack(sensor()) == 0.0
    for mean in (-1.0, 1.0):
        turned = sensor(errors={"mount_angle": run(mean=f"{mean!r} deg", spread="0.4 deg")})
        assert mount_slack(turned) == pytest.approx(math.radians(1.0 + 4.5 * 0.4), rel=1e-12)
        assert true_angle_slack(turned, 1.0) == pytest.approx(
            ANGLE_SLACK_RAD + mount_slack(turned), rel=1e-12
        )
        assert angle_slack(turned, 1.0) == pytest.approx(ANGLE_SLACK_RAD, rel=1e-12)


def test_law_an_element_counts_by_three_of_its_larger_spread() -> None:
    """60 mm for the surface, and three spreads of the coordinate that scatters more."""
    for x, y in ((5, 3), (3, 5)):
        scatter = {"x": f"{x} mm", "y": f"{y} mm", "heading": "1 deg", "constant_over": "run", **GUESS}
        element = Element.model_validate(
            {
                "id": "pot",
                "shape": {"circle": {"radius": "50 mm"}},
                "at": {"x": "1 m", "y": "1 m"},
                "scatter": scatter,
            }
        )
        assert element_slack(element) == pytest.approx(0.075, rel=1e-12)


def test_law_only_what_is_built_exactly_and_on_no_wall_stands_where_it_is_drawn() -> None:
    """Walls and whatever hangs on them or is built inexactly may be off by 60 mm."""
    box = {"shape": {"rectangle": {"length": "300 mm", "width": "200 mm"}}}
    build = {"x": "1 mm", "y": "1 mm", "heading": "0 deg", "constant_over": "field", **GUESS}
    structures = [
        {"id": name, **box, "at": {"x": x, "y": "0 m"}, **more}
        for name, x, more in (
            ("stands", "0 m", {}),
            ("hangs", "-1 m", {"fixed_to": "west"}),
            ("roughly", "1 m", {"build": build}),
            ("on-it", "1.5 m", {"fixed_to": "stands"}),
        )
    ]
    field = field_map(x=(-2.0, 2.0), y=(-1.0, 1.0), structures=structures)
    edges = build_world(field).edges
    slack = dict(zip((e.owner for e in edges), edge_slacks(edges, field).tolist(), strict=True))
    exact = {"stands": 0.0, "on-it": 0.0}
    assert slack == {owner: exact.get(owner, 0.06) for owner in slack}
    assert len(slack) == 8


# How far each bound reaches.
REACH_M = [share * POSITION_SLACK_M for share in SHARES]
TURN_RAD = [share * ANGLE_SLACK_RAD for share in SHARES]
INSIDE, OUTSIDE = 0.999, 1.001


def level(x: float, y: float, turn: float) -> int:
    """Return the bound of two trials, one of which is as planned."""
    found = Bounded(np.array([0.0, x]), np.array([0.0, y]), np.array([0.0, turn]))
    assert found.far.tolist() == []
    return found.level


def test_law_the_tightest_bound_that_holds() -> None:
    """By the distance as the crow flies and by the turn, whichever is further, to either side."""
    last = len(SHARES) - 1
    for bound, (reach_m, turn_rad) in enumerate(zip(REACH_M, TURN_RAD, strict=True)):
        for sign in (1.0, -1.0):
            near, wide = sign * INSIDE * reach_m, sign * INSIDE * turn_rad
            places = [(near, 0.0, 0.0), (0.0, near, 0.0), (0.6 * near, 0.8 * near, 0.0), (0.0, 0.0, wide)]
            assert [level(*place) for place in places] == [bound] * 4
            assert level(near, 0.0, wide) == bound
            if bound < last:
                scale = OUTSIDE / INSIDE
                assert [level(*(scale * v for v in place)) for place in places] == [bound + 1] * 4
    assert level(0.0, 0.0, 0.0) == 0


@pytest.mark.parametrize(
    "far",
    [
        (OUTSIDE, 0.0, 0.0),
        (0.0, -OUTSIDE, 0.0),
        (0.8, 0.8, 0.0),
        (0.0, 0.0, OUTSIDE),
        (0.0, 0.0, -OUTSIDE),
    ],
)
def test_law_trials_outside_the_widest_do_not_count(far: tuple[float, float, float]) -> None:
    """They are named, and the bound is that of the others: here of the second, by place or by turn."""
    there = (far[0] * POSITION_SLACK_M, far[1] * POSITION_SLACK_M, far[2] * ANGLE_SLACK_RAD)
    for other in ((INSIDE * REACH_M[1], 0.0, 0.0), (0.0, 0.0, -INSIDE * TURN_RAD[1])):
        found = Bounded(*np.array([(0.0, 0.0, 0.0), there, other, there]).T)
        assert (found.level, found.far.tolist()) == (1, [1, 3])


def test_law_a_few_trials_may_be_left_out() -> None:
    """One of 48 or two of them are few, three are not: FEW is one in 24."""
    poses = np.zeros((48, 3))
    poses[5, 0] = INSIDE * REACH_M[3]
    one = Bounded(*poses.T)
    assert one.level == 3
    assert (one.most()[0], one.most()[1].tolist()) == (0, [5])
    poses[7, 2] = -INSIDE * TURN_RAD[4]
    two = Bounded(*poses.T)
    assert (two.level, two.most()[0], two.most()[1].tolist()) == (4, 0, [5, 7])
    poses[9, 1] = INSIDE * REACH_M[2]
    three = Bounded(*poses.T)
    assert (three.level, three.most()[0], three.most()[1].tolist()) == (4, 2, [5, 7])
    poses[3, 0] = OUTSIDE * POSITION_SLACK_M
    far = Bounded(*poses.T)
    assert (far.level, far.far.tolist()) == (4, [3])
    assert (far.most()[0], far.most()[1].tolist()) == (3, [3, 7])
