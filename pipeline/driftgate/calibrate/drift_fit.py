"""The error sources of dead reckoning, fitted from the chains of several runs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from driftgate.calibrate.chain import JITTERS, RARE_SLIP, LoggedRun, block_of, driven_m
from driftgate.calibrate.chain_slips import (
    Called,
    FoundSlips,
    call_slips,
    found_slips,
    with_called,
)
from driftgate.calibrate.component import as_known_together, component
from driftgate.calibrate.drift_found import Fitted, FoundConstant, FoundNoise, differs_much
from driftgate.calibrate.drift_sources import missing_of_slips, placed, what_is_missing, written_sources
from driftgate.calibrate.estimate import Estimate
from driftgate.calibrate.found import FoundSource
from driftgate.calibrate.known_together import Kept, kept_together
from driftgate.calibrate.left_alone import values_left
from driftgate.calibrate.mixed import Block, Mixed, fit_mixed, left_possible
from driftgate.calibrate.usual import (
    BESIDE_USUAL,
    CONSTANTS,
    FEWEST_RUNS,
    NOISES,
    SIDEWAYS,
    UsualConstant,
    UsualNoise,
)
from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray
from driftgate.schema.drift import ErrorSources

_ROUNDS = 3
# Where the search for a spread begins, as a share of the constant's usual size.
_SPREAD_SHARE = 0.3
# A walk that may be so many times the usual size, and may be none, has not been found.
_WIDE = 4.0
# Constants that act alike in arcs of one speed, so that what differs between runs is seen of their sum.
_ALIKE = ("heading_latency", "lateral_slip:turn")
# Without a heading measured nothing shows it, and left free it would bend what is linear.
_BY_HEADINGS = "crab_angle"


@dataclass(frozen=True)
class DriftFit:
    """What runs show of dead reckoning.

    Attributes
    ----------
    constants, noises
        What was asked for.
    runs, poses, headings : int
        How many runs, reference poses in all of them, and of these with a heading that was measured.
    sources : tuple of FoundSource
        For the robot file: what is known.
    missing : tuple of str
        What the runs cannot tell, and which drive would.
    slips : FoundSlips or None
        Rare slips of the distance, if there are any.
    fitted : Fitted or None
        All of the last round: `mixed` has the means of `constants`, and the variances of `noises` and of the
        spreads that there are.
    prior_sd : ndarray
        How wide the priors of the constants were.
    kept : Kept
        Means that are not found each by itself, but together.
    """

    constants: tuple[FoundConstant, ...]
    noises: tuple[FoundNoise, ...]
    runs: int
    poses: int
    headings: int
    sources: tuple[FoundSource, ...]
    missing: tuple[str, ...]
    slips: FoundSlips | None = None
    fitted: Fitted | None = None
    prior_sd: FloatArray = field(default_factory=lambda: np.zeros(0))
    kept: Kept = field(default_factory=lambda: Kept((), {}, np.zeros((0, 0))))


def fit_drift(
    runs: Sequence[LoggedRun],
    errors: ErrorSources,
    confidence: float,
    slips: bool = True,
    holonomic: bool = True,
) -> DriftFit:
    """Fit the error sources of dead reckoning.

    Parameters
    ----------
    runs : sequence of LoggedRun
        Runs of one robot.
    errors : ErrorSources
        The robot file's, which says what is constant over a run and what over the robot.
    confidence : float
        Of the intervals.
    slips : bool
        Whether rare slips are looked for.
    holonomic : bool
        Whether the drive can go sideways; else what moves sideways is slip, and has no scale to be found.

    Raises
    ------
    ModelError
        If no run has two reference poses.
    """
    used = [run for run in runs if run.poses >= 2]
    if not used:
        raise ModelError("no run has two reference poses: nothing says where the robot was")
    asked = _asked_of(used, holonomic)
    overs = {usual.key: over_what(usual, errors) for usual in asked}
    between = [u for u in asked if overs[u.key] == "run"]
    varying = between if len(used) >= FEWEST_RUNS else []
    # One or two runs do not show how much runs differ. That they do is no less true.
    assumed = {u.key: usual_spread(u, errors) for u in between if u not in varying}
    noises = [usual for usual in NOISES if _shows(used, usual.key)]
    fitted = _fitted(used, asked, noises, varying, assumed, confidence)
    called = _called(used, fitted, asked, noises, varying, assumed) if slips else None
    if called is not None:
        fitted = _fitted(used, asked, noises, varying, assumed, confidence, called)
    # What does not show is left out and its share falls to its kin: of two walks of the heading that cannot
    # be told apart neither would be known.
    shown = [n.usual for n in fitted.noises if n.known or not n.usual.field]
    if len(shown) < len(noises):
        fitted = _fitted(used, asked, shown, varying, assumed, confidence, called)
    fitted = _reaching_far_enough(used, fitted, asked, varying, confidence)
    constants = []
    for i, usual in enumerate(asked):
        own = fitted.mixed.estimate(i)
        spread = fitted.spreads.get(usual.key)
        # Of what differs from run to run no more is known than so many runs show.
        freedom = own.freedom if spread is None else min(own.freedom, len(used) - 1.0)
        mean = Estimate(fitted.at[usual.key], own.error, freedom)
        low, high = mean.interval(confidence)
        known = usual.found_within(0.5 * (high - low))
        wide = not known and differs_much(spread, own.error, len(used))
        taken = assumed.get(usual.key)
        constants.append(FoundConstant(usual, overs[usual.key], mean, spread, taken, known or wide, wide))
    left = values_left([c.usual.key for c in constants if not c.known], fitted.at, errors)
    kept = kept_together(constants, fitted.mixed.covariance, left, confidence)
    within = {key: group for group in kept.groups for key in group}
    constants = [replace(c, together=within.get(c.usual.key, ())) for c in constants]
    sources = written_sources(
        placed(constants, kept, errors), kept.covariance, fitted, len(used), confidence, errors
    )
    return DriftFit(
        tuple(constants),
        fitted.noises,
        len(used),
        sum(run.poses for run in used),
        sum(run.headings for run in used),
        sources,
        what_is_missing(constants, fitted.noises, len(used), len(runs)) + missing_of_slips(fitted.slips),
        fitted.slips,
        fitted,
        _prior_sd(used, asked),
        kept,
    )


def _fitted(
    used: Sequence[LoggedRun],
    asked: Sequence[UsualConstant],
    noises: Sequence[UsualNoise],
    varying: Sequence[UsualConstant],
    assumed: Mapping[str, float],
    confidence: float,
    called: Called | None = None,
) -> Fitted:
    parts, sizes = _parts(noises, varying)
    at, mixed, blocks, taken = _settled(used, asked, parts, sizes, assumed, called)
    components = [
        component(
            float(mixed.variance[i]),
            float(mixed.of_variance[i]),
            len(used) - 1.0 if part.startswith("spread:") else _of_walks(used),
            confidence,
        )
        for i, part in enumerate(parts)
    ]
    sized = tuple(
        FoundNoise(usual, size, size.low > 0.0 or size.high <= _WIDE * usual.size)
        for usual, size in zip(noises, components[: len(noises)], strict=True)
    )
    spreads = dict(zip((usual.key for usual in varying), components[len(noises) :], strict=True))
    if all(key in spreads for key in _ALIKE):
        first, second = (parts.index(f"spread:{key}") for key in _ALIKE)
        pair = np.ix_([first, second], [first, second])
        together = as_known_together(
            (components[first], components[second]),
            mixed.variance[[first, second]],
            mixed.between_variances[pair],
            len(used) - 1.0,
            confidence,
        )
        spreads |= dict(zip(_ALIKE, together, strict=True))
    slips = None
    if called is not None:
        slips = found_slips(called, confidence)
    return Fitted(at, mixed, sized, spreads, slips, blocks, taken)


def _of_walks(used: Sequence[LoggedRun]) -> float:
    """Return the degrees of freedom of what every window shows anew."""
    return float(max(sum(run.poses for run in used) - len(used), 1))


def _reaching_far_enough(
    used: Sequence[LoggedRun],
    fitted: Fitted,
    asked: Sequence[UsualConstant],
    varying: Sequence[UsualConstant],
    confidence: float,
) -> Fitted:
    """Return a fit whose walks near zero have the upper ends that the likelihood leaves them."""
    _, sizes = _parts([noise.usual for noise in fitted.noises], varying)
    mixed, noises = fitted.mixed, list(fitted.noises)
    for i, noise in enumerate(noises):
        variance, of_variance = float(mixed.variance[i]), float(mixed.of_variance[i])
        if (
            not noise.usual.field
            or not noise.known
            or variance > math.sqrt(of_variance)
            or not noise.size.high
        ):
            continue
        prior, begin = _prior_sd(used, asked), noise.size.high**2
        far = left_possible(fitted.blocks, prior, fitted.taken, sizes, mixed, i, begin, confidence)
        size = component(variance, of_variance, _of_walks(used), confidence, far)
        noises[i] = replace(noise, size=size)
    return replace(fitted, noises=tuple(noises))


def _parts(noises: Sequence[UsualNoise], varying: Sequence[UsualConstant]) -> tuple[list[str], np.ndarray]:
    """Return the variance components, and how large each usually is."""
    parts = [*(n.key for n in noises), *(f"spread:{u.key}" for u in varying)]
    return parts, np.array([*(n.size for n in noises), *(_SPREAD_SHARE * u.size for u in varying)])


def _called(
    used: Sequence[LoggedRun],
    fitted: Fitted,
    asked: Sequence[UsualConstant],
    noises: Sequence[UsualNoise],
    varying: Sequence[UsualConstant],
    assumed: Mapping[str, float],
) -> Called | None:
    """Return in which windows the odometry slipped."""
    parts, sizes = _parts(noises, varying)
    keys = [usual.key for usual in asked]
    blocks = [_differing(block_of(run, fitted.at, keys, [*parts, RARE_SLIP]), keys, assumed) for run in used]
    at = np.array([fitted.at[key] for key in keys])
    return call_slips(blocks, [driven_m(run) for run in used], _prior_sd(used, asked), at, sizes)


def _prior_sd(runs: Sequence[LoggedRun], asked: Sequence[UsualConstant]) -> np.ndarray:
    """Return how wide the priors of the constants are."""
    blind = not any(run.headings for run in runs)
    wide = [1.0 if blind and usual.key == _BY_HEADINGS else BESIDE_USUAL for usual in asked]
    return np.array([k * usual.size for k, usual in zip(wide, asked, strict=True)])


def _asked_of(runs: Sequence[LoggedRun], holonomic: bool) -> tuple[UsualConstant, ...]:
    """Return the constants that runs are asked for: the sideways scale if any of them moves sideways.

    Where it is not asked for, sideways distance has the scale of forward distance, as in a prediction.
    """
    sideways = holonomic and any(np.any(run.track.twist[:, 1]) for run in runs)
    return tuple(usual for usual in CONSTANTS if sideways or usual.key != SIDEWAYS)


def over_what(usual: UsualConstant, errors: ErrorSources) -> Literal["run", "robot"]:
    """Return over what a constant is one number, as the robot file has it or else as is usual."""
    source, slip = getattr(errors, usual.field), errors.lateral_slip
    if usual.key == "heading_latency" and slip is not None and slip.with_speed_spread > 0.0:
        # Latency and slip with speed show as one, which differs from run to run if either does.
        return "run" if "run" in (slip.constant_over, getattr(source, "constant_over", "run")) else "robot"
    return usual.over if source is None else source.constant_over


def _shows(runs: Sequence[LoggedRun], part: str) -> bool:
    """Return whether anything in the runs grows with a noise."""
    if part in JITTERS:
        return part != "jitter:heading" or any(run.headings > 0 for run in runs)
    return any(np.any(block_of(run, {}, [CONSTANTS[0].key], [part]).parts > 1e-12) for run in runs)


def _settled(
    runs: Sequence[LoggedRun],
    asked: Sequence[UsualConstant],
    parts: Sequence[str],
    sizes: np.ndarray,
    assumed: Mapping[str, float],
    called: Called | None,
) -> tuple[dict[str, float], Mixed, tuple[Block, ...], np.ndarray]:
    """Fit, and fit again about what was found: the model is linear about the constants taken."""
    keys = [usual.key for usual in asked]
    parts = [*parts, *([] if called is None else [RARE_SLIP])]
    at = dict.fromkeys(keys, 0.0)
    mixed: Mixed | None = None
    blocks: list[Block] = []
    taken = np.zeros(len(keys))
    for _ in range(_ROUNDS):
        blocks = [_differing(block_of(run, at, keys, parts), keys, assumed) for run in runs]
        if called is not None:
            blocks = [
                with_called(block, count, called.size_m)
                for block, count in zip(blocks, called.counts, strict=True)
            ]
        taken = np.array([at[key] for key in keys])
        mixed = fit_mixed(blocks, _prior_sd(runs, asked), taken, sizes)
        for key, change in zip(keys, mixed.mean.tolist(), strict=True):
            at[key] += change
    assert mixed is not None
    return at, mixed, tuple(blocks), taken


def _differing(block: Block, keys: Sequence[str], assumed: Mapping[str, float]) -> Block:
    """Return a run's block with the spreads between runs that are taken for granted."""
    known = block.known
    for key, spread in assumed.items():
        column = block.design[:, keys.index(key)]
        known = known + spread**2 * np.outer(column, column)
    return replace(block, known=known)


def usual_spread(usual: UsualConstant, errors: ErrorSources) -> float:
    """Return the spread between runs that the robot file has, else the usual size of the constant."""
    source = getattr(errors, usual.field)
    own = 0.0 if source is None else float(getattr(source, usual.names[1]))
    slip = errors.lateral_slip
    if usual.key == "heading_latency" and slip is not None:
        own = math.hypot(own, slip.with_speed_spread)
    return own if own > 0.0 else usual.size
