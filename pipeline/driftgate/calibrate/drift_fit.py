"""The error sources of dead reckoning, fitted from the chains of several runs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from driftgate.calibrate.chain import JITTERS, LoggedRun, block_of
from driftgate.calibrate.estimate import Estimate
from driftgate.calibrate.found import FoundNumber, FoundSource
from driftgate.calibrate.mixed import Block, Component, Mixed, component, fit_mixed
from driftgate.calibrate.usual import (
    BESIDE_USUAL,
    CONSTANTS,
    FEWEST_RUNS,
    NOISES,
    UsualConstant,
    UsualNoise,
    in_words,
)
from driftgate.core.errors import ModelError
from driftgate.schema.drift import ErrorSources, LateralSlip

_ROUNDS = 3
# Where the search for a spread begins, as a share of the constant's usual size.
_SPREAD_SHARE = 0.3
# A walk that may be so many times the usual size, and may be none, has not been found.
_WIDE = 4.0
# Correlations of the errors of two means smaller than this are left out of the file.
_GOES_WITH = 0.2
_TOGETHER = "only its difference from slip with speed shows: no drive tells the two apart"


@dataclass(frozen=True)
class FoundConstant:
    """A constant as found.

    Attributes
    ----------
    usual : UsualConstant
        What was asked for.
    over : {"run", "robot"}
        Over what it is constant.
    mean : Estimate
        Its mean.
    spread : Component or None
        Its spread between runs; None where it has none, or the runs are too few.
    assumed : float or None
        The spread between runs that is taken for granted, where the runs are too few to show one.
    known : bool
        Whether the mean is known well enough to be of use.
    """

    usual: UsualConstant
    over: Literal["run", "robot"]
    mean: Estimate
    spread: Component | None
    assumed: float | None
    known: bool


@dataclass(frozen=True)
class FoundNoise:
    """A noise as found."""

    usual: UsualNoise
    size: Component
    known: bool


@dataclass(frozen=True)
class DriftFit:
    """What runs show of dead reckoning.

    Attributes
    ----------
    constants, noises
        What was asked for.
    runs, poses : int
        How many runs, and reference poses in all of them.
    sources : tuple of FoundSource
        For the robot file: what is known.
    missing : tuple of str
        What the runs cannot tell, and which drive would.
    """

    constants: tuple[FoundConstant, ...]
    noises: tuple[FoundNoise, ...]
    runs: int
    poses: int
    sources: tuple[FoundSource, ...]
    missing: tuple[str, ...]


def fit_drift(runs: Sequence[LoggedRun], errors: ErrorSources, confidence: float) -> DriftFit:
    """Fit the error sources of dead reckoning.

    Parameters
    ----------
    runs : sequence of LoggedRun
        Runs of one robot.
    errors : ErrorSources
        The robot file's, which says what is constant over a run and what over the robot.
    confidence : float
        Of the intervals.

    Raises
    ------
    ModelError
        If no run has two reference poses with a heading.
    """
    used = [run for run in runs if run.poses >= 2]
    if not used:
        raise ModelError("no run has two reference poses with a heading: nothing says where the robot was")
    overs = {usual.key: _over(usual, errors) for usual in CONSTANTS}
    between = [u for u in CONSTANTS if overs[u.key] == "run"]
    varying = between if len(used) >= FEWEST_RUNS else []
    # One or two runs do not show how much runs differ. That they do is no less true.
    assumed = {u.key: _usual_spread(u, errors) for u in between if u not in varying}
    noises = [usual for usual in NOISES if _shows(used, usual.key)]
    fitted = _fitted(used, noises, varying, assumed, confidence)
    # What does not show is left out and its share falls to its kin: of two walks of the heading that cannot
    # be told apart neither would be known.
    kept = [n.usual for n in fitted.noises if n.known or not n.usual.field]
    if len(kept) < len(noises):
        fitted = _fitted(used, kept, varying, assumed, confidence)
    constants = []
    for i, usual in enumerate(CONSTANTS):
        own = fitted.mixed.estimate(i)
        spread = fitted.spreads.get(usual.key)
        # Of what differs from run to run no more is known than so many runs show.
        freedom = own.freedom if spread is None else min(own.freedom, len(used) - 1.0)
        mean = Estimate(fitted.at[usual.key], own.error, freedom)
        low, high = mean.interval(confidence)
        known = 0.5 * (high - low) <= usual.size
        taken = assumed.get(usual.key)
        constants.append(FoundConstant(usual, overs[usual.key], mean, spread, taken, known))
    return DriftFit(
        tuple(constants),
        fitted.noises,
        len(used),
        sum(run.poses for run in used),
        _sources(_placed(constants, errors), fitted, len(used), confidence, errors),
        _missing(constants, fitted.noises, len(used), len(runs)),
    )


@dataclass(frozen=True)
class _Fitted:
    at: dict[str, float]
    mixed: Mixed
    noises: tuple[FoundNoise, ...]
    spreads: dict[str, Component]


def _fitted(
    used: Sequence[LoggedRun],
    noises: Sequence[UsualNoise],
    varying: Sequence[UsualConstant],
    assumed: Mapping[str, float],
    confidence: float,
) -> _Fitted:
    parts = [*(n.key for n in noises), *(f"spread:{u.key}" for u in varying)]
    sizes = np.array([*(n.size for n in noises), *(_SPREAD_SHARE * u.size for u in varying)])
    at, mixed = _settled(used, parts, sizes, assumed)
    poses = sum(run.poses for run in used)
    components = [
        component(
            float(mixed.variance[i]),
            float(mixed.of_variance[i]),
            len(used) - 1.0 if part.startswith("spread:") else float(max(poses - len(used), 1)),
            confidence,
        )
        for i, part in enumerate(parts)
    ]
    sized = tuple(
        FoundNoise(usual, size, size.low > 0.0 or size.high <= _WIDE * usual.size)
        for usual, size in zip(noises, components[: len(noises)], strict=True)
    )
    spreads = dict(zip((usual.key for usual in varying), components[len(noises) :], strict=True))
    return _Fitted(at, mixed, sized, spreads)


def _over(usual: UsualConstant, errors: ErrorSources) -> Literal["run", "robot"]:
    source, slip = getattr(errors, usual.field), errors.lateral_slip
    if usual.key == "heading_latency" and slip is not None and slip.with_speed_spread > 0.0:
        # Latency and slip with speed show as one, which differs from run to run if either does.
        return "run" if "run" in (slip.constant_over, getattr(source, "constant_over", "run")) else "robot"
    return usual.over if source is None else source.constant_over


def _shows(runs: Sequence[LoggedRun], part: str) -> bool:
    """Return whether anything in the runs grows with a noise."""
    if part in JITTERS:
        return True
    return any(np.any(block_of(run, {}, [CONSTANTS[0].key], [part]).parts > 1e-12) for run in runs)


def _settled(
    runs: Sequence[LoggedRun], parts: Sequence[str], sizes: np.ndarray, assumed: Mapping[str, float]
) -> tuple[dict[str, float], Mixed]:
    """Fit, and fit again about what was found: the model is linear about the constants taken."""
    keys = [usual.key for usual in CONSTANTS]
    prior = np.array([BESIDE_USUAL * usual.size for usual in CONSTANTS])
    at = dict.fromkeys(keys, 0.0)
    mixed: Mixed | None = None
    for _ in range(_ROUNDS):
        blocks = [_differing(block_of(run, at, keys, parts), keys, assumed) for run in runs]
        mixed = fit_mixed(blocks, prior, np.array([at[key] for key in keys]), sizes)
        for key, change in zip(keys, mixed.mean.tolist(), strict=True):
            at[key] += change
    assert mixed is not None
    return at, mixed


def _differing(block: Block, keys: Sequence[str], assumed: Mapping[str, float]) -> Block:
    """Return a run's block with the spreads between runs that are taken for granted."""
    known = block.known
    for key, spread in assumed.items():
        column = block.design[:, keys.index(key)]
        known = known + spread**2 * np.outer(column, column)
    return replace(block, known=known)


def _usual_spread(usual: UsualConstant, errors: ErrorSources) -> float:
    """Return the spread between runs that the robot file has, else the usual size of the constant."""
    source = getattr(errors, usual.field)
    own = 0.0 if source is None else float(getattr(source, usual.names[1]))
    slip = errors.lateral_slip
    if usual.key == "heading_latency" and slip is not None:
        own = math.hypot(own, slip.with_speed_spread)
    return own if own > 0.0 else usual.size


def _placed(constants: Sequence[FoundConstant], errors: ErrorSources) -> list[FoundConstant]:
    """Return what is written to the file.

    Heading latency and slip with speed show as their difference alone. That is written as latency, and slip
    with speed goes; where the slip's own lines stay as they are, the latency is what is left beside them.
    """
    written = [c for c in constants if c.known and _spread_known(c)]
    slip = errors.lateral_slip
    if slip is None or any(c.usual.field == "lateral_slip" for c in written):
        return written
    return [_beside(c, slip) if c.usual.key == "heading_latency" else c for c in written]


def _beside(latency: FoundConstant, slip: LateralSlip) -> FoundConstant:
    spread, speed = latency.spread, slip.with_speed_spread
    if spread is not None:
        sd, low, high = (
            math.sqrt(max(size**2 - speed**2, 0.0)) for size in (spread.sd, spread.low, spread.high)
        )
        spread = replace(spread, sd=sd, low=low, high=high)
    mean = replace(latency.mean, value=latency.mean.value + slip.with_speed)
    return replace(latency, mean=mean, spread=spread)


def _sources(
    written: Sequence[FoundConstant], fitted: _Fitted, runs: int, confidence: float, errors: ErrorSources
) -> tuple[FoundSource, ...]:
    noises = fitted.noises
    found = [_constant_source(c, runs, confidence, _together(c, written, fitted)) for c in written]
    slip = errors.lateral_slip
    if slip is not None and not any(c.usual.key == "heading_latency" for c in written):
        # No latency to hold what slip with speed makes: that stays as it is in the file.
        found = [_with_speed(s, slip) if s.path[-1] == "lateral_slip" else s for s in found]
    fields = list(dict.fromkeys(noise.usual.field for noise in noises if noise.usual.field and noise.known))
    for field in fields:
        own = [noise for noise in noises if noise.usual.field == field and noise.known]
        numbers = tuple(
            FoundNumber(n.usual.name, n.size.sd, n.usual.dimension, (n.size.low, n.size.high)) for n in own
        )
        freedom = min(noise.size.freedom for noise in own)
        found.append(FoundSource(("errors", field), numbers, (), freedom, runs, "tick", "from logged runs"))
    return tuple(found)


def _with_speed(source: FoundSource, slip: LateralSlip) -> FoundSource:
    kept = (
        FoundNumber("with_speed", slip.with_speed, "time"),
        FoundNumber("with_speed_spread", slip.with_speed_spread, "time"),
    )
    return replace(source, numbers=(*source.numbers, *kept))


def _together(
    constant: FoundConstant, written: Sequence[FoundConstant], fitted: _Fitted
) -> tuple[tuple[str, float], ...]:
    """Return with which of the constants written after it the error of a mean goes, and how much."""
    keys = [usual.key for usual in CONSTANTS]
    i, sd = keys.index(constant.usual.key), np.sqrt(np.diag(fitted.mixed.covariance))
    found = []
    for other in written[written.index(constant) + 1 :]:
        k = keys.index(other.usual.key)
        value = float(fitted.mixed.covariance[i, k] / (sd[i] * sd[k]))
        if abs(value) >= _GOES_WITH:
            found.append((other.usual.field, value))
    return tuple(found)


def _spread_known(constant: FoundConstant) -> bool:
    return constant.over == "robot" or constant.spread is not None


def _constant_source(
    constant: FoundConstant, runs: int, confidence: float, together: tuple[tuple[str, float], ...]
) -> FoundSource:
    usual, mean, spread = constant.usual, constant.mean, constant.spread
    mean_key, spread_key, error_key = usual.names
    numbers = [FoundNumber(mean_key, mean.value, usual.dimension, mean.interval(confidence))]
    if spread is None:
        numbers.append(FoundNumber(spread_key, 0.0, usual.dimension))
    else:
        numbers.append(FoundNumber(spread_key, spread.sd, usual.dimension, (spread.low, spread.high)))
    # One number serves both in the file: the smaller is the more careful.
    freedom = mean.freedom if spread is None else min(mean.freedom, spread.freedom)
    return FoundSource(
        ("errors", usual.field),
        tuple(numbers),
        (FoundNumber(error_key, mean.error, usual.dimension),),
        freedom,
        runs,
        constant.over,
        _TOGETHER if usual.key == "heading_latency" else "from logged runs",
        goes_with=together,
    )


def _missing(
    constants: Sequence[FoundConstant], noises: Sequence[FoundNoise], used: int, given: int
) -> tuple[str, ...]:
    found = []
    if used < given:
        found.append(f"{given - used} of {given} runs: fewer than two reference poses with a heading")
    if used < FEWEST_RUNS:
        names = ", ".join(in_words(c.usual.key) for c in constants if c.assumed is not None)
        found.append(
            f"how much runs differ ({names}): drive {FEWEST_RUNS} runs or more, better six; until then it is "
            "taken as the robot file has it, or else as large as the constant usually is"
        )
    for constant in constants:
        if not constant.known:
            found.append(f"{in_words(constant.usual.key)}: {constant.usual.drive}")
    seen = {noise.usual.key for noise in noises if noise.known}
    for usual in NOISES:
        if usual.field and usual.key not in seen:
            found.append(f"{in_words(usual.key)}: {usual.drive}")
    return tuple(found)
