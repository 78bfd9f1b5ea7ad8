"""A reading that comes late, after a newer one has been used."""

from __future__ import annotations

import math

import pytest

from driftgate.predict import Prepared, covariance, run_trials

from .scenes import GUESS, field_map, mark, prepared, range_sensor, robot, tick

TRIALS = 20_000
UNIT_M = 0.01
NOISE = {"noise": {"at_zero": "10 mm", "per_range": "0 %", "constant_over": "reading", **GUESS}}


def late_reading(compensates: bool = True) -> Prepared:
    """Return a start, a walk over a leg, a reading at its end and one of its middle, all of one unit."""

    def machine(middle_s: float, end_s: float) -> object:
        once = {"rate": "0.002 Hz", "errors": NOISE}
        newer = range_sensor("newer", 0.0, 0.0, 0.0, phase=f"{end_s + 0.1!r} s", **once)
        older = range_sensor(
            "older", 0.0, 0.0, 0.0, phase=f"{middle_s!r} s", latency=f"{end_s + 0.3 - middle_s!r} s", **once
        )
        own = {
            "start_x": "10 mm",
            "start_y": "0 mm",
            "start_heading": "0 deg",
            "along": "10 mm/sqrt(m)",
            "range_at_zero": "10 mm",
            "range_per_range": "0 %",
        }
        return robot(
            {"distance_walk": tick(per_root_metre="10 mm/sqrt(m)")},
            sensors=[newer, older],
            correction={"when": "always", "compensate_latency": compensates, "filter": own},
        )

    steps = [{"do": "advance", "distance": "1 m"}, {"do": "pause", "time": "1 s"}, mark("there")]
    more = {"believed": field_map(), "spread": ("10 mm", "0 mm", "0 deg")}
    leg_s = prepared(steps[:1], machine(0.1, 1.0), **more).plan.duration_s
    return prepared(steps, machine(leg_s / 2.0, leg_s), **more)


@pytest.mark.evidence(
    source="Bar-Shalom 2002, table I, algorithm C",
    compares="late reading: actual error, what the filter claims",
    tolerance="4 standard errors; 5e-5",
)
def test_ref_a_late_reading_makes_the_filter_too_sure() -> None:
    """Y. Bar-Shalom, IEEE T-AES 38(3) (2002) 769-778, table I, algorithm C: it claims 0.4000, and has 0.5600.

    A random walk with Q = R = P = 1 and a reading from half way that comes after the one at the end. The
    robot's filter takes the late reading with the covariance it has now, which is that algorithm; the optimal
    one would reach 0.5238. Both engines have the actual error, the robot's own covariance is the claim.
    """
    case = late_reading()
    error = run_trials(case, TRIALS, seed=6).moments[0].estimation[:, 0] / UNIT_M
    assert error.var() == pytest.approx(0.5600, rel=4.0 * math.sqrt(2.0 / TRIALS))
    moment = covariance(case).moments[0]
    assert moment.filter_cov[0, 0] / UNIT_M**2 == pytest.approx(0.4000, abs=5e-5)
    assert moment.estimation_cov[0, 0] / UNIT_M**2 == pytest.approx(0.5600, abs=5e-5)


@pytest.mark.parametrize("compensates", [True, False])
def test_mc_engines_agree_on_a_late_reading(compensates: bool) -> None:
    """What the robot walked between an echo and its arrival, and the fixes since, count alike in both."""
    case = late_reading(compensates)
    sampled = run_trials(case, TRIALS, seed=7).moments[0].estimation[:, 0].var()
    linear = covariance(case).moments[0].estimation_cov[0, 0]
    assert sampled == pytest.approx(linear, rel=4.0 * math.sqrt(2.0 / TRIALS))
