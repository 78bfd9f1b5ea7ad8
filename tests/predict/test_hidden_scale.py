"""A scale error that the filter does not know hides inside a large sigma.

The lesson of a real log (`tests/evidence`: ranges 7 % long, found by their 8 % coverage while the
normalised innovations looked right), as a scene of our own: a robot drives at a wall, reading it all the way.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from driftgate.core.pose import FloatArray
from driftgate.predict import Prepared, run_trials
from driftgate.predict.echoes import Echo, EchoMaker
from driftgate.predict.trial_motion import Poses

from .scenes import GUESS, field_map, prepared, range_sensor, robot, run, tick

WALL_M, TRIALS = 4.5, 400
START_M, WALK_M, NOISE_M = 0.3, 0.03, 0.02


def drive(scale: str, sigma_m: float) -> Prepared:
    """Return a drive of 3 m at a wall, its sensor's scale, and the filter's sigma for a reading."""
    noise = {"at_zero": f"{NOISE_M!r} m", "constant_over": "reading", **GUESS}
    errors = {"noise": noise, "scale": run(mean=scale, spread="0 %")}
    machine = robot(
        {"distance_walk": tick(per_root_metre=f"{WALK_M!r} m/sqrt(m)")},
        sensors=[range_sensor("ahead", 0.0, 0.0, 0.0, rate="10 Hz", errors=errors)],
        correction={
            "when": "always",
            "filter": {
                "start_heading": "0 deg",
                "range_at_zero": f"{sigma_m!r} m",
                "range_per_range": "0 %",
                "range_scale": "0 %",
            },
        },
    )
    return prepared(
        [{"do": "advance", "distance": "3 m"}],
        machine,
        field_map(x=(-2.0, WALL_M), y=(-2.0, 2.0)),
        spread=(f"{START_M!r} m", "0 mm", "0 deg"),
    )


def consistency(monkeypatch: pytest.MonkeyPatch, scale: str, sigma_m: float) -> tuple[float, float]:
    """Return the mean normalised innovation squared, and the share of 95 % intervals that hold the truth.

    Along x the filter is a scalar one, so that its covariance is written out here.
    """
    case = drive(scale, sigma_m)
    timeline = case.plan.timeline
    innovations: list[FloatArray] = []
    echo_of = EchoMaker.echo

    def spy(self: EchoMaker, r: int, p: Poses, *more: Any) -> Echo:
        echo = echo_of(self, r, p, *more)
        x = float(timeline.pose[timeline.readings.knot[r], 0])
        innovations.append(echo.reading_m - (WALL_M - x - p.bx))
        return echo

    with monkeypatch.context() as patch:
        patch.setattr(EchoMaker, "echo", spy)
        end = run_trials(case, TRIALS, 2).moments[-1]
    x_m = timeline.pose[timeline.readings.knot, 0]
    variance, at, normalised = START_M**2, 0.0, []
    for x, innovation in zip(x_m, innovations, strict=True):
        variance += WALK_M**2 * (x - at)
        at = x
        predicted = variance + sigma_m**2
        normalised.append(np.mean(innovation**2) / predicted)
        variance *= 1.0 - variance / predicted
    variance += WALK_M**2 * (3.0 - at)
    inside = np.abs(end.estimation[:, 0]) < 1.96 * math.sqrt(variance)
    return float(np.mean(normalised[1:])), float(inside.mean())


def test_mc_a_filter_that_knows_its_errors_is_consistent(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a scale error innovations and intervals are as they should be, within 4 standard errors."""
    innovations, coverage = consistency(monkeypatch, "0 %", NOISE_M)
    readings = 30 * TRIALS
    assert innovations == pytest.approx(1.0, abs=4.0 * math.sqrt(2.0 / readings))
    assert coverage == pytest.approx(0.95, abs=4.0 * math.sqrt(0.05 * 0.95 / TRIALS))


def test_mc_a_scale_of_seven_percent_hides_in_sigma(monkeypatch: pytest.MonkeyPatch) -> None:
    """With ranges 7 % long a sigma of 28.5 in place of 20 mm makes the innovations look right.

    The intervals are far from right: the belief follows the ranges, and only the slow change of their error
    shows in the innovations.
    """
    innovations, coverage = consistency(monkeypatch, "7 %", 0.0285)
    assert innovations == pytest.approx(1.0, abs=0.1)
    assert coverage < 0.1
