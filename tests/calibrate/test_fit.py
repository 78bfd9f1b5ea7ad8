"""The fit finds what was put in, and says how well."""

from __future__ import annotations

import numpy as np
import pytest
from drives import drive, weaving

from driftgate.calibrate.dead_reckoning import segments
from driftgate.calibrate.fit import fit, predict_end
from driftgate.calibrate.windows import Track, windows_of
from driftgate.core.errors import ModelError

_TRUE = {"heading_bias": 0.002, "heading_scale": 0.01, "crab_angle": -0.02, "heading_latency": 0.05}
_WALKS = (0.01, 0.03, 0.002)
_NOISES = ["distance_walk", "lateral_walk", "heading_walk:metre"]


def _fitted(seed: int, jitter=(0.0, 0.0), noises=_NOISES):
    track = drive(weaving(4000, seed), constants=_TRUE, walks=_WALKS, jitter=jitter, seed=seed)
    windows = windows_of(track, [3.0, 8.0, 20.0], 1.0)
    return track, fit(lambda values: [segments(track, windows, values)], list(_TRUE), noises)


def test_what_was_put_in_is_found_within_its_own_uncertainty():
    """Misses are as large as the fit says they are."""
    squared: dict[str, list[float]] = {}
    for seed in range(8):
        _, found = _fitted(seed)
        truth = {**_TRUE, **dict(zip(_NOISES, _WALKS, strict=True))}
        for name, value in {**found.constants, **found.noise}.items():
            squared.setdefault(name, []).append(((value - truth[name]) / found.error_of(name)) ** 2)
    # Eight runs: chi-square of eight by eight lies between 0.1 and 3.3 in all but 1 of 1000 cases.
    for name, values in squared.items():
        assert 0.1 < np.mean(values) < 3.3, name


def test_jitter_is_told_from_walks():
    """A heading that jitters 10 mrad looks on single steps like a walk many times the true one."""
    noises = [*_NOISES, "jitter:heading", "jitter:position"]
    _, found = _fitted(5, jitter=(0.004, 0.01), noises=noises)
    assert found.noise["jitter:heading"] == pytest.approx(0.01, rel=0.15)
    assert found.noise["heading_walk:metre"] == pytest.approx(0.002, rel=0.35)
    assert found.noise["lateral_walk"] == pytest.approx(0.03, rel=0.2)


def test_the_fitted_model_covers_another_run():
    """A run that was not fitted has errors as large as predicted."""
    _, found = _fitted(2)
    other = drive(weaving(4000, 77), constants=_TRUE, walks=_WALKS, seed=77)
    at = segments(other, windows_of(other, [8.0], 8.0), found.constants)
    _, cov = predict_end(at, found)
    squares = np.einsum("ki,kij,kj->k", at.error, np.linalg.inv(cov), at.error)
    assert np.mean(squares) == pytest.approx(3.0, abs=0.9)


def test_a_prior_holds_what_the_run_does_not_tell():
    """A straight drive tells nothing about the scale of turns."""
    track = drive(np.tile([0.1, 0.0, 0.0], (600, 1)), walks=(0.01, 0.02, 0.001))
    windows = windows_of(track, [3.0, 8.0], 1.0)
    found = fit(
        lambda values: [segments(track, windows, values)], ["heading_scale", "heading_bias"], _NOISES,
        prior={"heading_scale": (0.012, 0.003)},
    )  # fmt: skip
    assert found.constants["heading_scale"] == pytest.approx(0.012, abs=1e-6)


def test_no_windows():
    """Nothing to fit on is an error."""
    track = drive(weaving(10))
    with pytest.raises(ModelError, match="no windows"):
        fit(lambda _: [segments(track, windows_of(track, [50.0], 1.0), {})], [], _NOISES)


def test_rare_slips_are_told_from_a_walk():
    """A distance that is right but for one slip of 0.15 m in 50 m: rate, size, and a better likelihood."""
    track = drive(weaving(9000, 4), walks=(0.001, 0.02, 0.001), seed=4)
    rng = np.random.default_rng(8)
    slipped = np.flatnonzero(rng.random(9000) < np.hypot(*track.twist[:, :2].T) / 50.0)
    twist = track.twist.copy()
    twist[slipped, 0] -= 0.15 * rng.normal(size=len(slipped))
    seen = Track("", track.time_s, twist, track.reference)
    windows = windows_of(seen, [3.0, 10.0], 1.0)
    plain, found = (
        fit(lambda values: [segments(seen, windows, values)], ["crab_angle"], _NOISES, slips=slips)
        for slips in (False, True)
    )
    assert found.slips is not None
    assert found.slips.rate_per_m == pytest.approx(1.0 / 50.0, rel=0.5)
    assert found.slips.size_m == pytest.approx(0.15, rel=0.35)
    assert found.noise["distance_walk"] < 0.004 < plain.noise["distance_walk"]
    assert found.slips.walk == pytest.approx(0.15 / np.sqrt(50.0), rel=0.35)
    assert found.nll < plain.nll - 0.5
    assert found.noise["lateral_walk"] == pytest.approx(0.02, rel=0.2)


def test_noise_alone():
    """A model whose constants are all zero: its noises take in what they would explain."""
    track, found = _fitted(3)
    windows = windows_of(track, [3.0, 8.0, 20.0], 1.0)
    plain = fit(lambda values: [segments(track, windows, values)], [], _NOISES)
    assert plain.constants == {}
    assert plain.names == tuple(_NOISES)
    assert plain.nll > found.nll + 0.3
    assert plain.noise["heading_walk:metre"] > 2.0 * found.noise["heading_walk:metre"]
