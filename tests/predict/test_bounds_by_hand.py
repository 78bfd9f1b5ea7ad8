"""The bounds that culling trades on: wide enough for what they bound; the tightest that holds is taken."""

from __future__ import annotations

import math

import numpy as np
import pytest

from driftgate.predict.bounds import (
    angle_slack,
    bound_of,
    element_slack,
    mount_slack,
    position_slack,
    true_angle_slack,
    true_position_slack,
)
from driftgate.schema.fieldmap import Element
from driftgate.schema.sensor import Sensor

from .scenes import GUESS, range_sensor, run


def sensor(**more: object) -> Sensor:
    """Return a sensor 0.3 m ahead and 0.4 m to the left of the origin."""
    return Sensor.model_validate(range_sensor("a", 0.3, 0.4, 0.0, **more))


def test_law_slack_by_hand() -> None:
    """The origin's 150 mm, and a turn of 0.12 rad at a lever of 0.5 m: 60 mm; the mount's 20 mm in truth."""
    assert position_slack(sensor(), 1.0) == pytest.approx(0.21, rel=1e-12)
    assert position_slack(sensor(), 0.4) == pytest.approx(0.084, rel=1e-12)
    assert true_position_slack(sensor(), 0.4) == pytest.approx(0.104, rel=1e-12)
    cone = sensor(beam_width="20 deg")
    assert angle_slack(cone, 0.5) == pytest.approx(0.06 + math.radians(10.0), rel=1e-12)
    assert true_angle_slack(cone, 0.5) == pytest.approx(0.06 + math.radians(10.0), rel=1e-12)


def test_law_a_mount_counts_by_four_and_a_half_spreads() -> None:
    """Its mean's size on top, whichever side it turns to; nothing where it is exact."""
    assert mount_slack(sensor()) == 0.0
    for mean in (-1.0, 1.0):
        turned = sensor(errors={"mount_angle": run(mean=f"{mean!r} deg", spread="0.4 deg")})
        assert mount_slack(turned) == pytest.approx(math.radians(1.0 + 4.5 * 0.4), rel=1e-12)
        assert true_angle_slack(turned, 1.0) == pytest.approx(0.12 + mount_slack(turned), rel=1e-12)
        assert angle_slack(turned, 1.0) == pytest.approx(0.12, rel=1e-12)


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


@pytest.mark.parametrize(
    ("x", "y", "turn", "bound"),
    [
        # 18, 37.5, 60, 94.5 and 150 mm; 14.4, 30, 48, 75.6 and 120 mrad.
        (0.0, 0.0, 0.0, 0),
        (0.0179, 0.0, 0.0, 0),
        (0.0181, 0.0, 0.0, 1),
        (0.0, -0.0181, 0.0, 1),
        (0.0144, 0.0144, 0.0, 1),  # 20 mm as the crow flies
        (0.0, 0.0, 0.0143, 0),
        (0.0, 0.0, -0.0145, 1),
        (0.0, 0.0, 0.0301, 2),
        (0.0599, 0.0, 0.0, 2),
        (0.06, 0.03, 0.0, 3),
        (0.0, 0.0945001, 0.0, 4),
        (0.0, 0.0, -0.0757, 4),
        (0.0, 0.1499, 0.1199, 4),
    ],
)
def test_law_the_tightest_bound_that_holds(x: float, y: float, turn: float, bound: int) -> None:
    """By the distance and by the turn, among trials that are nowhere."""
    found, outside = bound_of(np.array([0.0, x]), np.array([0.0, y]), np.array([0.0, turn]))
    assert (found, outside.tolist()) == (bound, [])


@pytest.mark.parametrize(
    "far",
    [(0.1501, 0.0, 0.0), (0.0, -0.1501, 0.0), (0.12, 0.12, 0.0), (0.0, 0.0, 0.1201), (0.0, 0.0, -0.1201)],
)
def test_law_trials_outside_do_not_count(far: tuple[float, float, float]) -> None:
    """Those beyond the widest bound are named, and the bound is that of the others."""
    x, y, turn = np.array([(0.0, 0.0, 0.0), far, (0.03, 0.0, 0.0), far]).T
    found, outside = bound_of(x, y, turn)
    assert (found, outside.tolist()) == (1, [1, 3])
    turned, outside = bound_of(np.array([0.0, far[0]]), np.array([0.0, far[1]]), np.array([0.05, far[2]]))
    assert (turned, outside.tolist()) == (3, [1])
