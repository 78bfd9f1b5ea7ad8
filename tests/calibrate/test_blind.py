"""Reference places without a heading: what they say is found, and no more is claimed."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from closing import REFERENCE, RUNS, calibration_case
from drives import integrate
from scipy import stats

from driftgate.calibrate.blind import ALL_BLIND_RAD, BLIND_RAD, with_headings
from driftgate.calibrate.chain import block_of, logged_run
from driftgate.calibrate.drift_fit import fit_drift
from driftgate.calibrate.tracks import track_of
from driftgate.calibrate.windows import Track
from driftgate.core.pose import wrap_angles
from driftgate.predict.logged import sample_runs

SEEDS = (21, 22)


def zigzag(rows=200, every=20, course=0.4):
    """Return the measured twists of a winding way and the true poses, every so many rows measured."""
    turn = 0.04 * np.sin(np.linspace(0.0, 9.0, rows))
    twist = np.stack([np.full(rows, 0.02), np.zeros(rows), turn], axis=-1)
    path = integrate(twist)
    c, s = math.cos(course), math.sin(course)
    true = np.column_stack(
        [c * path[:, 0] - s * path[:, 1] + 1.0, s * path[:, 0] + c * path[:, 1] - 2.0, path[:, 2] + course]
    )
    reference = np.full_like(true, np.nan)
    reference[::every] = true[::every]
    return Track("zigzag", 0.02 * np.arange(rows + 1), twist, reference), true


def blanked(track, keep=()):
    """Return a track without the headings of its reference, but for some rows."""
    reference = track.reference.copy()
    rows = np.setdiff1d(np.arange(len(reference)), keep)
    reference[rows, 2] = np.nan
    return replace(track, reference=reference)


@pytest.mark.parametrize("keep", [(), (0,), (100,)])
def test_law_of_a_run_without_errors_the_headings_come_out(keep):
    """From the places alone, or from one heading that was measured and the gyro."""
    track, true = zigzag()
    reference, blind = with_headings(blanked(track, keep))
    rows = np.flatnonzero(np.isfinite(track.reference[:, 0]))
    assert np.abs(wrap_angles(reference[rows, 2] - true[rows, 2])).max() < 1e-9
    assert np.flatnonzero(blind).tolist() == sorted(set(rows.tolist()) - set(keep))


def test_law_headings_that_were_measured_are_left_alone():
    """Nothing is put in where there is nothing to put in."""
    track, _ = zigzag()
    reference, blind = with_headings(track)
    assert np.array_equal(reference, track.reference, equal_nan=True)
    assert not blind.any()


def test_law_places_at_one_spot_get_no_heading():
    """A robot that did not move has not shown how it faces."""
    track, _ = zigzag(rows=4, every=2)
    reference, blind = with_headings(blanked(track))
    assert not np.isfinite(reference[:, 2]).any()
    assert not blind.any()
    assert logged_run(blanked(track), None).poses == 0


def test_law_a_heading_put_in_is_as_good_as_unknown():
    """However the place was come to, the variance of a turn between two such poses is that of both."""
    track, _ = zigzag()
    block = block_of(logged_run(blanked(track), None), {}, ["distance_scale"], ["distance_walk"])
    turned = np.diag(block.known)[2::3]
    assert turned == pytest.approx(2.0 * BLIND_RAD**2, rel=1e-3)
    # To one that was measured they are all off together besides.
    block = block_of(logged_run(blanked(track, (100,)), None), {}, ["distance_scale"], ["distance_walk"])
    turned = np.diag(block.known)[2::3]
    between = BLIND_RAD**2 + ALL_BLIND_RAD**2
    assert np.sort(turned) == pytest.approx(
        [2.0 * BLIND_RAD**2] * (len(turned) - 2) + [between] * 2, rel=1e-3
    )


@pytest.fixture(scope="module")
def fits():
    """Return for each seed what six calibration drives put in, and their fits with and without headings."""
    case = calibration_case()
    found = []
    for seed in SEEDS:
        sampled = sample_runs(case, RUNS, seed, REFERENCE)
        tracks = [track_of(run.log) for run in sampled]
        spread = sampled[0].log.reference_spread
        with_, without = (
            fit_drift([logged_run(t, spread) for t in each], case.case.robot.errors, 0.95)
            for each in (tracks, [blanked(t) for t in tracks])
        )
        found.append((sampled[0].drawn, with_, without))
    return found


def test_mc_intervals_without_headings_hold_what_was_put_in(fits):
    """Of the means and noises of all seeds no more miss than chance allows once in a thousand times."""
    errors = calibration_case().case.robot.errors
    held = []
    for drawn, _, fit in fits:
        for constant in fit.constants:
            source = getattr(errors, constant.usual.field)
            key = constant.usual.key
            truth = (
                drawn[key] if source.constant_over == "robot" else getattr(source, constant.usual.names[0])
            )
            truth -= errors.lateral_slip.with_speed if key == "heading_latency" else 0.0
            low, high = constant.mean.interval(0.95)
            held.append(low <= truth <= high)
        for noise in fit.noises:
            truth = (
                getattr(getattr(errors, noise.usual.field), noise.usual.name) if noise.usual.field else 0.0
            )
            held.append(noise.size.low <= truth <= noise.size.high)
    assert len(held) >= 24
    assert held.count(False) <= stats.binom(len(held), 0.05).ppf(0.999)


def test_law_headings_are_missed_where_they_matter_and_nowhere_else(fits):
    """The crab angle is lost, which turns every way alike; distances are known as well as with headings."""
    for _, with_, without in fits:
        assert (with_.headings, without.headings) == (with_.poses, 0)
        one, other = ({c.usual.key: c for c in fit.constants} for fit in (with_, without))
        assert one["crab_angle"].known
        assert not other["crab_angle"].known
        # Runs and places without number would add nothing to what was thought before.
        assert other["crab_angle"].mean.error > 0.95 * other["crab_angle"].usual.size
        assert not any(s.path[-1] == "crab_angle" for s in without.sources)
        assert any(
            words.startswith("crab angle: straights with a reference, heading") for words in without.missing
        )
        for key in ("distance_scale", "wheel_offset", "heading_bias", "heading_scale"):
            assert other[key].known
            assert other[key].mean.error < 2.0 * one[key].mean.error
        assert other["distance_scale"].mean.error == pytest.approx(one["distance_scale"].mean.error, rel=0.1)
        assert {n.usual.key for n in without.noises}.isdisjoint({"jitter:heading"})


def test_law_how_unknown_hardly_matters(fits, monkeypatch):
    """Twice as unknown gives the same, so that nothing rests on the headings put in."""
    case = calibration_case()
    tracks = [blanked(track_of(run.log)) for run in sample_runs(case, RUNS, SEEDS[0], REFERENCE)]
    monkeypatch.setattr("driftgate.calibrate.chain.BLIND_RAD", 2.0 * BLIND_RAD)
    wider = fit_drift([logged_run(t, REFERENCE.spread) for t in tracks], case.case.robot.errors, 0.95)
    for one, other in zip(fits[0][2].constants, wider.constants, strict=True):
        if one.known:
            assert abs(one.mean.value - other.mean.value) < 0.1 * one.mean.error
            assert other.mean.error == pytest.approx(one.mean.error, rel=0.1)
