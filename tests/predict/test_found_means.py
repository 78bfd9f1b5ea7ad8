"""A mean that was found and is still in the robot: the filter has to expect it like the spread about it.

The filter knows no sign of it. So a constant of mean m and spread s is to it what one of mean zero and spread
sqrt(m^2 + s^2) is, and the second moment of its errors is what it says. A constant that is its own root mean
square in every run leaves the region less often than one that is drawn from as wide a distribution.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import astuple, replace
from typing import Any

import numpy as np
import pytest

from driftgate.export.gather import Origin, hand_over
from driftgate.judge.consistency import mean_normalised
from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.filter_model import filter_model, off_by
from driftgate.schema.routine import PoseOff

from .scenes import GUESS, field_map, prepared, range_sensor, robot, run, tick

TRIALS = 1000
FOUR_ERRORS = 4.0 * math.sqrt(0.95 * 0.05 / TRIALS)
NOISE = {"noise": {"at_zero": "3 mm", "constant_over": "reading", **GUESS}}
WALK = {"distance_walk": tick(per_root_metre="3 mm/sqrt(m)")}
LOOK = {"do": "look", "time": "0.5 s"}
# A constant of the size 1 in three ways: as a spread, as a mean, as both.
PARTS = {"spread": (0.0, 1.0), "mean": (1.0, 0.0), "other mean": (-1.0, 0.0), "both": (0.6, 0.8)}

Parts = tuple[float, float]


def constant(parts: Parts, size: float, unit: str) -> dict[str, Any]:
    """Return an error source of such a size, as a spread, a mean or both."""
    mean, spread = (part * size for part in parts)
    return run(mean=f"{mean!r} {unit}", spread=f"{spread!r} {unit}")


def seen(*sensors: dict[str, Any], turn: str = "-60 deg", own: dict[str, Any] | None = None) -> Prepared:
    """Return two looks and a turn between them, on a field without errors of its own."""
    steps = [LOOK, {"do": "rotate", "angle": turn}, LOOK]
    machine = robot(WALK, list(sensors), {"when": "looking", "filter": own or {}})
    return prepared(
        steps, machine, field_map(x=(-3.0, 3.0), y=(-2.0, 2.0)), spread=("30 mm", "30 mm", "1 deg")
    )


def beam(name: str, heading_deg: float, **errors: Any) -> dict[str, Any]:
    """Return a sensor of little noise, and errors of its own."""
    return range_sensor(name, 0.0, 0.0, heading_deg, rate="10 Hz", errors={**NOISE, **errors})


def biased(parts: Parts, **own: Any) -> Prepared:
    """Return a sensor that reads long at every range."""
    return seen(beam("front", 0.0, bias=constant(parts, 15.0, "mm")), turn="90 deg", own=own)


def scaled(parts: Parts, **own: Any) -> Prepared:
    """Return a sensor that reads long by a share of the range."""
    return seen(beam("front", 0.0, scale=constant(parts, 1.0, "%")), turn="90 deg", own=own)


def askew(parts: Parts, **own: Any) -> Prepared:
    """Return a sensor that looks beside where it should, at a wall from either side."""
    return seen(beam("askew", 30.0, mount_angle=constant(parts, 0.7, "deg")), own=own)


def pitched(parts: Parts, **own: Any) -> Prepared:
    """Return a sensor that looks up by 10 degrees, if it has a mean, and so reads 1.5 % long; and scaled."""
    errors = {"scale": constant(parts, 1.0, "%")}
    if parts[0]:
        errors["mount_pitch"] = run(mean="10 deg", spread="0.5 deg")
    return seen(beam("front", 0.0, **errors), turn="90 deg", own=own)


SCENES: dict[str, Callable[..., Prepared]] = {"bias": biased, "scale": scaled, "mount angle": askew}


def expected_normalised(case: Prepared) -> float:
    """Return the expected normalised error squared at the end, by the linear model."""
    last = covariance(case).moments[-1]
    found = mean_normalised(last.filter_cov, last.estimation_mean, last.estimation_cov)
    assert found is not None
    return found


@pytest.mark.evidence(
    source="worked on paper",
    compares="expected normalised error of a filter that knows how large a mean is: 3",
    tolerance="3 %, of a spread 1e-6 of it",
)
@pytest.mark.parametrize("parts", PARTS.values(), ids=PARTS)
@pytest.mark.parametrize("name", SCENES)
def test_ref_a_found_mean_is_expected_like_a_spread(name: str, parts: Parts) -> None:
    """Mean, spread or both: the filter is the same, and its covariance is the second moment of its errors.

    A mean changes how readings go with the pose, too (a scale of 1 % their derivatives by 1 %), which the
    filter knows as little as the mean.
    """
    case = SCENES[name](parts)
    as_spread = SCENES[name](PARTS["spread"])
    assert astuple(case.filter.constants[0]) == pytest.approx(
        astuple(as_spread.filter.constants[0]), rel=1e-12
    )
    tolerance = 1e-6 if parts == PARTS["spread"] else 0.03
    assert expected_normalised(case) == pytest.approx(3.0, rel=tolerance)


@pytest.mark.parametrize("name", SCENES)
def test_mc_the_region_holds_the_truth_with_a_mean_in_it(name: str) -> None:
    """In trials, too: inside in 95 % or more, of which a filter that goes by the spread holds far less."""
    own = run_trials(SCENES[name](PARTS["mean"]), TRIALS, 3).own
    count, total, _ = (int(v) for v in own.nees[-1])
    assert own.inside[-1, -1, -1] / TRIALS > 0.95 - FOUR_ERRORS
    # A mean square of 3: that of a mean is itself, and the rest is normal (variance 2 a component).
    assert total / count / 1e3 == pytest.approx(3.0, abs=4.0 * math.sqrt(6.0 / count) + 0.1)
    blind = SCENES[name](PARTS["mean"], range_bias="0 mm", range_scale="0 %", mount_angle="0 deg")
    assert run_trials(blind, TRIALS, 3).own.inside[-1, -1, -1] / TRIALS < 0.6
    assert expected_normalised(blind) > 10.0


def test_law_a_sensor_that_looks_up_reads_the_slant() -> None:
    """1.01 / cos(10 deg) less one, and what 0.5 deg more or less make; a spread about level is nothing."""
    pitch = math.radians(10.0)
    (own,) = pitched(PARTS["mean"]).filter.constants
    slant = 1.01 / math.cos(pitch)
    by_pitch = slant * math.tan(pitch) * math.radians(0.5)
    assert own.scale == pytest.approx(math.hypot(slant - 1.0, by_pitch), rel=1e-12)
    assert expected_normalised(pitched(PARTS["mean"])) == pytest.approx(3.0, rel=0.06)
    level = seen(beam("front", 0.0, mount_pitch=run(spread="3 deg")))
    assert level.filter.constants == ()


LINES = {
    "distance_scale": ({"do": "advance", "distance": "2 m"}, "%", 1.0),
    "crab_angle": ({"do": "advance", "distance": "2 m"}, "deg", 1.0),
    "heading_bias": ({"do": "look", "time": "5 s"}, "deg/s", 0.1),
    "heading_scale": ({"do": "rotate", "angle": "180 deg"}, "%", 1.0),
}


@pytest.mark.parametrize("parts", PARTS.values(), ids=PARTS)
@pytest.mark.parametrize("name", LINES)
def test_law_a_mean_of_the_odometry_is_expected_like_a_spread(name: str, parts: Parts) -> None:
    """After the stretch that stands for one draw (2 m, 5 s, half a turn) the filter has the square."""
    step, unit, size = LINES[name]
    machine = robot({name: constant(parts, size, unit)}, [], {"filter": {}})
    spread = ("1 mm", "1 mm", "0.01 deg")
    last = covariance(prepared([step], machine, spread=spread)).moments[-1]
    moment = last.estimation_cov + np.outer(last.estimation_mean, last.estimation_mean)
    axis = {"distance_scale": 0, "crab_angle": 1}.get(name, 2)
    # In the way's own scale: a distance that reads 1 % long is divided by 1.01.
    assert last.filter_cov[axis, axis] == pytest.approx(moment[axis, axis], rel=0.05)


def test_law_a_start_off_its_mark_is_expected_there() -> None:
    """4 mm beside the mark in every run, give or take 3 mm, are 5 mm; of the heading as well."""
    case = prepared([LOOK], robot({}, [], {"filter": {}}), spread=("1 mm", "3 mm", "0.3 deg")).case
    start = case.routine.start
    off = PoseOff.model_validate({"y": "-4 mm", "heading": "0.4 deg"})
    there = case.routine.model_copy(update={"start": start.model_copy(update={"off": off})})
    found = filter_model(replace(case, routine=there)).start_sd
    assert found == pytest.approx((1e-3, 5e-3, math.radians(0.5)), rel=1e-12)


def test_law_roots_of_sums_of_squares() -> None:
    """A mean of 2, a spread of 3 and a mean good to 6 are 7, whatever the sign; nothing is nothing."""
    fitted = {"runs": 6, "mean_error": "6 mm"}
    for mean in ("2 mm", "-2 mm"):
        machine = robot({}, [beam("a", 0.0, bias=run(mean=mean, spread="3 mm", fitted=fitted))])
        assert off_by(machine.sensors[0].errors.bias) == pytest.approx(7e-3, rel=1e-12)
    assert off_by(None) == 0.0


def test_law_what_is_written_goes_and_noise_has_means_too() -> None:
    """A number in the robot file replaces what is derived; without constants a mean is noise, too."""
    assert biased(PARTS["mean"], range_bias="2 mm").filter.constants[0].bias_m == pytest.approx(2e-3)
    noisy = biased(PARTS["mean"], consider=False).filter
    assert noisy.range_at_zero_m == pytest.approx((math.hypot(3e-3, 15e-3),), rel=1e-12)


def test_law_the_robots_own_code_is_given_the_same() -> None:
    """What is handed over to the robot is what both engines and a replay go by."""
    case = biased(PARTS["both"])
    (sensor,) = hand_over(case, Origin("made", "made.yaml", "0" * 64, "0")).sensors
    (own,) = case.filter.constants
    assert (sensor.bias_m, sensor.scale, sensor.angle_rad) == (own.bias_m, own.scale, own.angle_rad)
    assert sensor.bias_m == pytest.approx(15e-3, rel=1e-12)
