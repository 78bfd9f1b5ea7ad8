"""Covariance and trials against each other, for every error source alone and for all together.

Gate, dropout, quantisation and false returns are off and nothing is in the way, so that the two engines
answer the same question; spreads are kept so small that the second order stays below the sampling
error. Means and standard deviations of the true error are compared at every checkpoint on every axis,
with the family-wise error held at 1e-3 (S. Holm, "A simple sequentially rejective multiple test
procedure", Scand. J. Statist. 6 (1979) 65-70: some hypothesis is rejected exactly when the smallest
p-value is below alpha over their number).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.sources import TITLES
from driftgate.schema.fieldmap import FieldMap

from .scenes import GUESS, field_map, mark, prepared, range_sensor, robot, run, tick

ALPHA = 1e-3
# An axis on which a source acts only by the second order is not compared by its own tiny spread, but
# may not show more than this share of the largest deviation on any axis of its kind.
SECOND_ORDER = 0.1


def fitted(mean: str, spread: str, error: str) -> dict[str, Any]:
    """Return an error source whose mean is only known with an error."""
    return run(mean=mean, spread=spread, fitted={"runs": 6, "mean_error": error})


def errors_of(size: float, timing: str = "step") -> dict[str, Any]:
    """Return every error source of dead reckoning; one is the size of a real robot's."""

    def of(value: float, unit: str) -> str:
        return f"{value * size!r} {unit}"

    def source(mean: float, spread: float, unit: str) -> dict[str, Any]:
        return fitted(of(mean, unit), of(spread, unit), of(0.5 * spread, unit))

    return {
        "distance_scale": source(0.4, 0.4, "%"),
        "sideways_scale": source(-0.3, 0.5, "%"),
        "wheel_offset": source(2.0, 2.0, "mm"),
        "crab_angle": source(0.2, 0.2, "deg"),
        "heading_bias": source(0.02, 0.04, "deg/s"),
        "heading_scale": source(0.2, 0.2, "%"),
        "heading_latency": source(10.0, 5.0, "ms"),
        "distance_walk": tick(per_root_metre=of(3.0, "mm/sqrt(m)")),
        # Many and small: variances are compared as those of normal errors.
        "rare_slip": tick(rate="10 1/m", along=of(1.0, "mm")),
        "lateral_walk": tick(per_root_metre=of(3.0, "mm/sqrt(m)")),
        "heading_walk": tick(
            per_root_metre=of(0.1, "deg/sqrt(m)"),
            per_root_second=of(0.03, "deg/sqrt(s)"),
            per_root_radian=of(0.1, "deg/sqrt(rad)"),
        ),
        "lateral_slip": run(
            per_turn=of(3.0, "mm/rad"),
            per_turn_spread=of(2.0, "mm/rad"),
            with_speed=of(5.0, "ms"),
            with_speed_spread=of(3.0, "ms"),
            fitted={"runs": 6, "per_turn_error": of(1.0, "mm/rad"), "with_speed_error": of(1.5, "ms")},
        ),
        "bump": tick(along=of(1.0, "mm"), heading=of(0.2, "deg")),
        "settling": {
            "along": of(2.0, "mm"),
            "heading": of(0.2, "deg"),
            "constant_over": "step",
            **GUESS,
        },
        "step_timing": {
            "mean": of(2.0, "%"),
            "spread": of(3.0, "%"),
            "constant_over": timing,
            "fitted": {"runs": 6, "mean_error": of(1.0, "%")},
            **GUESS,
        },
    }


def range_errors_of(size: float) -> dict[str, Any]:
    """Return every linear error source of a range sensor."""

    def of(value: float, unit: str) -> str:
        return f"{value * size!r} {unit}"

    noise = {"at_zero": of(4.0, "mm"), "per_range": of(0.3, "%"), "constant_over": "reading", **GUESS}
    return {
        "bias": fitted(of(1.0, "mm"), of(2.0, "mm"), of(1.0, "mm")),
        "scale": fitted(of(0.2, "%"), of(0.3, "%"), of(0.15, "%")),
        "noise": noise,
        "mount_position": run(spread=of(2.0, "mm")),
        "mount_angle": fitted(of(0.1, "deg"), of(0.2, "deg"), of(0.1, "deg")),
    }


def sensors_of(size: float, askew_deg: float = 0.0, **more: Any) -> list[dict[str, Any]]:
    """Return one sensor ahead and two to the left, or so much further, out of step with each other."""
    common = {"rate": "5 Hz", "errors": range_errors_of(size), **more}
    return [
        range_sensor("front", 0.1, 0.05, askew_deg, **common),
        range_sensor("left", 0.0, 0.1, 90.0 + askew_deg, phase="60 ms", **common),
        range_sensor("rear-left", -0.12, 0.1, 90.0 + askew_deg, phase="120 ms", **common),
    ]


def field_of(size: float, west_m: float = 0.0) -> FieldMap:
    """Return a field whose walls and bench are not quite where they are drawn."""
    build = {"offset": f"{4.0 * size!r} mm", "tilt": f"{0.1 * size!r} deg", "constant_over": "field", **GUESS}
    bench = {
        "id": "bench",
        "shape": {"rectangle": {"length": "600 mm", "width": "300 mm"}},
        "at": {"x": "3.2 m", "y": "2.85 m"},
        "fixed_to": "north",
        "height": {"low": "0 mm", "high": "50 mm"},
        "build": {
            "x": f"{3.0 * size!r} mm",
            "y": f"{3.0 * size!r} mm",
            "heading": f"{0.1 * size!r} deg",
            "constant_over": "field",
            **GUESS,
        },
    }
    tray = {
        "id": "tray",
        "shape": {"circle": {"radius": "50 mm"}},
        "at": {"x": "3.2 m", "y": "2.6 m"},
        "height": {"low": "0 mm", "high": "50 mm"},
        "placed_against": "bench",
        "scatter": {
            "x": f"{3.0 * size!r} mm",
            "y": f"{2.0 * size!r} mm",
            "heading": f"{0.2 * size!r} deg",
            "constant_over": "run",
            **GUESS,
        },
    }
    patch = {
        "id": "patch",
        "area": [["1 m", "0 m"], ["2.5 m", "0 m"], ["2.5 m", "3 m"], ["1 m", "3 m"]],
        "bumps": "2 1/m",
    }
    return field_map(
        x=(west_m, 4.2), y=(0.0, 3.0), build=build, structures=[bench], elements=[tray], rough_zones=[patch]
    )


# Readings are refused by what the plan says alone: by the turn rate, not by where a trial believes to be.
LAW = {"when": "always", "validity": {"turn_rate": "5 deg/s"}}

STEPS: dict[str, list[dict[str, Any]]] = {
    "differential": [
        {"do": "drive", "to": ["1.4 m", "0.6 m"]},
        mark("driven"),
        {"do": "look", "time": "0.5 s"},
        {"do": "curve", "through": [["2.0 m", "0.8 m"], ["2.6 m", "1.4 m"]], "end_heading": "90 deg"},
        mark("curved"),
        {"do": "turn", "to": "180 deg"},
        {"do": "look", "time": "0.5 s"},
        mark("turned"),
        {"do": "advance", "distance": "0.5 m"},
        {"do": "rotate", "angle": "90 deg"},
        {"do": "arc", "radius": "0.4 m", "angle": "-60 deg"},
        mark("relative"),
        {"do": "face", "point": ["0.9 m", "0.8 m"]},
        {"do": "drive", "to": ["0.9 m", "0.8 m"]},
        {"do": "turn", "to": "180 deg"},
        {"do": "drive", "to": ["0.5 m", "0.8 m"]},
        {"do": "square-up", "against": "west", "speed": "0.3 m/s"},
        mark("flush"),
        {"do": "drive", "to": ["1.2 m", "0.8 m"], "backwards": True},
        {"do": "look", "time": "0.4 s"},
        mark("back", radial="5 m", relative_to="bench"),
        mark("tray", radial="5 m", relative_to="tray"),
    ],
    "holonomic": [
        {"do": "drive", "to": ["1.4 m", "1.1 m"]},
        mark("driven"),
        {"do": "look", "time": "0.5 s"},
        {"do": "drive", "to": ["1.8 m", "0.9 m"]},
        {"do": "turn", "to": "90 deg"},
        mark("turned"),
        {"do": "sidestep", "distance": "0.4 m"},
        {"do": "advance", "distance": "0.3 m"},
        {"do": "rotate", "angle": "90 deg"},
        {"do": "arc", "radius": "0.4 m", "angle": "40 deg"},
        mark("relative"),
        {"do": "turn", "to": "180 deg"},
        {"do": "drive", "to": ["0.5 m", "0.8 m"]},
        {"do": "square-up", "against": "west", "speed": "0.3 m/s"},
        mark("flush"),
        {"do": "drive", "to": ["1.0 m", "1.0 m"]},
        {"do": "look", "time": "0.4 s"},
        mark("back", radial="5 m", relative_to="bench"),
        mark("tray", radial="5 m", relative_to="tray"),
    ],
}


def case_of(drive: str, size: float, timing: str = "step", **correction: Any) -> Prepared:
    """Return the case: one routine with every kind of step, on one drive."""
    west_m = correction.pop("west_m", 0.0)
    distance_from = correction.pop("distance_from", "tracking wheel")
    # The push moves the belief into the wall, by so little that its square does not show.
    push = "20 ms" if distance_from == "driven wheels" else "0.3 s"
    reset = {"position": "2 mm", "heading": "0.3 deg"} if correction.pop("reset", False) else None
    machine = robot(
        errors_of(size, timing),
        distance_from=distance_from,
        sensors=sensors_of(
            size,
            correction.pop("askew_deg", 0.0),
            latency=correction.pop("latency", "0 s"),
            beam_width=correction.pop("beam", "0 deg"),
        ),
        correction={"filter": {}, **LAW, **correction},
        controller={"time_constant": "0.15 s", "settle": "0.1 s", "distance_time_constant": "0.2 s"},
        drive=drive,
        longest_tick="0.1 s",
    )
    press = {"push": push} if reset is None else {"push": push, "reset": reset}
    steps = [{**s, **press} if s["do"] == "square-up" else s for s in STEPS[drive]]
    return prepared(
        steps,
        machine,
        believed=field_of(size),
        true=field_of(size, west_m) if west_m else None,
        start=(0.5, 0.6, 0.0),
        spread=(f"{4.0 * size!r} mm", f"{4.0 * size!r} mm", f"{0.2 * size!r} deg"),
        placed_against=[] if west_m else ["west"],
    )


def differences(
    case: Prepared, off: frozenset[str], trials: int, seed: int, sampled_case: Prepared | None = None
) -> list[tuple[float, str]]:
    """Return the p-value and the name of every comparison of means and standard deviations."""
    linear = covariance(case, off).moments
    sampled = run_trials(sampled_case or case, trials, seed, off=off).moments
    found: list[tuple[float, str]] = []
    size = np.max([np.sqrt(np.diag(a.cov)) for a in linear], axis=0)
    floor = SECOND_ORDER * np.array([size[:2].max(), size[:2].max(), size.max()]) + 1e-9
    for moment, a, b in zip(case.moments, linear, sampled, strict=True):
        sd = np.sqrt(np.diag(a.cov))
        gap = b.error.mean(axis=0) - a.mean
        ratio = b.error.var(axis=0) / np.maximum(sd**2, 1e-30)
        for axis, name in enumerate(("x", "y", "heading")):
            if sd[axis] <= floor[axis]:
                assert b.error[:, axis].std() <= 1.5 * floor[axis], (moment.name, name)
                assert abs(gap[axis]) <= floor[axis], (moment.name, name, gap[axis])
                continue
            z = gap[axis] / sd[axis] * np.sqrt(trials)
            chi = stats.chi2(trials - 1)
            spread_p = 2.0 * min(chi.cdf(ratio[axis] * trials), chi.sf(ratio[axis] * trials))
            found.append(
                (2.0 * float(stats.norm.sf(abs(z))), f"{moment.name} {name} mean {gap[axis]:.2e} z {z:.1f}")
            )
            found.append((float(spread_p), f"{moment.name} {name} sd ratio {np.sqrt(ratio[axis]):.4f}"))
    return found


# What is not linear (quantisation, dropout, false returns, height and pitch about level), what strays.
NOT_COMPARED = {
    "mount_height",
    "mount_pitch",
    "quantisation",
    "dropout",
    "short_return",
    "long_return",
    "random_return",
    "element_stray",
    "range_latency",
    "range_phase",
}
SOURCES = [name for name in TITLES if name not in NOT_COMPARED]
EVERYTHING = frozenset({"quantisation"})
DRIVES = ("differential", "holonomic")
# Comparisons in this file, rounded up: two drives, 25 sources, 40 numbers each, and as many more.
FAMILY = 3000


def assert_agree(
    case: Prepared, off: frozenset[str], trials: int = 4000, sampled_case: Prepared | None = None
) -> None:
    """Assert that no comparison of the family is significant."""
    found = differences(case, off, trials, seed=5, sampled_case=sampled_case)
    worst = min(found, default=(1.0, "none"))
    assert worst[0] >= ALPHA / FAMILY, f"p = {worst[0]:.1e}: {worst[1]}"


@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize("drive", DRIVES)
def test_mc_one_source_alone(drive: str, source: str) -> None:
    """With one source acting, means and standard deviations agree at every checkpoint."""
    case = case_of(drive, 0.05)
    if source == "mount_angle":
        # A beam that meets its wall squarely says nothing of its angle to first order.
        case = case_of(drive, 0.2, askew_deg=20.0)
        largest = max(np.sqrt(np.diag(m.cov)[:2].max()) for m in covariance(case, all_but(source)).moments)
        assert largest > 1e-4
    assert_agree(case, all_but(source))


def all_but(source: str) -> frozenset[str]:
    """Return all other sources."""
    return frozenset(TITLES) - {source}


@pytest.mark.parametrize("drive", DRIVES)
def test_mc_all_together(drive: str) -> None:
    """With every source at a real robot's size the engines agree."""
    case = case_of(drive, 1.0)
    # All the steps and most readings take part: fixes, squaring up, relative moves.
    assert covariance(case).accepted.sum() > 90
    assert_agree(case, EVERYTHING, trials=16_000)


VARIATIONS: dict[str, dict[str, Any]] = {
    "replace": {"update": {"law": "replace"}},
    "blend": {"update": {"law": "blend", "share": "30 %"}},
    "timing over the run": {"timing": "run"},
    "persistence": {"persistence": {"readings": 3}},
    "limited fix": {"update": {"law": "kalman", "largest_move": "100 mm"}},
    "latency": {"latency": "5 ms"},
    "latency compensated": {"latency": "30 ms", "compensate_latency": True},
    # Encoders of driven wheels run on after an early touch and not after a late one: with the touch on
    # either side of the plan that is no linear matter, so that here it is clearly on one side.
    "driven wheels early": {"distance_from": "driven wheels", "west_m": 0.02},
    "driven wheels late": {"distance_from": "driven wheels", "west_m": -0.02},
    "reset": {"reset": True},
    "cones": {"beam": "24 deg"},
}


@pytest.mark.parametrize("variation", VARIATIONS)
@pytest.mark.parametrize("drive", DRIVES)
def test_mc_all_together_varied(drive: str, variation: str) -> None:
    """The engines agree for every update law, with latency, persistence, driven wheels and a reset."""
    assert_agree(case_of(drive, 0.25, **VARIATIONS[variation]), EVERYTHING)


@pytest.mark.parametrize("over", ["run", "step"])
@pytest.mark.parametrize(
    "errors",
    [
        {"heading_bias": run(mean="0.0005 deg/s", spread="0 deg/s")},
        {"heading_latency": run(mean="10 ms", spread="0 ms")},
        {"lateral_slip": run(with_speed="10 ms")},
    ],
    ids=lambda e: next(iter(e)),
)
def test_mc_step_timing(errors: dict[str, Any], over: str) -> None:
    """A step's stretch gives the bias more time, and slows the turns that latency and slip hang on."""
    timing = {"mean": "2 %", "spread": "1 %", "constant_over": over, **GUESS}
    machine = robot({**errors, "step_timing": timing}, longest_tick="0.1 s")
    steps = [s for s in STEPS["differential"] if s["do"] not in {"look", "square-up"}]
    case = prepared(steps, machine, believed=field_of(0.0), start=(0.5, 0.6, 0.0))
    # Without the stretch nothing scatters.
    assert covariance(case, frozenset({"step_timing"})).moments[-1].cov == pytest.approx(0.0, abs=1e-20)
    found = differences(case, frozenset(), 4000, seed=5)
    assert len(found) > 10
    assert_agree(case, frozenset())


def test_law_comparison_notices_a_difference() -> None:
    """Trials of a robot whose errors are a tenth larger do not pass for the covariance's robot."""
    with pytest.raises(AssertionError, match="p = "):
        assert_agree(case_of("differential", 0.05), EVERYTHING, sampled_case=case_of("differential", 0.055))
