"""What was found of dead reckoning as error sources of a robot file, and what was not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from driftgate.calibrate.chain import RARE_SLIP
from driftgate.calibrate.chain_slips import FoundSlips
from driftgate.calibrate.drift_found import Fitted, FoundConstant, FoundNoise
from driftgate.calibrate.found import FoundNumber, FoundSource
from driftgate.calibrate.usual import FEWEST_RUNS, NOISES, in_words
from driftgate.schema.drift import ErrorSources, LateralSlip

# Correlations of the errors of two means smaller than this are left out of the file.
_GOES_WITH = 0.2
_TOGETHER = "only its difference from slip with speed shows: no drive tells the two apart"
# Rate and size of fewer slips than this are hardly known.
_FEW_SLIPS = 2.5


def placed(constants: Sequence[FoundConstant], errors: ErrorSources) -> list[FoundConstant]:
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


def written_sources(
    written: Sequence[FoundConstant], fitted: Fitted, runs: int, confidence: float, errors: ErrorSources
) -> tuple[FoundSource, ...]:
    """Return the sources for the robot file: the constants that are `placed`, the noises, rare slips."""
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
    if fitted.slips is not None:
        found.append(_slip_source(fitted.slips, runs))
    return tuple(found)


def _slip_source(slips: FoundSlips, runs: int) -> FoundSource:
    size = slips.size
    return FoundSource(
        ("errors", RARE_SLIP),
        (
            FoundNumber("rate", slips.rate_per_m, "count per length", slips.interval_per_m),
            FoundNumber("along", size.sd, "length", (size.low, size.high)),
        ),
        (FoundNumber("slips", slips.seen, ""),),
        size.freedom,
        runs,
        "tick",
        "from logged runs",
    )


def missing_of_slips(slips: FoundSlips | None) -> tuple[str, ...]:
    """Return what few slips leave open."""
    if slips is None or slips.seen >= _FEW_SLIPS:
        return ()
    return ("how often and how far the odometry slips: more runs, and a look at what happened where it did",)


def _with_speed(source: FoundSource, slip: LateralSlip) -> FoundSource:
    kept = (
        FoundNumber("with_speed", slip.with_speed, "time"),
        FoundNumber("with_speed_spread", slip.with_speed_spread, "time"),
    )
    return replace(source, numbers=(*source.numbers, *kept))


def _together(
    constant: FoundConstant, written: Sequence[FoundConstant], fitted: Fitted
) -> tuple[tuple[str, float], ...]:
    """Return with which of the constants written after it the error of a mean goes, and how much."""
    keys = list(fitted.at)
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


def _what_shows(constant: FoundConstant, used: int) -> str:
    """Return which drive would show a constant; of one that so few runs differ in, more runs."""
    spread, error = constant.spread, constant.mean.error
    if spread is not None and spread.low > 0.0 and spread.sd**2 / used > 0.5 * error**2:
        return "more runs, since it differs much from each to the next"
    return constant.usual.drive


def what_is_missing(
    constants: Sequence[FoundConstant], noises: Sequence[FoundNoise], used: int, given: int
) -> tuple[str, ...]:
    """Return what the runs used, of those given, cannot tell, and which drive would."""
    found = []
    if used < given:
        found.append(f"{given - used} of {given} runs: fewer than two reference poses")
    if used < FEWEST_RUNS:
        names = ", ".join(in_words(c.usual.key) for c in constants if c.assumed is not None)
        found.append(
            f"how much runs differ ({names}): drive {FEWEST_RUNS} runs or more, better six; until then it is "
            "taken as the robot file has it, or else as large as the constant usually is"
        )
    for constant in constants:
        if not constant.known:
            found.append(f"{in_words(constant.usual.key)}: {_what_shows(constant, used)}")
    seen = {noise.usual.key for noise in noises if noise.known}
    for usual in NOISES:
        if usual.field and usual.key not in seen:
            found.append(f"{in_words(usual.key)}: {usual.drive}")
    return tuple(found)
