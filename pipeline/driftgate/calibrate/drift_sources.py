"""What was found of dead reckoning as error sources of a robot file, and what was not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from driftgate.calibrate.chain import RARE_SLIP
from driftgate.calibrate.chain_slips import FoundSlips
from driftgate.calibrate.drift_found import Fitted, FoundConstant, FoundNoise
from driftgate.calibrate.found import FoundNumber, FoundSource
from driftgate.calibrate.known_together import Kept
from driftgate.calibrate.usual import FEWEST_RUNS, NOISES, all_in_words, drives_of, in_words
from driftgate.core.pose import FloatArray
from driftgate.schema.drift import ErrorSources, LateralSlip

# Correlations of the errors of two means smaller than this are left out of the file.
_GOES_WITH = 0.2
_TOGETHER = "only its difference from slip with speed shows: no drive tells the two apart"
# Rate and size of fewer slips than this are hardly known.
_FEW_SLIPS = 2.5


def placed(constants: Sequence[FoundConstant], kept: Kept, errors: ErrorSources) -> list[FoundConstant]:
    """Return what is written to the file: what is known, by itself or together with others.

    Heading latency and slip with speed show as their difference alone. That is written as latency, and slip
    with speed goes; where the slip's own lines stay as they are, the latency is what is left beside them.
    """
    written = [
        replace(c, mean=kept.means.get(c.usual.key, c.mean))
        for c in constants
        if (c.known and c.spread_known) or c.together
    ]
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
    written: Sequence[FoundConstant],
    covariance: FloatArray,
    fitted: Fitted,
    runs: int,
    confidence: float,
    errors: ErrorSources,
) -> tuple[FoundSource, ...]:
    """Return the sources for the robot file: the constants that are `placed`, the noises, rare slips.

    `covariance` is that of the errors of all means.
    """
    noises = fitted.noises
    errors_of = _MeanErrors(list(fitted.at), covariance)
    found = [_constant_source(c, runs, confidence, errors_of, written) for c in written]
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


@dataclass(frozen=True)
class _MeanErrors:
    """The errors of all means, and how they go together; `keys` is the order of the covariance."""

    keys: Sequence[str]
    covariance: FloatArray

    def together(self, key: str, later: Sequence[str]) -> dict[str, float]:
        """Return with which of the constants written after it the error of a mean goes, and how much."""
        i, sd = self.keys.index(key), np.sqrt(np.diag(self.covariance))
        found = {
            other: float(self.covariance[i, k] / (sd[i] * sd[k]))
            for other in later
            for k in (self.keys.index(other),)
        }
        return {other: value for other, value in found.items() if abs(value) >= _GOES_WITH}

    def beside(self, key: str, written: Sequence[str]) -> float:
        """Return the error of a mean if all others that are written were known: so many digits it needs."""
        pick = [self.keys.index(other) for other in (key, *(one for one in written if one != key))]
        own = self.covariance[np.ix_(pick, pick)]
        sd = np.sqrt(np.diag(own))
        inverse = np.linalg.pinv(own / np.outer(sd, sd), rcond=1e-12, hermitian=True)
        return float(sd[0] / math.sqrt(max(float(inverse[0, 0]), 1.0)))


def _constant_source(
    constant: FoundConstant,
    runs: int,
    confidence: float,
    errors_of: _MeanErrors,
    written: Sequence[FoundConstant],
) -> FoundSource:
    usual, mean, spread = constant.usual, constant.mean, constant.spread
    mean_key, spread_key, error_key = usual.names
    names = [other.usual.key for other in written]
    fields = {other.usual.key: other.usual.field for other in written}
    together = errors_of.together(usual.key, names[names.index(usual.key) + 1 :])
    # What several are known by together is lost if each has the digits of its own error alone.
    digits = errors_of.beside(usual.key, names) if constant.together else None
    numbers = [FoundNumber(mean_key, mean.value, usual.dimension, mean.interval(confidence), digits)]
    if spread is None:
        numbers.append(FoundNumber(spread_key, 0.0, usual.dimension))
    else:
        numbers.append(FoundNumber(spread_key, spread.sd, usual.dimension, (spread.low, spread.high)))
    # One number serves both in the file: the smaller is the more careful.
    freedom = mean.freedom if spread is None else min(mean.freedom, spread.freedom)
    return FoundSource(
        ("errors", usual.field),
        tuple(numbers),
        (FoundNumber(error_key, mean.error, usual.dimension, digits=digits),),
        freedom,
        runs,
        constant.over,
        _note(constant),
        goes_with=tuple((fields[key], value) for key, value in together.items()),
    )


def _note(constant: FoundConstant) -> str:
    own = _TOGETHER if constant.usual.key == "heading_latency" else "from logged runs"
    others = all_in_words(key for key in constant.together if key != constant.usual.key)
    return f"known only together with {others}; {own}" if others else own


def _only_together(group: Sequence[str]) -> str:
    """Return that some constants are known together alone, what is made of it, and what tells them apart."""
    return (
        f"{all_in_words(group)} each by itself: they act alike in these runs, which show them together; that "
        "is kept (goes_with), with no more of each than is usual; what would tell them apart: "
        f"{drives_of(group)}"
    )


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
    groups = dict.fromkeys(constant.together for constant in constants if constant.together)
    found += [_only_together(group) for group in groups]
    for constant in constants:
        if not constant.known and not constant.together:
            found.append(f"{in_words(constant.usual.key)}: {constant.usual.drive}")
        elif constant.wide:
            words = "more runs, since it differs much from each to the next"
            found.append(f"{in_words(constant.usual.key)}, its mean better: {words}")
    seen = {noise.usual.key for noise in noises if noise.known}
    for usual in NOISES:
        if usual.field and usual.key not in seen:
            found.append(f"{in_words(usual.key)}: {usual.drive}")
    return tuple(found)
