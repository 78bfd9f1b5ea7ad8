"""Which readings are old by more than their noise, with nothing that takes it out."""

from __future__ import annotations

import math
from typing import Final

from driftgate.schema.robot import Robot
from driftgate.schema.sensor import Sensor

# A reading that is old by less than this share of its noise widens its errors by an eighth: 1 + 0.5^2 / 2.
_OLD_BY_NOISE: Final = 0.5


def late_readings(robot: Robot) -> tuple[float, list[tuple[int, Sensor]]]:
    """Return the fastest that readings are used at, in m/s, and place and sensor of those that are old.

    A robot that only looks stands while it reads, and one that is as slow as its readings are noisy has none.
    """
    own = robot.correction
    fastest = min(robot.drive.limits.speed, math.inf if own.validity.speed is None else own.validity.speed)
    if not own.enabled or own.compensate_latency or own.when != "always":
        return fastest, []
    old = []
    for i, sensor in enumerate(robot.sensors):
        noise = 0.0 if sensor.errors.noise is None else sensor.errors.noise.at_zero
        if fastest * sensor.latency > _OLD_BY_NOISE * noise:
            old.append((i, sensor))
    return fastest, old


def compensated(robot: Robot) -> Robot | None:
    """Return a robot that holds readings against the belief at their echo; None where that changes little."""
    if not late_readings(robot)[1]:
        return None
    correction = robot.correction.model_copy(update={"compensate_latency": True})
    return robot.model_copy(update={"correction": correction})
