"""Ranges to points: derivatives, calibration, and the product's own update with them."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from drives import drive, weaving

from driftgate.calibrate.beacon_checks import check_beacons
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


FOUR = np.array([[9.0, 7.0], [-8.0, 6.0], [2.0, -9.0], [12.0, -4.0]])
NAMES = ("a", "b", "c", "d")


def _read(stand, seed=1, factor=1.0, scale=0.07, noise=0.05, noisy=None, standing=False):
    """Return a drive and the ranges to beacons that stand somewhere."""
    count = len(stand)
    twist = weaving(1500, seed)
    track = drive(np.zeros_like(twist) if standing else twist, seed=seed, jitter=(0.02, 0.005))
    rng = np.random.default_rng(seed)
    time = track.time_s[::5] + 0.013
    time = time[time < track.time_s[-1]]
    ranges = Ranges(time, np.arange(len(time)) % count, np.zeros(len(time)))
    true = true_ranges(track, ranges, np.asarray(stand))
    sd = np.full(count, noise)
    if noisy is not None:
        sd[noisy] *= 8.0
    read = (1.0 + scale) * true + 0.1 + sd[ranges.source] * rng.normal(size=len(time))
    read = np.where(rng.random(len(time)) < 0.05, rng.uniform(0.3, 1.0, len(time)) * true, read)
    return track, Ranges(time, ranges.source, np.where(ranges.source == 0, factor * read, read))


def _log(path, count):
    """Return what is asked of a log: its titles."""

    def place(title):
        return SimpleNamespace(path=path, line=3, column=10 + NAMES.index(title[-1]), excerpt=None)

    return SimpleNamespace(path=path, ranges=dict.fromkeys(NAMES[:count]), place=place)


def _checked(stand, *, seed=1, factor=1.0, scale=0.07, noise=0.05, noisy=None, standing=False):
    """Return what is said of beacons listed at FOUR that `stand` elsewhere; one reads `factor` times."""
    track, ranges = _read(stand, seed, factor, scale, noise, noisy, standing)
    model = fit_beacons([track], [ranges], NAMES[: len(stand)], FOUR[: len(stand)])
    return check_beacons(model, [track], [ranges], [_log("run.csv", len(stand))])


def _checked_together(stands, factors=None):
    """Return what is said of logs in which beacons stand otherwise, or one reads by other units."""
    factors = factors or [1.0] * len(stands)
    both = [
        _read(stand, 1 + i, factor, scale=0.0)
        for i, (stand, factor) in enumerate(zip(stands, factors, strict=True))
    ]
    tracks, ranges = [track for track, _ in both], [own for _, own in both]
    model = fit_beacons(tracks, ranges, NAMES, FOUR)
    return check_beacons(model, tracks, ranges, [_log(f"{i}.csv", 4) for i in range(len(stands))])


@pytest.mark.parametrize("which", [(2,), (0, 3), (0, 1, 2, 3)])
def test_err_beacons_exchanged_in_some_logs(which):
    """Those logs are named and no other, whatever the sound ones beside them say."""
    stands = [FOUR[[1, 0, 2, 3]] if i in which else FOUR for i in range(4)]
    found = _checked_together(stands)
    assert [(f.path, f.column, f.level) for f in found] == [
        (f"{which[0]}.csv", 10, "error"),
        (f"{which[0]}.csv", 11, "error"),
    ]
    for fault in found:
        assert "fit the other way round" in fault.suggestion
        more = len(which) - 1
        assert ("(and so in" in fault.message) == (more > 0)
        assert not more or f"(and so in {more} log" in fault.message


def test_err_a_unit_in_one_log():
    """One that reads feet; of sound ones nothing is said, and a noise that all have is said once."""
    (found,) = _checked_together([FOUR] * 4, [1.0, 1.0, 3.281, 1.0])
    assert (found.path, found.column, found.level) == ("2.csv", 10, "error")
    assert "metres against feet" in found.suggestion
    assert _checked_together([FOUR] * 4) == []


@pytest.mark.parametrize("count", [2, 3, 4])
def test_err_two_beacons_exchanged(count):
    """Named at both titles, each with the other, however many beacons there are; the rest are not."""
    stand = FOUR[:count].copy()
    stand[[0, 1]] = stand[[1, 0]]
    found = _checked(stand)
    assert [(f.code, f.level, f.line, f.column) for f in found] == [
        ("DG621", "error", 3, 10),
        ("DG621", "error", 3, 11),
    ]
    assert "'a' and 'b' fit the other way round: exchange them in the list" in found[0].suggestion
    assert "'b' and 'a' fit the other way round" in found[1].suggestion


def test_err_three_beacons_in_a_ring():
    """Each with the place that its readings fit."""
    found = _checked(FOUR[[1, 2, 0, 3]])
    said = [f.suggestion for f in found if f.level == "error"]
    assert len(said) == len(found) == 3
    for name, text in zip("bca", said, strict=True):
        assert text == f"they fit the place that the list of beacons has for '{name}'"


def test_err_a_unit_and_a_place():
    """Feet for metres; and a beacon that stands where none is listed."""
    (found,) = _checked(FOUR, factor=3.281, scale=0.0)
    assert (found.column, found.level) == (10, "error")
    assert "metres against feet: check the unit in this title" in found.suggestion
    elsewhere = FOUR.copy()
    elsewhere[1] = [6.0, 20.0]
    found = _checked(elsewhere)
    assert [(f.code, f.column) for f in found] == [("DG621", 11)]
    assert "fit the place" not in found[0].suggestion


def test_law_one_beacon_much_noisier_is_a_warning():
    """Its numbers may be right: nothing is refused."""
    (found,) = _checked(FOUR, noisy=2)
    assert (found.code, found.level, found.column) == ("DG621", "warning", 12)
    assert "their noise would be 0.357 m, that of the middle one" in found.message


def test_law_sound_beacons_have_nothing_said_of_them():
    """Of 40 drives with a twentieth of false readings, scales of -20 and 7 %, two to four beacons, none."""
    for seed in range(1, 11):
        for count in (2, 4):
            for scale in (-0.2, 0.07):
                assert _checked(FOUR[:count], seed=seed, scale=scale) == []


def test_law_of_a_robot_that_stands_no_scale_is_judged():
    """There the range changes by the noise of the reference alone, and a line through it says nothing."""
    assert [f for f in _checked(FOUR, standing=True) if f.level == "error"] == []
