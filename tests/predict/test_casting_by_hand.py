"""What a true beam meets where things are not where the map has them, or do not answer: on paper."""

from __future__ import annotations

import math

import numpy as np
import pytest

from driftgate.predict.recorder import Recorder
from driftgate.predict.trials_engine import run_recorded

from .scenes import GUESS, field_map, single_reading
from .test_cones import echoes_of, pause

TRIALS, RADIUS_M = 20, 0.06
FIXED = {"constant_over": "run", **GUESS}


@pytest.mark.parametrize(("here", "there"), [((1.0, 0.0), (-1.0, 0.0)), ((0.0, 1.0), (0.0, -1.0))])
def test_law_a_stray_on_the_other_side_of_the_origin_is_met(
    monkeypatch: pytest.MonkeyPatch, here: tuple[float, float], there: tuple[float, float]
) -> None:
    """A pot drawn a metre to one side lies within millimetres of its mirror image, and answers there.

    With its centre a along the beam and b beside it, the beam is a - sqrt(r² - b²) long.
    """
    x, y = there
    corners = [(x - 0.004, y - 0.002), (x + 0.004, y - 0.002), (x, y + 0.004)]
    pot = {
        "id": "pot",
        "shape": {"circle": {"radius": f"{RADIUS_M!r} m"}},
        "at": {"x": f"{here[0]!r} m", "y": f"{here[1]!r} m"},
        "scatter": {"x": "5 mm", "y": "5 mm", "heading": "0 deg", **FIXED},
        "stray": {"probability": "100 %", "region": [[f"{a!r} m", f"{b!r} m"] for a, b in corners], **FIXED},
    }
    sensor = single_reading("at-it", math.degrees(math.atan2(y, x)), 0.5)
    case = pause(sensor, believed=field_map(x=(-2.0, 2.0), y=(-2.0, 2.0), elements=[pot]))
    record = Recorder(case, TRIALS)
    run_recorded(case, np.arange(TRIALS), 3, record)
    ((_, strayed, px, py),) = record.strayed
    assert strayed.all()
    away, beside = x * px + y * py, x * py - y * px
    (echo,) = echoes_of(monkeypatch, case, TRIALS)
    assert echo.reading_m == pytest.approx(away - np.sqrt(RADIUS_M**2 - beside**2), abs=1e-12)


@pytest.mark.parametrize("width_m", [0.2, 0.1])
def test_law_beside_a_mute_wall_a_box_answers_by_its_corner(
    monkeypatch: pytest.MonkeyPatch, width_m: float
) -> None:
    """Along a wall that is met too obliquely to answer, the nearest corner of a box does.

    The sensor is half a metre off the north wall and sees 20 degrees from straight ahead to the left: the
    wall is nearest, 0.5 m / sin(20 deg) off, at an incidence of 70 degrees, and the echo is lost from 60. The
    box begins 1.65 m ahead and 50 mm to the left; behind it is the east wall, 2 m ahead.
    """
    box = {
        "id": "box",
        "shape": {"rectangle": {"length": "0.2 m", "width": f"{width_m!r} m"}},
        "at": {"x": "1.75 m", "y": f"{1.55 + 0.5 * width_m!r} m"},
        "scatter": {"x": "0 mm", "y": "0 mm", "heading": "0 deg", **FIXED},
    }
    sensor = single_reading("along", 10.0, 0.5, beam_width="20 deg", echo_limit="60 deg")
    for elements, range_m in (([box], math.hypot(1.65, 0.05)), ([], 2.0)):
        field = field_map(x=(-2.0, 2.0), y=(-2.0, 2.0), elements=elements)
        with monkeypatch.context() as patch:
            (echo,) = echoes_of(patch, pause(sensor, believed=field, start=(0.0, 1.5, 0.0)), 2)
        assert echo.reading_m == pytest.approx(range_m, abs=1e-12)
