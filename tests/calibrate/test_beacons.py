"""Ranges to points: derivatives, calibration, and the product's own update with them."""

from __future__ import annotations

import numpy as np
import pytest
from drives import drive, weaving

from driftgate.calibrate.beacons import expect_point, fit_beacons, true_ranges
from driftgate.calibrate.tracks import Ranges
from driftgate.core.errors import ModelError
from driftgate.world.point import range_to_point

PLACES = np.array([[4.0, 3.0], [-2.0, 6.0]])


def _ranges(track, noise: float = 0.05, seed: int = 1, scale: float = 0.07, offset: float = -0.1) -> Ranges:
    rng = np.random.default_rng(seed)
    time = track.time_s[::5] + 0.013
    time = time[time < track.time_s[-1]]
    source = np.arange(len(time)) % 2
    ranges = Ranges(time, source, np.zeros(len(time)))
    true = true_ranges(track, ranges, PLACES)
    return Ranges(time, source, (1.0 + scale) * true + offset + noise * rng.normal(size=len(time)))


def test_derivatives_of_a_range_to_a_point():
    """Against central differences, with the sensor off the robot's middle."""
    mount, point, h = (0.3, -0.2), (4.0, 3.0), 1e-6
    pose = [np.array([1.0]), np.array([-0.5]), np.array([0.7])]
    found = range_to_point((pose[0], pose[1], pose[2]), mount, point)
    for axis, derivative in enumerate((found.d_x, found.d_y, found.d_heading)):
        ends = []
        for sign in (1.0, -1.0):
            moved = [p.copy() for p in pose]
            moved[axis] += sign * h
            ends.append(range_to_point((moved[0], moved[1], moved[2]), mount, point).range_m)
        assert derivative == pytest.approx((ends[0] - ends[1]) / (2 * h), abs=1e-8)
    assert expect_point((pose[0], pose[1], pose[2]), 1, point, mount).surface.tolist() == [1]


def test_a_range_in_the_middle_of_the_beacon():
    """At the beacon itself there is no direction, and no division by zero."""
    found = range_to_point((np.zeros(1), np.zeros(1), np.zeros(1)), (0.0, 0.0), (0.0, 0.0))
    assert np.isfinite([found.range_m, found.d_x, found.d_y]).all()


def test_scale_offset_and_noise_are_found():
    """Within three of their own standard errors."""
    track = drive(weaving(4000))
    found = fit_beacons([track], [_ranges(track)], ["a", "b"], PLACES)
    assert np.all(np.abs(found.scale - 0.07) < 3.0 * found.scale_error)
    assert np.all(np.abs(found.offset_m + 0.1) < 3.0 * found.offset_error_m)
    assert found.sigma_m == pytest.approx([0.05, 0.05], rel=0.12)


def test_false_readings_do_not_move_the_line():
    """A fifth of them short, anywhere before the true range."""
    track = drive(weaving(4000))
    ranges = _ranges(track)
    rng = np.random.default_rng(5)
    false = rng.random(len(ranges)) < 0.2
    reading = np.where(false, rng.random(len(ranges)) * ranges.reading_m, ranges.reading_m)
    found = fit_beacons([track], [Ranges(ranges.time_s, ranges.source, reading)], ["a", "b"], PLACES)
    assert np.all(np.abs(found.scale - 0.07) < 0.01)
    assert found.sigma_m == pytest.approx([0.05, 0.05], rel=0.25)
    assert np.all(found.left_out > 0.1 * len(ranges) / 2)


def test_too_few_readings():
    """A beacon that was hardly heard cannot be fitted, and is named."""
    track = drive(weaving(100))
    ranges = _ranges(track)
    with pytest.raises(ModelError, match="'b' has 0 readings"):
        fit_beacons([track], [ranges.pick(ranges.source == 0)], ["a", "b"], PLACES)
