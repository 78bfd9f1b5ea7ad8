"""Pairs of parallel sensors: which readings go together, and what is made of two readings.

With the readings z_a, z_b of one wall and the filter's own noise variances N_a, N_b, all sharing the
wall's variance W, and a wall turned by a spread T, the two scalars are

    difference  z_a - z_b,            variance N_a + N_b + (T l)^2: the wall's offset cancels
    mean        w_a z_a + w_b z_b,    variance N_a N_b / (N_a + N_b) + W, w_a = N_b / (N_a + N_b)

where l is the derivative of the difference by the heading: to parallel beams a wall that is turned one way
is a robot that is turned the other, and no pair tells the heading better than the wall keeps it. What
the turn moves the mean by, about the wall's middle, belongs to W like the rest of how the wall is built.

Where the filter considers what is constant (`driftgate.predict.consider`) the terms with W and T are
constants of the two scalars and no noise, and the sensors' own constants go with them by the same weights.

Their covariance is then w_a N_a - w_b N_b + (w_a + w_b) (W - W) = 0: with these weights, the
inverse-variance ones, two scalar updates in a row say what one update with both readings would. For equal
noise the mean is the plain one and its variance N / 2 + W. (Derived; the weights are those of the best
unbiased mean.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import ReadingPlan
from driftgate.schema.robot import Robot


@dataclass(frozen=True)
class Slots:
    """What the filter is updated with, and what persistence and consistency are counted by.

    One slot for each sensor, then two for each pair: the difference and the mean.
    """

    names: tuple[str, ...]
    sensors: int

    def difference(self, pair: int) -> int:
        """Return the slot of a pair's difference."""
        return self.sensors + 2 * pair

    def mean(self, pair: int) -> int:
        """Return the slot of a pair's mean."""
        return self.sensors + 2 * pair + 1


def slots(robot: Robot) -> Slots:
    """Return the slots of a robot."""
    names = [sensor.id for sensor in robot.sensors]
    for pair in robot.correction.pairs:
        both = " and ".join(pair.sensors)
        names += [f"{both}, difference", f"{both}, mean"]
    return Slots(tuple(names), len(robot.sensors))


@dataclass(frozen=True)
class Partner:
    """The second reading of a pair, and which pair it is."""

    reading: int
    pair: int


def partners(robot: Robot, readings: ReadingPlan) -> dict[int, Partner]:
    """Return for the first reading of two that a pair takes at one instant the second one.

    Both must be echoed and arrive at the same instants; the first is the one earlier in the file.
    """
    index = {sensor.id: i for i, sensor in enumerate(robot.sensors)}
    member = {index[name]: p for p, pair in enumerate(robot.correction.pairs) for name in pair.sensors}
    waiting: dict[tuple[int, int, int], int] = {}
    found: dict[int, Partner] = {}
    for r, sensor in enumerate(readings.sensor.tolist()):
        if sensor not in member:
            continue
        key = (member[sensor], int(readings.knot[r]), int(readings.echo_knot[r]))
        first = waiting.setdefault(key, r)
        if first != r and int(readings.sensor[first]) != sensor:
            found[first] = Partner(r, member[sensor])
    return found


def mean_weights(noise_a: FloatArray, noise_b: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the weights of the mean; two perfect readings weigh the same."""
    total = noise_a + noise_b
    first = np.where(total > 0.0, noise_b / np.where(total > 0.0, total, 1.0), 0.5)
    return first, 1.0 - first
