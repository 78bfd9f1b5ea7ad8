"""What a beam comes back from and with, one trial at a time, where everything but one thing is exact."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from driftgate.predict import Prepared, covariance
from driftgate.predict.recorder import FALSE_RETURN, Recorder
from driftgate.predict.sources import source_table
from driftgate.predict.story import replay
from driftgate.predict.values import Outcome

from .scenes import GUESS, field_map, prepared, range_sensor, robot, run

LOOK = {"do": "look", "time": "0.2 s"}
# The east wall is 3 m ahead.
START = (1.0, 1.5, 0.0)
LOOSE = {"sigmas": 100.0}
FILTER = {"start_x": "50 mm", "start_y": "50 mm", "start_heading": "5 deg", "range_at_zero": "5 mm"}


def pot(name: str, x: float, y: float = 1.5, **more: Any) -> dict[str, Any]:
    """Return a pot of 60 mm radius exactly at its place."""
    return {
        "id": name,
        "shape": {"circle": {"radius": "60 mm"}},
        "at": {"x": f"{x!r} m", "y": f"{y!r} m"},
        "scatter": {"x": "0 mm", "y": "0 mm", "heading": "0 deg", "constant_over": "run", **GUESS},
        **more,
    }


def scene(elements: Any = (), mapped: Any = (), correction: Any = None, **sensor: Any) -> Prepared:
    """Return a robot that looks ahead in a hall of 4 m by 3 m; elements need not be on its map."""
    hall = {"x": (0.0, 4.0), "y": (0.0, 3.0)}
    heading = sensor.pop("heading_deg", 0.0)
    settings = {"when": "always", "gate": LOOSE, "filter": FILTER, **(correction or {})}
    return prepared(
        [LOOK],
        robot(sensors=[range_sensor("ahead", 0.0, 0.0, heading, **sensor)], correction=settings),
        believed=field_map(elements=list(mapped), **hall),
        true=field_map(elements=list(elements), **hall),
        start=START,
    )


def recorded(case: Prepared, trials: int = 1) -> Recorder:
    """Return what happened to the readings."""
    return replay(case, np.arange(trials), 1).record


def first(case: Prepared) -> tuple[int, float]:
    """Return where the first reading came from, and its innovation."""
    record = recorded(case)
    return int(record.origin[0, 0]), float(record.innovation_m[0, 0])


def test_law_what_answers_is_named() -> None:
    """The nearest of what stands in the beam: walls by their number, elements after them by theirs.

    The map has the elements beside the beam, so that the robot expects the wall.
    """
    mapped = [pot("a", 1.8, 0.5), pot("b", 2.2, 0.5), pot("c", 2.6, 0.5)]

    def answer(*true: dict[str, Any]) -> tuple[int, float]:
        return first(scene(true, mapped))

    wall, beside = (1, pytest.approx(0.0, abs=1e-12)), pot("a", 1.8, 0.5)
    assert answer(*mapped) == wall
    # At 2.5 m its near side is 1.44 m away: 1.56 m short of the wall.
    near = pytest.approx(-1.56, abs=1e-12)
    assert answer(beside, pot("b", 2.5), pot("c", 3.0)) == (4 + 1, near)
    assert answer(beside, pot("b", 3.0), pot("c", 2.5)) == (4 + 2, near)
    assert answer(beside, pot("b", 0.5), pot("c", 2.0, 1.6)) == wall
    high = [{**one, "height": {"low": "0.2 m", "high": "0.4 m"}} for one in mapped]
    assert first(scene([{**one, "at": {"x": "2.5 m", "y": "1.5 m"}} for one in high], high)) == wall


def test_law_an_element_off_its_mapped_place_answers_where_it_is() -> None:
    """Mapped 0.8 m to the side and standing in the beam: it is the second element, far from its place."""
    mapped = [pot("a", 2.0, 0.5), pot("b", 2.5, 0.7)]
    true = [pot("a", 2.0, 0.5), pot("b", 2.5, 1.5)]
    assert first(scene(true, mapped)) == (5, pytest.approx(-1.56, abs=1e-12))


@pytest.mark.parametrize("shape", [{}, {"shape": {"rectangle": {"length": "80 mm", "width": "80 mm"}}}])
@pytest.mark.parametrize(("present", "origin"), [({}, 5), ({"begin": "60 s"}, 1), ({"end": "10 s"}, 5)])
def test_law_a_stray_answers_where_it_is_while_it_is_there(
    shape: dict[str, Any], present: dict[str, str], origin: int
) -> None:
    """The second of three, strayed into the beam in every trial; before it comes it does not answer."""
    region = [["2.499 m", "1.499 m"], ["2.501 m", "1.499 m"], ["2.5 m", "1.501 m"]]
    stray = {"probability": "100 %", "region": region, "constant_over": "run", **GUESS}
    mapped = [pot("a", 1.8, 0.5, **shape), pot("b", 2.5, 0.7, **shape), pot("c", 2.6, 0.4, **shape)]
    true = [mapped[0], {**mapped[1], "stray": stray, "present": present}, mapped[2]]
    record = recorded(scene(true, mapped), 5)
    assert record.origin[0].tolist() == [origin] * 5
    # Its nearest side is 20 to 80 mm before its middle, 0.5 m before the wall.
    short_m = -record.innovation_m[0]
    assert (np.abs(short_m - 1.54) < 0.04).all() if origin == 5 else (np.abs(short_m) < 1e-12).all()


@pytest.mark.parametrize(
    ("x", "low_m", "outcome"),
    [
        # The pot's near side is 0.34 m ahead of the sensor, or 0.36 m.
        (1.40, 0.35, Outcome.NO_ECHO),
        (1.42, 0.35, Outcome.ACCEPTED),
        (1.40, 0.33, Outcome.ACCEPTED),
    ],
)
def test_law_what_is_nearer_than_the_sensor_reaches_gives_no_echo(
    x: float, low_m: float, outcome: Outcome
) -> None:
    """The robot expects the wall; what answers is judged by its own distance."""
    reach = {"low": f"{low_m!r} m", "high": "20 m"}
    case = scene([pot("a", x)], [pot("a", x, 0.4)], reach=reach)
    assert set(recorded(case).outcome[:, 0].tolist()) == {int(outcome)}


@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize(
    ("off_deg", "outcome"), [(1.9, Outcome.ACCEPTED), (2.1, Outcome.NO_ECHO), (-30.0, Outcome.ACCEPTED)]
)
def test_law_an_echo_is_lost_beyond_its_limit(off_deg: float, outcome: Outcome, side: float) -> None:
    """A wall at 20 degrees to the plan, a limit of 22, and a sensor that is off unknown to the robot."""
    off = run(mean=f"{side * off_deg!r} deg", spread="0 deg")
    case = scene(heading_deg=20.0 * side, echo_limit="22 deg", errors={"mount_angle": off})
    assert set(recorded(case).outcome[:, 0].tolist()) == {int(outcome)}


def test_law_a_sensor_that_is_turned_reads_along_its_own_line() -> None:
    """5 degrees off on the robot, 3 m read as 3 / cos 5, whichever side it is turned to."""
    for mean in ("5 deg", "-5 deg"):
        case = scene(errors={"mount_angle": run(mean=mean, spread="0 deg")})
        assert first(case)[1] == pytest.approx(3.0 / math.cos(math.radians(5.0)) - 3.0, abs=1e-9)


@pytest.mark.parametrize(
    ("errors", "innovation_mm"),
    [
        ({"bias": run(mean="7 mm", spread="0 mm")}, 7.0),
        ({"scale": run(mean="-1 %", spread="0 %")}, -30.0),
        ({"bias": run(mean="7 mm", spread="0 mm"), "scale": run(mean="2 %", spread="0 %")}, 67.0),
    ],
)
def test_law_a_reading_is_long_by_bias_and_scale(errors: dict[str, Any], innovation_mm: float) -> None:
    """Of 3 m."""
    assert first(scene(errors=errors))[1] == pytest.approx(innovation_mm * 1e-3, abs=1e-12)


def test_law_false_returns_have_no_origin() -> None:
    """Where every reading is a short return, none comes from the wall."""
    errors = {"short_return": {"probability": "100 %", "constant_over": "reading", **GUESS}}
    record = recorded(scene(errors=errors), 20)
    assert set(record.origin.ravel().tolist()) == {FALSE_RETURN}


def columns_x(errors: dict[str, Any], mean_deg: float = 0.0) -> dict[str, float]:
    """Return how x at the end moves by a standard deviation of each constant, after a fix at 3 m.

    The fix replaces x; the drive to 2 m that follows closes on the belief.
    """
    case = prepared(
        [{"do": "look", "time": "0.1 s"}, {"do": "drive", "to": ["2 m", "1.5 m"]}],
        robot(
            sensors=[range_sensor("ahead", 0.0, 0.0, mean_deg, rate="2 Hz", errors=errors)],
            correction={"when": "looking", "update": {"law": "replace"}, "filter": FILTER},
        ),
        believed=field_map(x=(0.0, 4.0), y=(0.0, 3.0)),
        start=START,
    )
    end, table = covariance(case).moments[-1], source_table(case.case)
    return {constant.key: float(end.columns[0, i]) for i, constant in enumerate(table.constants)}


def test_law_a_range_that_is_long_leaves_the_robot_ahead() -> None:
    """Reading long, it believes to be further back than it is, and so goes too far: by 30 mm, by 4 mm."""
    found = columns_x({"scale": run(spread="1 %"), "bias": run(spread="4 mm")})
    assert found["range_scale:ahead"] == pytest.approx(0.03, rel=1e-9)
    assert found["range_bias:ahead"] == pytest.approx(0.004, rel=1e-9)
    both = columns_x({"scale": run(mean="2 %", spread="1 %"), "mount_position": run(spread="3 mm")})
    assert both["range_scale:ahead"] == pytest.approx(0.03, rel=1e-9)
    # A sensor 3 mm further ahead reads short by as much, and by 2 % of it.
    assert both["mount_position:ahead:x"] == pytest.approx(-3e-3 * 1.02, rel=1e-9)
