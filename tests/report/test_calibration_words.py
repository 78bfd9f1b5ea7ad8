"""Small words of calibrate and backtest: numbers as people write them, none that contradict each other."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import yaml

from driftgate.calibrate.fit import Fit
from driftgate.calibrate.found import FoundNumber, FoundSource
from driftgate.load.single import load_single
from driftgate.report.backtest import _model
from driftgate.report.robot_section import Origin, source_lines
from driftgate.report.tape_guide import render_guide
from driftgate.schema.robot import Robot

ROBOTS = Path(__file__).resolve().parents[2] / "routines" / "robots"


@pytest.mark.parametrize(
    ("freedom", "words"),
    [
        (0.4, "1"),
        (7.3749, "7.37"),
        (12.0, "12"),
        (1354.2, "1350"),
        (567123.0, "567000"),
        (8.2e8, "820000000"),
    ],
)
def test_law_freedom_is_a_plain_number(freedom: float, words: str):
    """Three digits of it, without an exponent."""
    number = FoundNumber("mean", 0.01, "ratio", (0.005, 0.015))
    source = FoundSource(("errors", "distance_scale"), (number,), (), freedom, 3, "robot", "from logs")
    lines = source_lines(source, Origin(), 0.95, "")
    assert lines[-1].strip() == f"freedom: {words}"
    fitted = yaml.safe_load("\n".join(lines))["distance_scale"]["fitted"]
    assert fitted["freedom"] == pytest.approx(max(freedom, 1.0), rel=5e-3)


def _shown(size: float, error: float) -> str:
    name = "jitter:position"
    fit = Fit({}, {name: size}, (name,), np.array([[error**2]]), 30, 10.0, 0.0)
    return " ".join(_model(fit)[-1].split())


def test_law_a_noise_at_nought_has_a_largest_size():
    """Its variance is known, and its standard deviation has no standard error there."""
    variance_error = 4e-6
    assert _shown(1e-6, variance_error / 2e-6) == "jitter of position 0 mm at most 2.57 mm"
    assert _shown(4e-3, 1e-3) == "jitter of position 4.0 mm 1.00 mm"
    # With an error as large as itself it goes from the one to the other: 1.645 errors of the variance.
    assert _shown(2e-3, 2.001e-3).endswith("at most 4.14 mm")


@pytest.mark.parametrize("name", ["wren", "carrier", "stork"])
def test_law_the_guide_has_the_robots_own_track_width(name: str):
    """And without a robot one that is invented."""
    document = load_single(ROBOTS / f"{name}.yaml", "robot").document
    assert document is not None
    robot = document.model
    assert isinstance(robot, Robot)
    width = 1e3 * robot.drive.track_width
    assert f"then with track_width: {width:g} mm\n" in render_guide(robot)
    robot = robot.model_copy(update={"drive": robot.drive.model_copy(update={"track_width": 0.3234})})
    assert "then with track_width: 323.4 mm\n" in render_guide(robot)
    assert "then with track_width: 270 mm\n" in render_guide(None)
