"""Errors of windows: against exact arcs, finite differences and the closed forms of the trade."""

from __future__ import annotations

import numpy as np
import pytest
from drives import drive, integrate, weaving

from driftgate.calibrate.dead_reckoning import DRIFT_KEYS, reckon, segments
from driftgate.calibrate.windows import Windows, windows_of

KELLY = pytest.mark.evidence(
    source="Kelly 2004 (derived); Chong and Kleeman 1997",
    compares="noise of windows of a log, straight and arc",
    tolerance="1e-6 to 2e-5",
)

ONE = np.ones(1)
_SOME = {
    "distance_scale": 0.02, "heading_bias": 0.004, "heading_scale": -0.01, "wheel_offset": 0.02,
    "crab_angle": -0.02, "heading_latency": 0.03, "lateral_slip:turn": 0.01, "lateral_slip:speed": -0.02,
}  # fmt: skip


def _whole(track):
    end = len(track.twist)
    return Windows(np.array([0]), np.array([end]), ONE, ONE, np.zeros(1, dtype=np.intp))


def test_the_path_is_that_of_exact_arcs():
    """Sums of chords are the composition of arcs."""
    track = drive(weaving(200))
    assert np.allclose(reckon(track, {})[0], integrate(track.twist), atol=1e-12)


def test_a_model_that_is_right_leaves_no_error():
    """With the constants that the truth has, windows end where they should."""
    track = drive(weaving(300), constants=_SOME)
    found = segments(track, windows_of(track, [3.0, 9.0], 1.0), _SOME)
    assert len(found) > 20
    assert np.abs(found.error).max() < 1e-9


@pytest.mark.parametrize("key", DRIFT_KEYS)
def test_columns_are_the_derivatives(key: str):
    """Sensitivities against central differences, about a model far from zero."""
    twist = weaving(300)
    twist[:, 1] = 0.03 * np.cos(0.1 * np.arange(300))
    track = drive(twist)
    windows = windows_of(track, [4.0, 12.0], 3.0)
    assumed = {"sideways_scale": 0.01, **_SOME}
    h = 1e-5
    ends = []
    for sign in (1.0, -1.0):
        values = {**assumed, key: assumed[key] + sign * h}
        truth = drive(twist, constants=values)
        ends.append(segments(truth, windows, assumed).error)
    found = segments(track, windows, assumed).columns.get(key)
    assert found is not None
    assert np.allclose(found, (ends[0] - ends[1]) / (2 * h), atol=1e-6)


@KELLY
def test_ref_straight_line():
    """Kelly, IJRR 23(2) (2004), section 9.1; the growth laws also in Kleeman, MECSE-95-1 (1995), p. 7."""
    length, n = 10.0, 1000
    track = drive(np.tile([length / n, 0.0, 0.0], (n, 1)))
    found = segments(track, _whole(track), {})
    q = found.noise["heading_walk:metre"][0]
    assert np.allclose(np.diag(q), [0.0, length**3 / 3, length], rtol=1e-6, atol=1e-9)
    assert q[1, 2] == pytest.approx(length**2 / 2)
    assert q[1, 2] / np.sqrt(q[1, 1] * q[2, 2]) == pytest.approx(np.sqrt(3) / 2, rel=1e-6)
    assert found.noise["distance_walk"][0, 0, 0] == pytest.approx(length)
    assert found.noise["lateral_walk"][0, 1, 1] == pytest.approx(length)


@KELLY
@pytest.mark.parametrize(("degrees", "xx", "yy", "xy"), [
    (90.0, np.pi / 4, 3 * np.pi / 4 - 2, -0.5),
    (180.0, 3 * np.pi / 2, 3 * np.pi / 2 - np.pi, 2.0),
    (360.0, 3 * np.pi, np.pi, 0.0),
])  # fmt: skip
def test_ref_arc(degrees: float, xx: float, yy: float, xy: float):
    """Heading walk on a left arc, from Kelly's transition matrix (2004): values derived, start frame."""
    radius, n, turn = 1.5, 4000, np.radians(degrees)
    track = drive(np.tile([radius * turn / n, 0.0, turn / n], (n, 1)))
    cov = segments(track, _whole(track), {}).noise["heading_walk:metre"][0]
    c, s = np.cos(turn), np.sin(turn)
    back = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    cov = back @ cov @ back.T / radius**3
    if degrees == 180.0:
        yy = np.pi / 2  # R^3 (phi - phi cos(2 phi) / 2 - 2 sin phi + 3 sin(2 phi) / 4) at phi = pi
    assert np.allclose([cov[0, 0], cov[1, 1], cov[0, 1]], [xx, yy, xy], atol=2e-5)


def test_noise_is_that_of_many_drives():
    """Each noise's covariance against drives with that noise drawn, in the frame of the end."""
    twist = weaving(120, seed=3)
    windows = _whole(drive(twist))
    for i, key in enumerate(("distance_walk", "lateral_walk", "heading_walk:metre")):
        walks = [0.0, 0.0, 0.0]
        walks[i] = 0.004
        errors = [
            segments(drive(twist, walks=tuple(walks), seed=seed), windows, {}).error[0]
            for seed in range(1500)
        ]
        predicted = 0.004**2 * segments(drive(twist), windows, {}).noise[key][0]
        seen = np.cov(np.array(errors).T)
        scale = np.sqrt(np.outer(np.diag(predicted), np.diag(predicted)).max())
        assert np.abs(seen - predicted).max() < 0.12 * scale


def test_jitter_does_not_accumulate():
    """The jitter of position is the same at any length; that of the heading swings the window."""
    track = drive(np.tile([0.1, 0.0, 0.0], (400, 1)))
    found = segments(track, windows_of(track, [5.0, 20.0], 2.0), {})
    assert np.allclose(found.noise["jitter:position"], np.diag([2.0, 2.0, 0.0]))
    heading = found.noise["jitter:heading"]
    assert np.allclose(heading[:, 2, 2], 2.0)
    assert np.allclose(heading[:, 1, 1], found.windows.length_m**2)  # the start's swings the window round
