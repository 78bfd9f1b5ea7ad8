"""The covariance engine where its agreement with trials says little: knot by knot, and signs of means."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from driftgate.predict import Prepared, covariance, prepare
from driftgate.schema.case import Case
from driftgate.schema.routine import PoseOff

from .outcomes import ENGINES, known
from .scenes import GUESS, field_map, prepared, robot, routine, run, single_reading, tick

HALL = field_map(x=(-2.0, 2.0), y=(-2.0, 2.0))
REPLACE = {"when": "always", "update": {"law": "replace"}}
DEGREE = math.radians(1.0)


def test_law_the_spread_at_every_knot() -> None:
    """Along a straight the start's variance and the walk's add: (20 mm)² + (10 mm)² for every metre gone.

    The heading turns by the bias times the time, which a step's own clock stretches by 5 %: within a step
    as at its end, where the moment says the same.
    """
    errors = {
        "distance_walk": tick(per_root_metre="10 mm/sqrt(m)"),
        "heading_bias": run(mean="2 deg/s", spread="0 deg/s"),
        "step_timing": {"mean": "0 %", "spread": "5 %", "constant_over": "step", **GUESS},
    }
    case = prepared([{"do": "advance", "distance": "1 m"}], robot(errors), spread=("20 mm", "0 mm", "0 deg"))
    found, timeline = covariance(case), case.plan.timeline
    turned_sd = 0.05 * 2.0 * DEGREE * timeline.time_s
    assert np.sqrt(found.knot_cov[:, 2, 2]) == pytest.approx(turned_sd, rel=1e-9, abs=1e-15)
    assert found.knot_mean[:, 2] == pytest.approx(-2.0 * DEGREE * timeline.time_s, rel=1e-9, abs=1e-15)
    # 2 deg/s over the second and a third that a metre takes bends the way ahead by less than 1 %.
    way_m = timeline.pose[:, 0]
    assert found.knot_cov[:, 0, 0] == pytest.approx(4e-4 + 1e-4 * way_m, rel=0.01)
    assert found.knot_cov[-1] == pytest.approx(found.moments[-1].cov, rel=1e-9, abs=1e-18)


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("off_deg", [0.2, -0.2])
def test_law_a_mount_angle_that_is_known_to_be_wrong(engine: str, off_deg: float) -> None:
    """At 10 degrees to a wall 2 m off, a sensor that looks more aslant than its file says reads long.

    It reads 2 m / cos(10 deg + off), and replacing takes the belief back from the wall until it expects that:
    by 2 m (cos(10 deg) / cos(10 deg + off) - 1), to first order 2 m tan(10 deg) off.
    """
    sensor = single_reading(
        "aslant", 10.0, 0.5, errors={"mount_angle": run(mean=f"{off_deg!r} deg", spread="0 deg")}
    )
    case = prepared(
        [{"do": "pause", "time": "1 s"}], robot(sensors=[sensor], correction=REPLACE), believed=HALL
    )
    e = known(case, engine)["end"].e
    assert e == pytest.approx(
        [2.0 * math.tan(math.radians(10.0)) * math.radians(off_deg), 0.0, 0.0], rel=0.02, abs=1e-12
    )


def put_down_askew(compensates: bool) -> Prepared:
    """Return a robot put down 1 degree askew that notices, and reads a wall beside it before it drives on.

    The reading arrives when it has driven 1 m.
    """
    sensors = [
        {**single_reading(name, 0.0, 0.1), "mount": mounted(0.05, y, 0.0)}
        for name, y in (("port", 0.1), ("starboard", -0.1))
    ]
    sensors.append(single_reading("side", 90.0, 0.2, latency="3 s"))
    correction = {
        **REPLACE,
        "pairs": [{"sensors": ["port", "starboard"]}],
        "compensate_latency": compensates,
    }
    document = routine(
        [
            {"do": "pause", "time": "0.3 s"},
            {"do": "advance", "distance": "1 m"},
            {"do": "pause", "time": "2 s"},
        ]
    )
    askew = document.start.model_copy(update={"off": PoseOff.model_validate({"heading": "1 deg"})})
    document = document.model_copy(update={"start": askew})
    return prepare(Case(document, robot(sensors=sensors, correction=correction), HALL, HALL))


def mounted(x: float, y: float, heading_deg: float) -> dict[str, Any]:
    """Return where a sensor sits."""
    return {"x": f"{x!r} m", "y": f"{y!r} m", "heading": f"{heading_deg!r} deg", "height": "0.1 m"}


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("compensates", [True, False])
def test_law_an_old_reading_after_a_fix_has_turned_the_way(engine: str, compensates: bool) -> None:
    """It is held against the belief at its echo, which it agrees with; or against that at its arrival.

    Robot and belief have gone 1 m sin(1 deg) to the side by then, all of which is taken for an error.
    """
    e = known(put_down_askew(compensates), engine)["end"].e
    # What is left is of the second order: the error in the belief's own axes, a degree askew.
    assert e == pytest.approx([0.0, 0.0 if compensates else DEGREE, 0.0], abs=1.1 * DEGREE**2)
