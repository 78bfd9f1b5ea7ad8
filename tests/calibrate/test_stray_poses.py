"""Mistyped reference poses are told from slips of the odometry. All runs are invented."""

from __future__ import annotations

import math

import numpy as np
import pytest

from driftgate.calibrate.chain import logged_run
from driftgate.calibrate.log_checks import check_logs
from driftgate.calibrate.stray_poses import stray_poses
from driftgate.calibrate.windows import Track
from driftgate.core.pose import compose, exp
from driftgate.logs.part import read_part
from driftgate.logs.read import _joined
from driftgate.logs.table import table_of

DEG = math.pi / 180.0
SPREAD = (0.002, 0.002, 0.4 * DEG)
# Legs of one drive: ahead [m], turn [deg], from pause to pause.
LEGS = ((2.0, 0), (0, 90), (1.0, 0), (0, 90), (1.5, 90), (0, -180), (1.0, -90), (1.2, 0), (0, 180), (1.0, 0))
TICKS = 40


def a_run(seed, slips=(), scale=0.01, blind=False, walk=0.003):
    """Return the track of one drive: a wheel a little off, walks, a tape; slips are (leg, length, turn)."""
    rng = np.random.default_rng(seed)
    at = np.array([0.7, 0.9, 0.0])
    scale = scale + 0.002 * rng.normal()
    bias = 0.03 * DEG * rng.normal()
    twist, reference = [], [_taped(at, rng)]
    for leg, (ahead, turn) in enumerate(LEGS):
        for _ in range(TICKS):
            own = np.array([ahead / TICKS, 0.0, turn * DEG / TICKS])
            at = compose(at, exp(own))
            seen = own * (1.0 + scale, 1.0, 0.995) + (0.0, 0.0, bias * 0.05)
            seen[0] += walk * math.sqrt(ahead / TICKS) * rng.normal()
            seen[2] += 0.1 * DEG * math.sqrt(abs(own[2])) * rng.normal()
            twist.append(seen)
            reference.append(np.full(3, np.nan))
        for which, length, angle in slips:
            if which == leg:
                twist[-TICKS // 2] += (length, 0.0, angle * DEG)
        reference[-1] = _taped(at, rng)
    places = np.array(reference)
    if blind:
        places[:, 2] = np.nan
    return Track(f"run {seed}", 0.05 * np.arange(len(places)), np.array(twist), places)


def _taped(at, rng):
    return at + np.array(SPREAD) * rng.normal(size=3)


def mistyped(track, pose, change):
    """Return the track with one of its poses changed, and that pose's row."""
    row = int(np.flatnonzero(np.isfinite(track.reference[:, 0]))[pose])
    reference = track.reference.copy()
    reference[row] = change(reference[row])
    return Track(track.name, track.time_s, track.twist, reference), row


def found(tracks):
    """Return what lies apart in runs."""
    return stray_poses([logged_run(track, SPREAD) for track in tracks])


SLIPS_OF_PEN = {
    "x by 10 cm": lambda p: p + np.array((0.1, 0.0, 0.0)),
    "y by 10 cm": lambda p: p - np.array((0.0, 0.1, 0.0)),
    "x by 1 m": lambda p: p + np.array((1.0, 0.0, 0.0)),
    "exchanged": lambda p: p[[1, 0, 2]],
    "quarter turn": lambda p: p + np.array((0.0, 0.0, math.pi / 2)),
    "half a turn": lambda p: p + np.array((0.0, 0.0, math.pi)),
}


@pytest.mark.parametrize("kind", SLIPS_OF_PEN)
def test_err_a_mistyped_pose_is_found_wherever_it_is(kind):
    """Each pose but those at the ends, among three runs: that pose, by that much, and no other."""
    for pose in (1, 4, len(LEGS) - 1):
        tracks = [a_run(seed) for seed in range(3)]
        tracks[2], row = mistyped(tracks[2], pose, SLIPS_OF_PEN[kind])
        (stray,) = found(tracks)
        assert (stray.run, stray.rows) == (2, (row,))
        right = np.array(mistyped(a_run(2), pose, lambda p: p)[0].reference[row])
        off = SLIPS_OF_PEN[kind](right) - right
        assert np.hypot(*(off - stray.off)[:2]) < 0.03
        assert abs(math.remainder(off[2] - stray.off[2], math.tau)) < 3.0 * DEG


def test_err_of_one_run_alone():
    """No other run need say how good the odometry is; nor need headings be measured."""
    for blind in (False, True):
        track, row = mistyped(a_run(1, blind=blind), 3, SLIPS_OF_PEN["x by 10 cm"])
        assert [stray.rows for stray in found([track])] == [(row,)]


def test_err_two_poses_that_are_off_by_the_same():
    """One slip of the tape's own, at two poses one after the other."""
    track, first = mistyped(a_run(0), 4, SLIPS_OF_PEN["x by 10 cm"])
    track, second = mistyped(track, 5, SLIPS_OF_PEN["x by 10 cm"])
    (stray,) = found([track, a_run(1), a_run(2)])
    assert stray.rows == (first, second)
    assert stray.off[0] == pytest.approx(0.1, abs=0.02)


def test_law_sound_runs_have_none():
    """However many, with whatever wheel, noise and headings."""
    for seed in range(0, 30, 5):
        own = {"scale": 0.03 * math.sin(seed), "walk": 0.002 + 0.0005 * seed, "blind": seed % 2 == 1}
        assert found([a_run(seed + k, **own) for k in range(1 + seed % 3)]) == []


@pytest.mark.parametrize("length", [-0.4, 0.06, 0.15])
def test_law_a_slip_is_not_blamed_on_a_pose(length):
    """A wheel that spun, or a bump that turned the robot too, shifts all later poses."""
    for leg, turn in ((0, 0.0), (2, 8.0), (6, 0.0), (len(LEGS) - 1, 8.0)):
        assert found([a_run(5, slips=[(leg, length, turn)]), a_run(6)]) == []


def test_law_two_slips_are_not_blamed_on_the_pose_between():
    """Nor on the poses, where the second one does not undo the first."""
    for second in (-0.02, 0.08, 0.25):
        assert found([a_run(3, slips=[(2, 0.12, 0.0), (4, second, 0.0)]), a_run(4)]) == []


def test_law_wheels_that_slip_at_every_start_are_no_slips_of_the_pen():
    """Out and back alike, where the odometry from both sides has the robot too far out."""
    slips = [(leg, 0.04, 0.0) for leg, (ahead, _) in enumerate(LEGS) if ahead]
    assert found([a_run(seed, slips=slips) for seed in range(3)]) == []


def test_err_the_heading_of_a_first_or_last_pose():
    """No slip of a wheel turns a gyro by a quarter; one of 10 cm is not told from a slip, nor blamed."""
    for pose, end in ((0, "first"), (len(LEGS), "last")):
        track, row = mistyped(a_run(2), pose, SLIPS_OF_PEN["quarter turn"])
        (stray,) = found([a_run(1), track])
        assert (stray.run, stray.rows, stray.end) == (1, (row,), end)
        assert abs(stray.off[2]) == pytest.approx(math.pi / 2, abs=0.1)
        (fault,) = check_logs([log_of(track)], None)
        assert (fault.code, fault.level) == ("DG625", "error")
        assert fault.message.startswith(f"the {end} pose lies ")
        for by in (0.1, -0.2):
            track, _ = mistyped(a_run(2), pose, lambda p, by=by: p + np.array((by, 0.0, 0.0)))
            assert found([a_run(1), track]) == []


def test_law_too_few_poses_say_nothing():
    """Of a run with two poses either may be wrong."""
    track = a_run(0)
    known = np.flatnonzero(np.isfinite(track.reference[:, 0]))
    track.reference[known[2:]] = np.nan
    assert found([mistyped(track, 1, SLIPS_OF_PEN["x by 1 m"])[0]]) == []
    assert found([]) == []


def log_of(track, unit="cm", name="run.csv", shift=lambda pose: pose):
    """Return a log of a track, its places in such a unit."""
    factor = {"m": 1.0, "cm": 100.0}[unit]
    heading = np.degrees(np.concatenate([[0.0], np.cumsum(track.twist[:, 2])]))
    rows = [
        f"# driftgate log: 1\n# origin: measured\n# reference spread: 2 mm, 2 mm, 0.4 deg\n"
        f"time [s],forward [m],heading [deg],reference x [{unit}],reference y [{unit}],"
        "reference heading [deg],reference by"
    ]
    ahead = np.concatenate([[0.0], track.twist[:, 0]])
    for i, time in enumerate(track.time_s):
        pose = ",,,"
        if np.isfinite(track.reference[i, 0]):
            x, y, th = shift(track.reference[i])
            pose = f"{factor * x:.4f},{factor * y:.4f},{math.degrees(th):.2f},tape"
        rows.append(f"{time:.2f},{ahead[i]:.6f},{heading[i]:.4f},{pose}")
    part = read_part(table_of("\n".join(rows) + "\n", name))
    assert part is not None
    return _joined([part], [])


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("x by 10 cm", "look at 'reference x': about "),
        ("y by 10 cm", "look at 'reference y': about "),
        ("exchanged", "it would fit with x and y exchanged"),
        ("quarter turn", "its heading is off by 90 deg"),
        ("half a turn", "its heading is off by 180 deg"),
    ],
)
def test_err_the_line_and_what_was_meant(kind, words):
    """DG625 at the line of the pose; the advice has the number that would fit in the column's unit."""
    track, row = mistyped(a_run(0), 4, SLIPS_OF_PEN[kind])
    (fault,) = check_logs([log_of(a_run(1)), log_of(track, name="two.csv")], None)
    assert (fault.code, fault.path, fault.line, fault.level) == ("DG625", "two.csv", row + 5, "error")
    assert words in fault.suggestion
    assert "leave the cells of this pose blank" in fault.suggestion
    assert fault.excerpt.endswith(",tape")
    if "about" in words:
        axis = 0 if "'reference x'" in words else 1
        number, unit = fault.suggestion.split("about ")[1].split()[:2]
        assert unit == "cm"
        assert float(number) == pytest.approx(100.0 * a_run(0).reference[row, axis], abs=2.0)
    # What the advice says mends it.
    track.reference[row] = np.nan
    assert check_logs([log_of(a_run(1)), log_of(track, name="two.csv")], None) == []
