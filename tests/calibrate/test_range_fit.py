"""The range fit on readings made by its own model: intervals hold, false readings are told apart."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from driftgate.calibrate.range_data import RangeData
from driftgate.calibrate.range_fit import RangeFit, Rate, fit_ranges
from driftgate.calibrate.range_sources import beside_the_file, constants_of, range_sources
from driftgate.schema.sensor import MountPosition, RangeBias, Sensor

SENSOR = Sensor.model_validate(
    {
        "id": "front",
        "mount": {"x": "0 m", "y": "0 m", "heading": "0 deg", "height": "0.1 m"},
        "reach": {"low": "20 mm", "high": "2 m"},
        "rate": "20 Hz",
        "errors": {},
    }
)
WALL_M, POSE = 0.004, (0.002, 0.002, 0.005)
BIAS_M, SCALE, ANGLE, AT_ZERO_M, PER_RANGE = 0.006, -0.012, 0.02, 0.004, 0.01
DROPOUT, SHORT, LONG = 0.03, 0.02, 0.01


def made(rng: np.random.Generator, readings: int = 600, walls: int = 4, poses: int = 20) -> RangeData:
    """Return readings of walls that are off their places, from poses that are off theirs."""
    index = np.arange(readings)
    pose = index * poses // readings
    surface = pose % walls
    incidence = rng.uniform(-0.6, 0.6, readings)
    expected = rng.uniform(0.2, 1.5, readings)
    by_angle = expected * np.tan(incidence)
    by_offset = 1.0 / np.cos(incidence)
    by_pose = np.stack([-by_offset * np.cos(surface), -by_offset * np.sin(surface), by_angle], axis=-1)
    off_wall = rng.normal(0.0, WALL_M, walls)
    off_pose = rng.normal(size=(poses, 3)) * np.array(POSE)
    real = expected + by_offset * off_wall[surface] + (by_pose * off_pose[pose]).sum(axis=1)
    reading = (1.0 + SCALE) * real + BIAS_M + ANGLE * by_angle
    reading += rng.normal(size=readings) * (AT_ZERO_M + PER_RANGE * real)
    kind = rng.uniform(size=readings)
    reading = np.where(kind < SHORT, rng.uniform(0.02, real), reading)
    reading = np.where(kind > 1.0 - LONG, rng.uniform(real, 2.0), reading)
    reading = np.where(rng.uniform(size=readings) < DROPOUT, np.nan, reading)
    run = pose // 4
    return RangeData(reading, expected, np.abs(incidence), by_angle, by_offset, by_pose, surface, pose, run)


def fitted(data: RangeData, walls: int = 4) -> RangeFit:
    """Return the fit."""
    found = fit_ranges(SENSOR, data, np.full(walls, WALL_M), POSE)
    assert found is not None
    return found


def test_mc_intervals_hold_what_was_put_in():
    """Over 120 sets of readings each 95 % interval holds its truth as often as it says, or nearly."""
    rng = np.random.default_rng(11)
    sets, held = 120, np.zeros(8)
    for _ in range(sets):
        found = fitted(made(rng))
        for i, (estimate, truth) in enumerate(
            (
                (found.bias, BIAS_M),
                (found.scale, SCALE),
                (found.angle, ANGLE),
                (found.at_zero, AT_ZERO_M),
                (found.per_range, PER_RANGE),
            )
        ):
            low, high = estimate.interval(0.95)
            held[i] += low <= truth <= high
        for i, (rate, truth) in enumerate(
            ((found.dropout, DROPOUT), (found.short, SHORT), (found.long, LONG)), start=5
        ):
            low, high = rate.interval(0.95)
            held[i] += low <= truth <= high
    # False readings that fall beside the surface pass for right ones: a few per cent of them.
    assert np.all(held / sets >= 0.95 - 3.0 * math.sqrt(0.05 * 0.95 / sets)), held / sets


def test_mc_few_readings_show_as_much_noise_as_many():
    """What bias, scale, poses and walls take up of the scatter is given back: 40 readings from 10 poses."""
    rng = np.random.default_rng(3)
    sets, sizes, held = 60, [], 0
    for _ in range(sets):
        found = fitted(made(rng, 40, 3, 10), 3)
        sizes.append(found.at_zero.value + 0.6 * found.per_range.value)
        low, high = found.at_zero.interval(0.95)
        held += low <= AT_ZERO_M <= high
        assert found.freedom < 36.0
    real = AT_ZERO_M + 0.6 * PER_RANGE
    # The root mean square of 60 sizes, each good to about 12 %.
    assert math.sqrt(np.mean(np.square(sizes))) == pytest.approx(real, rel=0.05)
    assert held / sets >= 0.95 - 3.0 * math.sqrt(0.05 * 0.95 / sets)


def test_law_a_sensors_place_is_counted_once():
    """What the robot file has of the sensor's place is no error of the bias there as well."""
    placed = SENSOR.model_copy(
        update={
            "errors": SENSOR.errors.model_copy(
                update={
                    "mount_position": MountPosition.model_validate(
                        {"spread": "20 mm", "basis": "guess", "constant_over": "robot"}
                    )
                }
            )
        }
    )
    data = made(np.random.default_rng(5))
    found = fit_ranges(placed, data, np.full(4, WALL_M), POSE)
    assert found is not None
    assert found.bias.error > 0.02 > 5.0 * found.placed_bias.error
    sources, _ = range_sources(placed, found, 0.95)
    (bias,) = (source for source in sources if source.path[-1] == "bias")
    assert bias.fit[0].value == pytest.approx(fitted(data).bias.error)


def test_law_many_readings_of_one_wall_do_not_make_its_place_known():
    """A bias stays as uncertain as the wall, however many readings there are."""
    data = made(np.random.default_rng(2), readings=4000, walls=1)
    found = fitted(data, walls=1)
    trusted = fit_ranges(SENSOR, data, np.zeros(1), POSE)
    assert trusted is not None
    assert found.bias.error > 0.6 * WALL_M
    assert found.bias.error > 2.0 * trusted.bias.error
    more = fitted(made(np.random.default_rng(2), readings=4000, walls=4))
    assert more.bias.error < found.bias.error


def test_law_what_is_not_known_is_named_with_its_drive():
    """Readings square to a wall say nothing of the mounting angle, and the way to it is named."""
    data = made(np.random.default_rng(3))
    square = RangeData(
        data.reading_m, data.expected_m, 0.0 * data.incidence_rad, 0.0 * data.by_angle,
        data.by_offset, data.by_pose, data.surface, data.pose, data.run,
    )  # fmt: skip
    sources, missing = range_sources(SENSOR, fitted(square), 0.95)
    assert "mount_angle" not in {source.path[-1] for source in sources}
    assert any(words.startswith("front mount angle: look at walls") for words in missing)


def test_law_too_few_readings_are_no_fit():
    """A handful of readings gives nothing, and says what to drive."""
    few = made(np.random.default_rng(4), readings=20, poses=5)
    few.reading_m[:5] = np.nan
    assert fit_ranges(SENSOR, few, np.full(4, WALL_M), POSE) is None
    sources, missing = range_sources(SENSOR, None, 0.95)
    assert sources == []
    assert "stand it before mapped walls" in missing[0]


@pytest.mark.filterwarnings("error")
def test_law_readings_in_another_unit_are_no_fit():
    """Readings none of which can be right determine nothing: no number, and no warning of a division."""
    data = made(np.random.default_rng(4))
    assert fit_ranges(SENSOR, replace(data, reading_m=25.4 * data.reading_m + 1.0), np.zeros(4), POSE) is None


@pytest.mark.evidence(
    source="library scipy",
    compares="rate interval, paired test, Poisson counts, gated mean",
    tolerance="1e-9 to 1e-6 of it",
)
def test_ref_rate_interval_is_jeffreys():
    """5 of 100: 2.5 % and 97.5 % points of Beta(5.5, 95.5), by another routine (scipy.stats)."""
    low, high = Rate(0.05, 100.0).interval(0.95)
    assert (low, high) == pytest.approx((0.01933181, 0.10610007), rel=1e-6)


def test_mc_a_scale_goes_with_the_bias_that_stays() -> None:
    """A bias not found stays at the file's value; the scale beside it is right where the sensor was read.

    Square to four walls, at 0.9 to 1.3 m: bias and scale are hardly told apart, their sum is.
    The scale as it is fitted beside a bias of its own would be wrong with the file's.
    """
    rng = np.random.default_rng(8)
    sensor = SENSOR.model_copy(
        update={
            "errors": SENSOR.errors.model_copy(
                update={
                    "bias": RangeBias.model_validate(
                        {"mean": "-2 mm", "spread": "4 mm", "basis": "guess", "constant_over": "robot"}
                    )
                }
            )
        }
    )
    off, apart, held = [], [], 0
    for _ in range(60):
        data = near(rng)
        fit = fit_ranges(sensor, data, np.full(4, WALL_M), POSE)
        assert fit is not None
        low, high = fit.placed_bias.interval(0.95)
        if high - low <= 0.02:
            continue
        written = beside_the_file(sensor, fit, 0.95)
        assert list(written) == ["scale"]
        assert written["scale"].error < fit.scale.error
        middle_m = float(np.nanmean(data.expected_m))
        right_m = BIAS_M + SCALE * middle_m
        off.append(-0.002 + written["scale"].value * middle_m - right_m)
        apart.append(-0.002 + fit.scale.value * middle_m - right_m)
        held += 1
    assert held >= 40
    assert np.sqrt(np.mean(np.square(off))) < 0.5 * np.sqrt(np.mean(np.square(apart)))


def near(rng: np.random.Generator) -> RangeData:
    """Return readings square to walls, from 0.9 to 1.3 m."""
    readings, poses = 400, 16
    pose = np.arange(readings) * poses // readings
    surface = pose % 4
    expected = rng.uniform(0.9, 1.3, poses)[pose]
    one, none = np.ones(readings), np.zeros(readings)
    by_pose = np.stack([-np.cos(surface), -np.sin(surface), none], axis=-1)
    off_wall = rng.normal(0.0, WALL_M, 4)
    off_pose = rng.normal(size=(poses, 3)) * np.array(POSE)
    real = expected + off_wall[surface] + (by_pose * off_pose[pose]).sum(axis=1)
    reading = (1.0 + SCALE) * real + BIAS_M + rng.normal(size=readings) * 0.01
    return RangeData(reading, expected, none, none, one, by_pose, surface, pose, pose // 4)


def test_law_all_found_is_written_as_it_is_found() -> None:
    """Nothing is left at the file's value: nothing is to go with it."""
    fit = fitted(made(np.random.default_rng(5)))
    assert beside_the_file(SENSOR, fit, 0.95) == constants_of(fit)
