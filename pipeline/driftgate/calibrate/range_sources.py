"""What readings show of a range sensor, as error sources of the robot file."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from driftgate.calibrate.estimate import Estimate
from driftgate.calibrate.found import FoundNumber, FoundSource
from driftgate.calibrate.range_fit import RangeFit, Rate
from driftgate.schema.sensor import Sensor

# An interval wider than this to either side says nothing that a data sheet does not. [m, 1, rad]
_WIDEST = {"bias": 0.01, "scale": 0.02, "mount_angle": math.radians(2.0)}
# Runs of false readings longer than this are no chance.
_RUN = 1.5
_NOTE = "from logged runs"
_DIMENSIONS = {"bias": "length", "scale": "ratio", "mount_angle": "angle"}
_DRIVES = {
    "bias": "stand square to walls at measured places, near and far",
    "scale": "stand square to walls, near and at nearly full reach",
    "mount_angle": "look at walls at 20 to 40 deg to either side of square, at measured places",
}


def range_sources(
    sensor: Sensor, fit: RangeFit | None, confidence: float
) -> tuple[list[FoundSource], list[str]]:
    """Return what is known of a sensor for the robot file, and what is not and which drive would show it."""
    if fit is None:
        return [], [
            f"{sensor.id}: hardly a reading of a wall near a reference pose; stand it before mapped walls, "
            "0.3 m, 1 m and nearly its full reach away, at places that are measured"
        ]
    known = beside_the_file(sensor, fit, confidence)
    missing = [
        f"{sensor.id} {name.replace('_', ' ')}: {_DRIVES[name]}" for name in _DRIVES if name not in known
    ]
    found = [
        _constant(sensor, name, estimate, _DIMENSIONS[name], fit.runs, confidence)
        for name, estimate in known.items()
    ]
    numbers = tuple(
        FoundNumber(key, e.value, dimension, tuple_of(e, confidence))
        for key, e, dimension in (("at_zero", fit.at_zero, "length"), ("per_range", fit.per_range, "ratio"))
    )
    found.append(FoundSource(_path(sensor, "noise"), numbers, (), fit.freedom, fit.runs, "reading", _NOTE))
    for name, rate in (("dropout", fit.dropout), ("short_return", fit.short), ("long_return", fit.long)):
        found.append(_rate(sensor, name, rate, fit.runs, confidence))
    if sensor.errors.random_return is not None:
        # Those were counted among the short and long ones.
        found[-1] = replace(found[-1], instead_of=("random_return",))
    return found, missing


def constants_of(fit: RangeFit) -> dict[str, Estimate]:
    """Return the constants of a sensor as its readings show them."""
    # The place is an error source of its own in the file, `mount_position`: not counted here again.
    return {"bias": fit.placed_bias, "scale": fit.scale, "mount_angle": fit.angle}


def beside_the_file(sensor: Sensor, fit: RangeFit, confidence: float) -> dict[str, Estimate]:
    """Return the constants that are found, as they are if those not found are what the robot file says.

    A bias and a scale act alike over the ranges that were read, and only their sum there may be well known.
    If one stays at the file's value, the other as it goes with another value would make the sum wrong; and if
    neither is found, one may be, given the other. Errors that are normal together: mean and spread of some,
    given the others.
    """
    shown = constants_of(fit)
    held = [name for name in shown if not is_found(name, shown[name], confidence)]
    for name in ("scale", "bias", "mount_angle"):
        if name in held and len(held) > 1:
            others = [other for other in held if other != name]
            if is_found(name, _given(sensor, fit, others)[name], confidence):
                held = others
    return _given(sensor, fit, held)


def _given(sensor: Sensor, fit: RangeFit, held: Sequence[str]) -> dict[str, Estimate]:
    """Return the other constants of a sensor, given that some are what its robot file says."""
    shown = constants_of(fit)
    names = list(shown)
    free = [name for name in names if name not in held]
    if not held or not free:
        return {name: shown[name] for name in free}
    a, b = ([names.index(name) for name in some] for some in (free, held))
    cov = fit.together
    # One that the file does not have does not act.
    stays = [float(getattr(getattr(sensor.errors, name), "mean", 0.0)) for name in held]
    moved = np.array(stays) - [shown[name].value for name in held]
    by = np.linalg.solve(cov[np.ix_(b, b)], cov[np.ix_(b, a)]).T
    means = np.array([shown[name].value for name in free]) + by @ moved
    left = np.diag(cov[np.ix_(a, a)] - by @ cov[np.ix_(b, a)])
    return {
        name: Estimate(float(mean), math.sqrt(max(float(var), 0.0)), shown[name].freedom)
        for name, mean, var in zip(free, means, left, strict=True)
    }


def is_found(name: str, estimate: Estimate, confidence: float) -> bool:
    """Return whether a sensor's "bias", "scale" or "mount_angle" is known well enough to be of use."""
    low, high = estimate.interval(confidence)
    return 0.5 * (high - low) <= _WIDEST[name]


def tuple_of(estimate: Estimate, confidence: float) -> tuple[float, float]:
    """Return the interval of a number that is not negative."""
    low, high = estimate.interval(confidence)
    return max(low, 0.0), high


def _path(sensor: Sensor, name: str) -> tuple[str, ...]:
    return ("sensors", sensor.id, "errors", name)


def _constant(
    sensor: Sensor, name: str, estimate: Estimate, dimension: str, runs: int, confidence: float
) -> FoundSource:
    return FoundSource(
        _path(sensor, name),
        (
            FoundNumber("mean", estimate.value, dimension, estimate.interval(confidence)),
            FoundNumber("spread", 0.0, dimension),
        ),
        (FoundNumber("mean_error", estimate.error, dimension),),
        None,
        runs,
        "robot",
        _NOTE,
    )


def _rate(sensor: Sensor, name: str, rate: Rate, runs: int, confidence: float) -> FoundSource:
    numbers = [FoundNumber("probability", rate.share, "ratio", rate.interval(confidence))]
    if name != "dropout" and rate.run_length > _RUN:
        numbers.append(FoundNumber("run_length", rate.run_length, ""))
    readings = FoundNumber("readings", max(rate.readings, 1.0), "")
    return FoundSource(_path(sensor, name), tuple(numbers), (readings,), None, runs, "reading", _NOTE)
