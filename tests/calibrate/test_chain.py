"""Chains of windows: their covariance is that of simulated runs, and turns on the spot are known."""

from __future__ import annotations

import numpy as np
import pytest
from drives import integrate, weaving

from driftgate.calibrate.chain import MOST_POSES, WALKS, block_of, logged_run
from driftgate.calibrate.windows import Track
from driftgate.predict.increments import drift_constants, true_increment

KEYS = ["distance_scale", "heading_bias", "crab_angle"]
DT = 0.05


def _track(twist: np.ndarray, reference: np.ndarray, every: int) -> Track:
    seen = np.full_like(reference, np.nan)
    seen[::every] = reference[::every]
    return Track("made up", DT * np.arange(len(twist) + 1), twist, seen)


def test_mc_covariance_is_that_of_simulated_runs():
    """2000 runs with walks, a scale that varies and references that jitter scatter as the chain says.

    In the middle third the robot goes sideways, and its wheels' walks stay along their own axes.
    """
    rng = np.random.default_rng(3)
    twist = weaving(120, seed=2, step_m=0.05)
    twist[40:80, :2] = twist[40:80, 1::-1]
    scale_sd, walk, jitter = 0.01, (0.003, 0.006, 0.003), (0.003, 0.004)
    parts = [*WALKS[:3], "jitter:position", "jitter:heading", "spread:distance_scale"]
    sds = np.array([*walk, *jitter, scale_sd])
    errors = []
    for _ in range(2000):
        scale = rng.normal(0.0, scale_sd)
        values = drift_constants(
            lambda key, scale=scale: np.asarray(scale if key == "distance_scale" else 0.0)
        )
        root = np.sqrt(np.hypot(twist[:, 0], twist[:, 1]))
        noise = tuple(sd * root * rng.normal(size=len(twist)) for sd in walk)
        true = np.stack(true_increment(*twist.T, np.full(len(twist), DT), values, noise), axis=-1)
        reference = integrate(true)
        reference[:, :2] += jitter[0] * rng.normal(size=reference[:, :2].shape)
        reference[:, 2] += jitter[1] * rng.normal(size=len(reference))
        run = logged_run(_track(twist, reference, 30), None)
        block = block_of(run, {"sideways_scale": 0.0}, KEYS, parts)
        errors.append(block.error)
    predicted = block.known + np.tensordot(sds**2, block.parts, axes=1)
    sampled = np.cov(np.array(errors).T)
    whiten = np.linalg.inv(np.linalg.cholesky(predicted))
    # Whitened it is the identity, each entry within five standard errors of at most sqrt(2 / 2000).
    assert whiten @ sampled @ whiten.T == pytest.approx(np.eye(len(predicted)), abs=5.0 * np.sqrt(2 / 2000))


def test_law_turns_on_the_spot_are_known_although_the_wheel_counts():
    """A wheel off its place counts in a turn on the spot, and the robot does not travel in it."""
    count = 40
    turn = np.tile([0.0005, 0.0, 0.1], (count, 1))
    drive = np.tile([0.05, 0.0, 0.0], (count, 1))
    slow = np.tile([0.001, 0.0, 0.0], (count, 1))
    twist = np.concatenate([drive, turn, slow])
    track = Track("made up", DT * np.arange(len(twist) + 1), twist, integrate(twist))
    travelling = track.travelling
    assert travelling[: count - 3].all()
    assert not travelling[count + 3 : 2 * count - 3].any()
    # Creeping straight ahead is travel all the same.
    assert travelling[2 * count + 3 :].all()


def test_law_many_references_are_thinned_out_evenly():
    """A camera's poses are thinned to what a fit can carry; first and last stay."""
    twist = weaving(400, step_m=0.05)
    run = logged_run(_track(twist, integrate(twist), 1), (0.001, 0.001, 0.01))
    known = np.flatnonzero(np.isfinite(run.track.reference[:, 0]))
    assert run.poses == MOST_POSES
    assert (known[0], known[-1]) == (0, len(twist))
    assert np.ptp(np.diff(known)) <= 1
