"""Windows of a run: lengths, overlaps, gaps of the reference, jumps."""

from __future__ import annotations

import numpy as np
import pytest
from drives import drive, weaving

from driftgate.calibrate.windows import Track, part, windows_between, windows_of, without_jumps


def _straight(count: int = 400, step_m: float = 0.1) -> Track:
    return drive(np.tile([step_m, 0.0, 0.0], (count, 1)))


def test_windows_have_their_length_and_spacing():
    """Starts every so many metres, ends at the length."""
    windows = windows_of(_straight(), [5.0, 10.0], 2.0)
    five = windows.pick(windows.length_m == 5.0)
    assert np.all(five.end - five.start == 50)
    assert np.all(np.diff(five.start) == 20)
    assert len(five) == 18  # the last one starts at 34 m: 36 m would end beyond the drive
    assert np.allclose(five.weight, 0.4)


def test_windows_begin_and_end_where_the_truth_is_known():
    """Rows without a reference are no anchors."""
    track = _straight()
    reference = track.reference.copy()
    reference[np.arange(401) % 7 != 0] = np.nan
    windows = windows_of(Track("", track.time_s, track.twist, reference), [5.0], 2.0)
    assert len(windows)
    assert np.all(windows.start % 7 == 0)
    assert np.all(windows.end % 7 == 0)
    assert np.all(track.distance_m[windows.end] - track.distance_m[windows.start] >= 5.0 - 1e-9)


def test_windows_between_few_poses():
    """Taped poses: from each to the next ones."""
    track = _straight()
    reference = np.full_like(track.reference, np.nan)
    reference[[0, 100, 250, 400]] = track.reference[[0, 100, 250, 400]]
    windows = windows_between(Track("", track.time_s, track.twist, reference), most=2)
    assert list(zip(windows.start.tolist(), windows.end.tolist(), strict=True)) == [
        (0, 100), (100, 250), (250, 400), (0, 250), (100, 400),
    ]  # fmt: skip


def test_a_part_is_cut_by_odometry_distance():
    """The second half has half the distance."""
    track = drive(weaving(500))
    half = part(track, track.distance_m[-1] / 2, track.distance_m[-1])
    assert half.distance_m[-1] == pytest.approx(track.distance_m[-1] / 2, abs=0.2)
    assert len(half.twist) == len(half.time_s) - 1 == len(half.reference) - 1
    assert len(part(track, 1e6, 2e6).twist) == 0


def test_windows_over_a_jump_are_dropped():
    """A leap of the reference to the side is seen, and its windows are left out."""
    track = drive(weaving(500))
    reference = track.reference.copy()
    heading = reference[300, 2]
    reference[300:, :2] += 0.3 * np.array([-np.sin(heading), np.cos(heading)])
    jumped = Track("", track.time_s, track.twist, reference)
    assert np.flatnonzero(jumped.jumps(0.1)).tolist() == [299]
    windows = windows_of(jumped, [5.0], 2.0)
    kept = without_jumps(jumped, windows, 0.1)
    assert 0 < len(windows) - len(kept) <= 3
    assert not np.any((kept.start <= 299) & (kept.end >= 300))


@pytest.mark.parametrize("nth", [1, 3, 7])
def test_a_leap_is_seen_where_the_odometry_comes_more_often_than_the_reference(nth: int):
    """Fixes at every so manieth row: before, none of two rows in a row had one, and no leap was ever seen."""
    track = drive(weaving(500, step_m=0.04))
    reference = track.reference.copy()
    heading = reference[300, 2]
    reference[300:, :2] += 0.3 * np.array([-np.sin(heading), np.cos(heading)])
    reference[np.arange(len(reference)) % nth != 0] = np.nan
    jumped = Track("", track.time_s, track.twist, reference)
    first = -(-300 // nth) * nth
    assert np.flatnonzero(jumped.jumps(0.1)).tolist() == [first - 1]
    windows = windows_of(jumped, [5.0], 2.0)
    kept = without_jumps(jumped, windows, 0.1)
    assert 0 < len(windows) - len(kept) <= 3
    assert not np.any((kept.start < first) & (kept.end >= first))


def test_no_way_between_poses_is_a_leap():
    """What is driven from pose to pose is none, however it winds; nor is drift over a metre."""
    twist = np.concatenate([np.tile([0.02, 0.01, 0.05], (30, 1)), np.tile([0.02, -0.01, -0.05], (30, 1))])
    track = drive(np.tile(twist, (4, 1)), constants={"heading_scale": 0.02})
    reference = track.reference.copy()
    reference[np.arange(len(reference)) % 20 != 0] = np.nan
    assert not Track("", track.time_s, track.twist, reference).jumps(0.02).any()
    off = reference.copy()
    off[40:, :2] += 0.3
    off[np.arange(len(off)) % 80 != 0] = np.nan
    assert not Track("", track.time_s, track.twist, off).jumps(0.1).any()


def test_a_fast_turn_on_the_spot_leads_nowhere():
    """A wheel 18 mm off the middle counts 72 mm/s at 4 rad/s; in an arc of 25 mm radius the robot travels."""
    count, dt = 100, 0.02
    for radius_m, rate, travels in (
        (0.018, 4.0, False),
        (0.025, 4.0, True),
        (0.028, 1.0, False),
        (0.5, 1.0, True),
    ):
        twist = np.tile([radius_m * rate * dt, 0.0, rate * dt], (count, 1))
        track = Track("", dt * np.arange(count + 1), twist, np.full((count + 1, 3), np.nan))
        assert track.moving.all()
        assert (track.travelling == travels).all(), radius_m
