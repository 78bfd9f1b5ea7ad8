"""Runs that have each other's reference poses. All runs are invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibrate.test_stray_poses import DEG, LEGS, SPREAD, TICKS, log_of, mistyped
from driftgate.calibrate.chain import logged_run
from driftgate.calibrate.exchanged_poses import cycles, exchanged_poses
from driftgate.calibrate.log_checks import check_logs
from driftgate.calibrate.windows import Track
from driftgate.core.pose import compose, exp
from driftgate.core.rules import RULES


def a_run(seed, slips=(), blind=False):
    """Return the track of one drive: it stops and turns a little otherwise each time, as its odometry sees.

    Slips are (leg, length): there the wheel counts that much more.
    """
    rng = np.random.default_rng(seed)
    at = np.array([0.7, 0.9, 0.0]) + np.array((0.005, 0.005, 0.5 * DEG)) * rng.normal(size=3)
    scale, bias = 0.01 + 0.002 * rng.normal(), 0.03 * DEG * rng.normal()
    twist, reference = [], [at + np.array(SPREAD) * rng.normal(size=3)]
    for leg, (ahead, turn) in enumerate(LEGS):
        own = np.array([ahead * (1.0 + 0.01 * rng.normal()), 0.0, (turn + 1.0 * rng.normal()) * DEG]) / TICKS
        for _ in range(TICKS):
            at = compose(at, exp(own))
            seen = own * (1.0 + scale, 1.0, 0.998) + (0.0, 0.0, bias * 0.05)
            seen[0] += 0.002 * np.sqrt(ahead / TICKS) * rng.normal()
            twist.append(seen)
            reference.append(np.full(3, np.nan))
        for which, length in slips:
            twist[-TICKS // 2][0] += length * (which == leg)
        reference[-1] = at + np.array(SPREAD) * rng.normal(size=3)
    places = np.array(reference)
    if blind:
        places[:, 2] = np.nan
    return Track(f"run {seed}", 0.05 * np.arange(len(places)), np.array(twist), places)


def given(track: Track, other: Track) -> Track:
    """Return a run with the poses of another, at the other's times."""
    known = np.flatnonzero(np.isfinite(other.reference[:, 0]))
    reference = np.full_like(track.reference, np.nan)
    reference[known] = other.reference[known]
    return replace(track, reference=reference)


def whose(tracks) -> dict[int, int]:
    """Return which runs have whose poses."""
    found = exchanged_poses([logged_run(track, SPREAD) for track in tracks])
    return {each.run: each.poses_of for each in found}


def five(seed=0):
    """Return runs of one drive, each with its own wheel, walk and tape."""
    return [a_run(seed + i) for i in range(5)]


@pytest.mark.parametrize("pair", [(0, 1), (1, 4)])
def test_err_two_that_are_exchanged(pair):
    """Those two and no other, whatever other runs there are."""
    tracks = five()
    i, j = pair
    tracks[i], tracks[j] = given(tracks[i], tracks[j]), given(tracks[j], tracks[i])
    assert whose(tracks) == {i: j, j: i}
    assert whose([tracks[i], tracks[j]]) == {0: 1, 1: 0}


def test_err_three_in_a_circle():
    """Each has the poses of the next; they are one circle."""
    tracks = five(20)
    mixed = [given(tracks[0], tracks[2]), tracks[1], given(tracks[2], tracks[4]), tracks[3]]
    mixed.append(given(tracks[4], tracks[0]))
    found = exchanged_poses([logged_run(track, SPREAD) for track in mixed])
    assert {each.run: each.poses_of for each in found} == {0: 4, 4: 2, 2: 0}
    (circle,) = cycles(found)
    assert [each.run for each in circle] == [0, 4, 2]


def test_law_sound_runs_have_their_own():
    """Nor are slips, wrong poses, and few or blind ones taken for an exchange."""
    for seed in (0, 10):
        tracks = five(seed)
        assert whose(tracks) == {}
        tracks[0] = a_run(seed, slips=[(2, 0.15), (6, -0.3)])
        assert whose(tracks) == {}
        tracks[1], _ = mistyped(tracks[1], 4, lambda p: p + np.array((0.07, 0.0, 0.0)))
        assert whose(tracks) == {}
    assert whose([a_run(i, blind=True) for i in range(3)]) == whose([a_run(0)]) == whose([]) == {}


def test_law_runs_of_other_times_have_nothing_to_exchange():
    """Poses that were measured while the other did not run are not its own."""
    tracks = five()[:2]
    later = replace(tracks[1], time_s=tracks[1].time_s + 1000.0)
    assert whose([tracks[0], later]) == {}


def test_err_said_once_with_both_files():
    """DG626 at the first, an error, and no pose lies apart beside it."""
    tracks = five()
    tracks[1], tracks[3] = given(tracks[1], tracks[3]), given(tracks[3], tracks[1])
    (found,) = check_logs([log_of(track, name=f"{i}.csv") for i, track in enumerate(tracks)], None)
    assert (found.code, found.level, found.path, found.line) == ("DG626", "error", "1.csv", 4)
    assert found.code in RULES
    assert "those in 3.csv fit the run 1.csv, those in 1.csv fit the run 3.csv" in found.message
    assert found.suggestion.startswith("exchange 1.csv and 3.csv")
    sound = [log_of(track, name=f"{i}.csv") for i, track in enumerate(five())]
    assert check_logs(sound, None) == []
