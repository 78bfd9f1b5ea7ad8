"""The correction run again: against a plain filter of its own, and its settings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drives import drive, weaving

from driftgate.calibrate.beacons import expect_point, true_ranges
from driftgate.calibrate.correction_score import score_correction, scored_poses
from driftgate.calibrate.perturb import starts, with_errors, with_false
from driftgate.calibrate.replay import replay
from driftgate.calibrate.tracks import Ranges
from driftgate.calibrate.windows import Track
from driftgate.predict.filter_model import FilterModel
from driftgate.predict.values import Outcome
from driftgate.report.backtest_replay import replay_lines
from driftgate.run.corrected import correction_row
from driftgate.schema.correction import Correction, Gate, Persistence, Update, WayBack

PLACES = np.array([[4.0, 3.0], [-2.0, 6.0], [1.0, -5.0]])
MODEL = FilterModel(
    (0.02, 0.02, 0.01), 0.01, 0.03, 0.004, 0.0, 0.0, (0.05, 0.05, 0.05), (0.0, 0.0, 0.0), 0.0, 0.0
)
GATED = Correction(
    update=Update(law="kalman"), gate=Gate(sigmas=3.0),
    way_back=WayBack(refusals=4, factor=10.0, lost_after=6),
)  # fmt: skip


def _run(count: int = 1500, seed: int = 1):
    track = drive(weaving(count, seed), walks=(0.01, 0.03, 0.004), seed=seed)
    rng = np.random.default_rng(seed)
    time = track.time_s[3:-1:3] + 0.037
    ranges = Ranges(time, np.arange(len(time)) % 3, np.zeros(len(time)))
    true = true_ranges(track, ranges, PLACES)
    return track, Ranges(time, ranges.source, true + 0.05 * rng.normal(size=len(time))), true


def _expecting(source, time_s, pose):
    return expect_point(pose, source, tuple(PLACES[source]), (0.0, 0.0)), Outcome.ACCEPTED


def _replayed(track, ranges, correction=GATED, start=None):
    start = track.reference[:1] if start is None else start
    return replay(track, track.twist, ranges, _expecting, MODEL, correction, start, 3)


def test_a_limit_on_fixes_counts_turns_by_the_outline():
    """With an outline that reaches 2 m a fix may turn the belief by no more than its limit over 2 m."""
    track, ranges, _ = _run(300)
    limited = Correction(update=Update(law="kalman", largest_move="10 mm"))
    start = track.reference[:1] + np.array([0.0, 0.0, 0.3])
    model = FilterModel(
        (0.02, 0.02, 0.3), 0.01, 0.03, 0.004, 0.0, 0.0, (0.05, 0.05, 0.05), (0.0, 0.0, 0.0), 0.0, 0.0
    )
    turned = []
    for reach_m in (0.0, 2.0):
        done = replay(track, track.twist, ranges, _expecting, model, limited, start, 3, reach_m)
        turned.append(np.abs(np.diff(done.belief[:, 2, 0]) - track.twist[:, 2]).max())
    assert turned[1] <= 0.01 / 2.0 + 1e-9 < turned[0]


def _plain_filter(track, ranges):
    """Return the end pose and covariance of a filter in matrices; shares no code with the product."""
    x, p = track.reference[0].copy(), np.diag(np.square(MODEL.start_sd))
    events = sorted(
        [(t, 0, k) for k, t in enumerate(track.time_s[1:])] + [(t, 1, i) for i, t in enumerate(ranges.time_s)]
    )
    now, k = track.time_s[0], 0
    for t, kind, i in events:
        share = (t - now) / (track.time_s[k + 1] - track.time_s[k])
        ds, turn = share * track.twist[k, 0], share * track.twist[k, 2]
        if share > 0.0:
            radius = ds / turn if abs(turn) > 1e-12 else None
            ahead, left = (
                (ds, 0.0) if radius is None else (radius * np.sin(turn), radius * (1 - np.cos(turn)))
            )
            c, s = np.cos(x[2]), np.sin(x[2])
            step = np.array([c * ahead - s * left, s * ahead + c * left])
            f = np.eye(3)
            f[0, 2], f[1, 2] = -step[1], step[0]
            u = step / np.hypot(*step)
            n = np.array([-u[1], u[0]])
            q = np.zeros((3, 3))
            q[:2, :2] = ds * (0.01**2 * np.outer(u, u) + 0.03**2 * np.outer(n, n))
            q[2, 2] = 0.004**2 * ds
            p = f @ p @ f.T + q
            x = x + np.array([*step, turn])
        now = t
        if kind == 0:
            k = i + 1
            continue
        d = x[:2] - PLACES[ranges.source[i]]
        r = np.hypot(*d)
        h = np.array([*(d / r), 0.0])
        innovation, size = ranges.reading_m[i] - r, h @ p @ h + 0.05**2
        if innovation**2 <= 9.0 * size:
            gain = p @ h / size
            x, p = x + gain * innovation, (np.eye(3) - np.outer(gain, h)) @ p
    return x, p


def test_the_product_is_a_kalman_filter():
    """On clean readings it ends where a plain extended Kalman filter ends."""
    track, ranges, _ = _run()
    found = _replayed(track, ranges)
    x, p = _plain_filter(track, ranges)
    assert found.belief[-1, :, 0] == pytest.approx(x, abs=1e-9)
    assert found.cov[-1, :, 0] == pytest.approx(p[np.triu_indices(3)], abs=1e-12)


def test_a_right_filter_is_calibrated():
    """Its own regions hold the truth as often as they say, and it beats dead reckoning."""
    track, ranges, _ = _run(4000)
    found = score_correction(track, _replayed(track, ranges), None, track.reference[:, :2] + 1.0)
    assert found.word == "calibrated"
    assert found.good_refused is not None
    assert found.good_refused < 0.01
    assert found.rmse_m[0] < 0.15


def test_seeds_are_a_batch():
    """Each seed of a batch is what it is alone."""
    track, ranges, true = _run()
    seeds = [3, 4, 5]
    replaced, false = with_false(ranges, true, 0.2, seeds)
    together = _replayed(track, replaced, start=np.repeat(track.reference[:1], 3, axis=0))
    for i, seed in enumerate(seeds):
        one, mark = with_false(ranges, true, 0.2, [seed])
        assert np.array_equal(mark[:, 0], false[:, i])
        alone = _replayed(track, one)
        assert np.array_equal(alone.belief[..., 0], together.belief[..., i])
        assert np.array_equal(alone.outcome[:, 0], together.outcome[:, i])


def test_false_readings_are_refused():
    """Replaced readings lie before the true range; nearly all fall to the gate."""
    track, ranges, true = _run()
    replaced, false = with_false(ranges, true, 0.2, [1, 2])
    assert false.mean() == pytest.approx(0.2, abs=0.04)
    found = _replayed(track, replaced, start=np.repeat(track.reference[:1], 2, axis=0))
    score = score_correction(track, found, false, track.reference[:, :2])
    assert score.false_refused is not None
    assert score.false_refused > 0.95
    assert score.outcomes["gate"] >= 0.95 * false.sum()


def test_a_wrong_start_locks_out_without_a_way_back():
    """A gate alone refuses everything for ever; the way back finds home, or says that it is lost."""
    track, ranges, _ = _run()
    start = starts(track.reference[0], 1.0, 0.1, 4)
    locked = Correction(update=Update(law="kalman"), gate=Gate(sigmas=3.0))
    alone = track.reference[:, :2]
    without = score_correction(track, _replayed(track, ranges, locked, start), None, alone)
    back = score_correction(track, _replayed(track, ranges, GATED, start), None, alone)
    assert without.rmse_m.max() > 1.0
    assert without.said_lost == 0
    assert np.median(back.rmse_m) < 0.4
    assert back.rmse_m.mean() < 0.5 * without.rmse_m.mean()
    far = starts(track.reference[0], 50.0, 0.2, 1)
    assert _replayed(track, ranges.pick(slice(0, 12)), GATED, far).lost.all()


def test_persistence_holds_readings_back():
    """The first of each beacon's readings is not used."""
    track, ranges, _ = _run(300)
    held = GATED.model_copy(update={"persistence": Persistence(readings=2)})
    found = _replayed(track, ranges, held)
    assert (found.outcome == Outcome.HELD_BACK).sum() >= 3
    assert np.all(found.outcome[:3, 0] == Outcome.HELD_BACK)


def test_missing_readings_and_readings_outside():
    """Nothing came back: no echo. Before the start or after the end: not looked at."""
    track, ranges, _ = _run(300)
    reading = ranges.reading_m.copy()
    reading[5] = np.nan
    time = ranges.time_s.copy()
    time[-1] = track.time_s[-1] + 9.0
    found = _replayed(track, Ranges(time, ranges.source, reading))
    assert found.outcome[5, 0] == Outcome.NO_ECHO
    assert found.outcome[-1, 0] == -1


def test_known_errors_are_what_was_asked_for():
    """Scale and bias exactly, walks with their variance; another seed, another walk."""
    track = drive(weaving(4000))
    scaled = with_errors(track, {"distance_scale": 0.03, "heading_bias": 0.01}, 1)
    assert scaled.distance_m[-1] == pytest.approx(1.03 * track.distance_m[-1])
    assert scaled.twist[:, 2] == pytest.approx(track.twist[:, 2] + 0.001)
    root = np.sqrt(np.hypot(*track.twist[:, :2].T))
    walked = [
        with_errors(track, {"distance_walk": 0.04, "heading_walk": 0.01}, seed).twist for seed in (1, 2)
    ]
    for axis, size in ((0, 0.04), (2, 0.01)):
        draws = [(w[:, axis] - track.twist[:, axis]) / root for w in walked]
        assert np.std(draws[0]) == pytest.approx(size, rel=0.05)
        assert abs(np.corrcoef(draws[0], draws[1])[0, 1]) < 0.06


def _stops(tick_m: float = 0.0, times: int = 1):
    """Return a drive of four stretches with 2 s stops before, between and after, and a pose at each stop."""
    stop, stretch = np.zeros((20, 3)), np.tile([0.03, 0.0, 0.01], (20, 1))
    spin = np.tile([0.0, 0.0, 0.05], (20, 1))
    twist = np.concatenate([stop, *(part for leg in (stretch, spin, stretch, spin) for part in (leg, stop))])
    track = drive(twist)
    twist = twist.copy()
    last = np.arange(19, len(twist), 40)
    twist[last, 0] += tick_m
    measured = np.zeros(len(track.time_s), dtype=bool)
    for before in range(times):
        measured[last + 1 - before] = True
    reference = np.where(measured[:, None], track.reference, np.nan)
    return Track(track.name, track.time_s, twist, reference), last + 1


@pytest.mark.parametrize("tick_m", [0.0, -0.000075, 0.002])
def test_a_tick_of_an_encoder_is_no_motion(tick_m):
    """Poses by tape at stops are all scored, whether or not the wheel counts a tick; a spin is motion."""
    track, stops = _stops(tick_m)
    assert np.flatnonzero(scored_poses(track)).tolist() == stops.tolist()
    track, _ = _stops()
    only = np.full_like(track.reference, np.nan)
    only[stops[2]] = track.reference[stops[2]]
    ticked = Track(track.name, track.time_s, track.twist + np.array([0.1 * tick_m, 0.0, 0.0]), only)
    assert np.flatnonzero(scored_poses(ticked)).tolist() == [stops[2]]


def test_a_standstill_is_scored_once():
    """By the last pose measured in it; of poses measured while driving each one is."""
    track, stops = _stops(times=7)
    assert np.isfinite(track.reference[:, 0]).sum() == 7 * len(stops)
    assert np.flatnonzero(scored_poses(track)).tolist() == stops.tolist()
    moving = drive(weaving(50, step_m=0.02))
    assert scored_poses(moving).all()
    assert not scored_poses(Track("none", moving.time_s, moving.twist, moving.reference * np.nan)).any()


def test_runs_scored_at_so_many_poses_are_said_so():
    """One number where all runs have the same, else from which to which."""
    track, ranges, _ = _run(300)
    score = score_correction(track, _replayed(track, ranges), None, track.reference[:, :2])
    rows = [correction_row(f"run {n}", GATED, True, replace(score, poses=n)) for n in (11, 1, 4)]
    assert "  1 seed, 1 to 11 measured poses each; dead" in "\n".join(replay_lines(rows))
    assert "  1 seed, 1 measured pose each; dead" in "\n".join(replay_lines(rows[1:2]))
