r"""Numbers known too poorly: what few runs leave open of means, spreads, intensities and chances.

Six runs give a mean and a spread that are themselves uncertain, and a prediction that takes them for
the truth is too narrow. Each trial therefore draws the numbers too, from what the runs leave possible
(the predictive distribution under the usual uninformative prior; A. Gelman et al., Bayesian Data Analysis,
3rd ed. 2013, sections 3.2 and 2.4, from memory):

- a spread or intensity *s* with :math:`\nu` degrees of freedom becomes *F s* with
  :math:`F^2 = \nu / \chi^2_\nu`, scaled inverse chi-square;
- a mean with standard error *u* moves by :math:`F u z`, *z* standard normal, which makes what is drawn of
  the constant itself Student's t;
- a probability *p* counted over *n* readings becomes one of Beta(pn + 1/2, (1 - p) n + 1/2);
- a rate *r* of rare events of which *n* were seen becomes *r G / (n + 1/2)*, *G* of Gamma(n + 1/2): the rate
  in the file is the mean of what is drawn, and so what the covariance engine and the robot's filter take.

One trial is one robot: the numbers drawn hold for the whole of it. The covariance engine carries the
means' standard errors as constants of their own (`Constant.of`); it knows nothing of uncertain spreads.
"""

from __future__ import annotations

import math
from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from driftgate.core.correlation import correlation_matrix, lower_factor
from driftgate.core.pose import FloatArray
from driftgate.schema.fitted import Fitted, FittedChance, FittedSlip, GoesWith
from driftgate.schema.robot import Robot

if TYPE_CHECKING:
    from driftgate.predict.streams import Streams

SOURCE: Final = "poorly_known"
# From two runs a spread of many times what was seen cannot be ruled out, but a gyro that drifts a full turn
# a second can: with one degree of freedom this cuts 4 %, with five less than one in a million.
MOST_FACTOR: Final = 20.0


@dataclass(frozen=True)
class FittedNumber:
    """What is uncertain of one number of the robot.

    Attributes
    ----------
    key : str
        Key of the constant, or name of the noise ("heading_walk", "range_noise:front").
    source : str
        The error source that it belongs to.
    basis : str
        Of that source.
    mean_error : float
        Standard error of its mean, SI; 0 if there is none.
    freedom : float or None
        Degrees of freedom of its spread or intensity; None if that is taken as known.
    goes_with : dict
        Correlation of that standard error with those of other constants, by their keys.
    """

    key: str
    source: str
    basis: str
    mean_error: float
    freedom: float | None
    goes_with: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Doubt:
    """What is uncertain of spreads, intensities, chances and rates of a robot.

    Attributes
    ----------
    freedom : dict
        Key of a constant or noise to its degrees of freedom.
    chance : dict
        Key of a chance ("dropout:front") to its probability and the number of readings behind it.
    seen : dict
        Key of a rate ("rare_slip") to how many events it was counted from.
    """

    freedom: dict[str, float] = field(default_factory=dict)
    chance: dict[str, tuple[float, float]] = field(default_factory=dict)
    seen: dict[str, float] = field(default_factory=dict)


def doubt_key(key: str) -> str:
    """Return the key of the constant that stands for the standard error of another one's mean."""
    return f"{SOURCE}:{key}"


def factor_key(key: str) -> str:
    """Return the key under which the trials hold the factor on a spread or intensity."""
    return f"{SOURCE}:{key}:spread"


def chance_key(key: str) -> str:
    """Return the key under which the trials hold a chance."""
    return f"{SOURCE}:{key}:chance"


def rate_key(key: str) -> str:
    """Return the key under which the trials hold the factor on a rate."""
    return f"{SOURCE}:{key}:rate"


def fitted_numbers(robot: Robot) -> Iterator[FittedNumber]:
    """Yield what is uncertain of the numbers of a robot, but for the chances of its sensors."""
    for name in type(robot.errors).model_fields:
        origin = getattr(robot.errors, name)
        fitted = getattr(origin, "fitted", None)
        if isinstance(fitted, FittedSlip):
            together = _goes_with(fitted)
            turn, speed = fitted.per_turn_error, fitted.with_speed_error
            yield FittedNumber(f"{name}:turn", name, origin.basis, turn, fitted.freedom, together)
            yield FittedNumber(f"{name}:speed", name, origin.basis, speed, fitted.freedom)
        elif isinstance(fitted, Fitted):
            error = float(getattr(fitted, "mean_error", 0.0))
            yield FittedNumber(name, name, origin.basis, error, fitted.freedom, _goes_with(fitted))
    for sensor in robot.sensors:
        for source, origin in (
            ("range_bias", sensor.errors.bias),
            ("range_scale", sensor.errors.scale),
            ("range_noise", sensor.errors.noise),
            ("mount_angle", sensor.errors.mount_angle),
        ):
            fitted = None if origin is None else origin.fitted
            if origin is not None and fitted is not None:
                error = float(getattr(fitted, "mean_error", 0.0))
                yield FittedNumber(f"{source}:{sensor.id}", source, origin.basis, error, fitted.freedom)


def freedoms(robot: Robot) -> dict[str, float]:
    """Return the degrees of freedom of the spreads and intensities of a robot that were fitted, by key."""
    return {number.key: number.freedom for number in fitted_numbers(robot) if number.freedom is not None}


def _goes_with(fitted: Fitted) -> dict[str, float]:
    together = getattr(fitted, "goes_with", None)
    pairs = together.pairs() if isinstance(together, GoesWith) else {}
    return {"lateral_slip:turn" if name == "lateral_slip" else name: value for name, value in pairs.items()}


def mean_errors(robot: Robot, known: Container[str]) -> list[tuple[FittedNumber, float, dict[str, float]]]:
    """Return what moves the means that are uncertain.

    Means whose errors go together are moved by independent draws through a triangular factor of their
    correlations: each draw moves its own mean, and those after it that go with it.

    Parameters
    ----------
    robot : Robot
        The robot.
    known : container of str
        Keys of the constants that there are.

    Returns
    -------
    list of tuple
        A number, by how much its draw moves its own mean (a standard deviation, SI), and by how much others,
        by key.
    """
    found = [n for n in fitted_numbers(robot) if n.mean_error > 0.0 and n.key in known]
    names = [number.key for number in found]
    factor = lower_factor(correlation_matrix(names, correlations(found)))
    moved = []
    for j, number in enumerate(found):
        others = {
            found[i].key: float(factor[i, j]) * found[i].mean_error
            for i in range(j + 1, len(found))
            if factor[i, j] != 0.0
        }
        moved.append((number, float(factor[j, j]) * number.mean_error, others))
    return moved


def correlations(numbers: Sequence[FittedNumber]) -> dict[tuple[str, str], float]:
    """Return the correlations between the errors of some means, by their keys."""
    names = {number.key for number in numbers}
    return {
        (number.key, other): value
        for number in numbers
        for other, value in number.goes_with.items()
        if other in names
    }


def doubt_of(robot: Robot, off: frozenset[str]) -> Doubt:
    """Return what is uncertain of spreads, intensities and chances; nothing if this source is off."""
    if SOURCE in off:
        return Doubt()
    freedom = freedoms(robot)
    chance = {}
    for sensor in robot.sensors:
        for name in ("dropout", "short_return", "long_return", "random_return"):
            origin = getattr(sensor.errors, name)
            if origin is not None and isinstance(origin.fitted, FittedChance):
                chance[f"{name}:{sensor.id}"] = (origin.probability, origin.fitted.readings)
    slip = robot.errors.rare_slip
    seen = {}
    if slip is not None and slip.fitted is not None and slip.fitted.slips is not None:
        seen["rare_slip"] = slip.fitted.slips
    return Doubt(freedom, chance, seen)


def is_doubted(robot: Robot) -> bool:
    """Return whether anything of a robot is known too poorly to be taken as it stands."""
    means = any(number.mean_error > 0.0 or number.freedom is not None for number in fitted_numbers(robot))
    doubt = doubt_of(robot, frozenset())
    return means or bool(doubt.chance) or bool(doubt.seen)


def drawn_doubt(doubt: Doubt, streams: Streams) -> dict[str, FloatArray]:
    """Return what is uncertain of a batch of trials, shape (n,) each.

    Factors and chances by `factor_key`, `chance_key` and `rate_key`.
    """
    if not (doubt.freedom or doubt.chance or doubt.seen):
        return {}
    # Takes longer to import than a short routine's trials take.
    from scipy import special

    found: dict[str, FloatArray] = {}
    for key, freedom in doubt.freedom.items():
        address = factor_key(key)
        uniform = streams.uniforms(address, "run", 0)[0]
        chi_square = 2.0 * special.gammaincinv(0.5 * freedom, uniform)
        smallest = freedom / MOST_FACTOR**2
        found[address] = np.sqrt(freedom / np.maximum(chi_square, smallest))
    for key, (probability, readings) in doubt.chance.items():
        address = chance_key(key)
        uniform = streams.uniforms(address, "run", 0)[0]
        hits, misses = probability * readings + 0.5, (1.0 - probability) * readings + 0.5
        found[address] = np.asarray(special.betaincinv(hits, misses, uniform))
    for key, count in doubt.seen.items():
        address = rate_key(key)
        uniform = streams.uniforms(address, "run", 0)[0]
        found[address] = np.asarray(special.gammaincinv(count + 0.5, uniform)) / (count + 0.5)
    return found


def with_doubt(spread: float, fitted: object) -> float:
    """Return a spread with the standard error of its mean, for what has no place for both."""
    return math.hypot(spread, float(getattr(fitted, "mean_error", 0.0)))
