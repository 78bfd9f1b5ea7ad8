"""The trials at checkpoints whose errors the covariance engine's normal distribution does not describe."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from driftgate.calibrate.depth import Regions, alike_share
from driftgate.calibrate.score import LEVELS, normalised, region_point
from driftgate.core.pose import FloatArray, compose, wrap_angles
from driftgate.judge.agree import disagreements
from driftgate.predict import Prepared, run_trials
from driftgate.predict.sources import TITLES
from driftgate.predict.values import CovarianceResult, Moment, TrialsResult

# Half of them give a density and half are ranked by it: a share of 95 % is then known to 0.5 %, and the
# furthest error is one in 4000.
TRIALS = 4096
# The trials are taken where a run that is as they are would look wrong by the normal distribution: where
# their mean square in units of the predicted, or their share inside a region, is off by more than this (our
# choice; chance makes 0.013 and 0.008 of so many).
_OFF_SQUARE, _OFF_SHARE = 0.2, 0.03


@dataclass(frozen=True)
class Sample:
    """Draws of the error on the field at a checkpoint.

    Attributes
    ----------
    error : ndarray, shape (n, 3)
        True less wanted pose, field axes, trial by trial. [m, m, rad]
    again : ndarray, shape (n, 3)
        The same with other luck in all that is not constant over the robot or the field.
    seed : int
        Of the trials.
    why : str
        Why they and not the normal distribution, in words.
    code : str
        The finding that `check` has of it; empty where it has none.
    """

    error: FloatArray
    again: FloatArray
    seed: int
    why: str
    code: str


def on_field(prepared: Prepared, covariance: CovarianceResult) -> list[tuple[FloatArray, FloatArray]]:
    """Return mean and covariance of the error on the field at every moment, by the covariance engine.

    Where a tolerance is relative to an element, the engine's own are of the error from that, and where the
    element really was no log says.
    """
    return [
        (own.mean, own.cov)
        if moment.within.relative_to is None
        else (covariance.knot_mean[moment.knot], covariance.knot_cov[moment.knot])
        for moment, own in zip(prepared.moments, covariance.moments, strict=True)
    ]


def samples(
    prepared: Prepared,
    predicted: Sequence[tuple[FloatArray, FloatArray]],
    covariance: CovarianceResult,
    common: frozenset[str],
    seed: int,
) -> dict[int, Sample]:
    """Return the trials at the moments at which they are to be believed, by the number of the moment.

    That is asked of the predictions alone, before any measured error is looked at.

    Parameters
    ----------
    prepared : Prepared
        The case.
    predicted : sequence of (ndarray, ndarray)
        As `on_field` gives it.
    covariance : CovarianceResult
        All that this engine says.
    common : frozenset of str
        Error sources whose draws all runs have in common.
    seed : int
        Of the trials.
    """
    trials = run_trials(prepared, TRIALS, seed)
    errors = field_errors(prepared.moments, trials)
    reasons = _reasons(prepared, predicted, covariance, trials, errors)
    if not reasons:
        return {}
    redrawn = frozenset(TITLES) - common
    again = field_errors(prepared.moments, run_trials(prepared, TRIALS, seed, redrawn=redrawn))
    return {i: Sample(errors[i], again[i], seed, *reasons[i]) for i in reasons}


def field_errors(moments: Sequence[Moment], trials: TrialsResult) -> list[FloatArray]:
    """Return true less wanted pose on the field at every moment, shape (n, 3) each.

    Also where the tolerance is relative to an element, and the trials' own error is that from the element.
    """
    found = []
    for moment, own in zip(moments, trials.moments, strict=True):
        pose = np.array(moment.pose)
        error = compose(pose, compose(own.tracking, own.estimation)) - pose
        error[:, 2] = wrap_angles(error[:, 2])
        found.append(error)
    return found


def _reasons(
    prepared: Prepared,
    predicted: Sequence[tuple[FloatArray, FloatArray]],
    covariance: CovarianceResult,
    trials: TrialsResult,
    errors: Sequence[FloatArray],
) -> dict[int, tuple[str, str]]:
    """Return why the trials are to be believed, and the code, at those moments at which they are."""
    moments = tuple(replace(moment, may_stray=False) for moment in prepared.moments)
    means = zip(covariance.moments, predicted, strict=True)
    engine = replace(
        covariance, moments=tuple(replace(own, mean=mean, cov=cov) for own, (mean, cov) in means)
    )
    drawn = zip(trials.moments, errors, strict=True)
    as_driven = replace(trials, moments=tuple(replace(own, error=error) for own, error in drawn))
    differ = {found.moment: found.why for found in disagreements(moments, engine, as_driven)}
    reasons = {}
    for i, moment in enumerate(moments):
        if moment.name in differ:
            reasons[i] = differ[moment.name], "DG405"
        elif words := _not_normal(errors[i], *predicted[i]):
            reasons[i] = words, ""
    return reasons


def _not_normal(error: FloatArray, mean: FloatArray, cov: FloatArray) -> str:
    """Return in words how trials are not as a normal distribution says; empty if they are."""
    known = error[np.isfinite(error).all(axis=1)]
    whole = cov + np.eye(3) * 1e-12
    square = float(normalised(known - mean, _each(whole, known)).mean()) / 3.0
    position = normalised(known[:, :2] - mean[:2], _each(whole[:2, :2], known))
    shares = [float(np.mean(position <= region_point(level))) for level in LEVELS]
    level, share = max(zip(LEVELS, shares, strict=True), key=lambda pair: abs(pair[0] - pair[1]))
    if abs(share - level) > _OFF_SHARE:
        return (
            f"believe the trials: the normal distribution's {100.0 * level:.0f} % region holds "
            f"{100.0 * share:.0f} % of them"
        )
    if abs(square - 1.0) > _OFF_SQUARE:
        return (
            f"believe the trials: their errors are {np.sqrt(square):.2f} times as large as the normal "
            "distribution has them"
        )
    return ""


def _each(cov: FloatArray, errors: FloatArray) -> FloatArray:
    return np.broadcast_to(cov, (len(errors), *cov.shape))


class Held(NamedTuple):
    """Measured errors held against a sample.

    Attributes
    ----------
    mean : ndarray, shape (3,)
        Of the draws.
    covs : ndarray, shape (k, 3, 3)
        Covariance of the draws, measured as each error was.
    log_density : ndarray, shape (k,)
        Of each error.
    distances : tuple of ndarray, shape (k,)
        Of the position and of all components, as `Regions.squared`.
    alike : float
        Which share of the scores' spread is that of draws which all runs have in common.
    """

    mean: FloatArray
    covs: FloatArray
    log_density: FloatArray
    distances: tuple[FloatArray, FloatArray]
    alike: float


def against(sample: Sample, error: FloatArray, cov: FloatArray, spread: FloatArray, index: int) -> Held:
    """Return measured errors held against a sample.

    Parameters
    ----------
    sample : Sample
        The draws.
    error : ndarray, shape (k, 3)
        Measured true less wanted pose, field axes; the heading may be nan. [m, m, rad]
    cov : ndarray, shape (3, 3)
        The covariance engine's, as units of the axes.
    spread : ndarray, shape (k, 3)
        Standard deviations of each measured pose, which the draws are given as well. [m, m, rad]
    index : int
        Number of the moment, for the stream of these.
    """
    size = 3 if np.isfinite(error[:, 2]).all() else 2
    known = sample.error[np.isfinite(sample.error).all(axis=1)]
    mean, own = known.mean(axis=0), np.cov(known.T)
    # The tape's own errors, of the trials and of their pairs; a micrometre where they are none.
    unit = np.random.default_rng([sample.seed, index]).normal(size=(2, *sample.error.shape))
    position, whole, density = (np.empty(len(error)) for _ in range(3))
    alike = 0.0
    for sizes in np.unique(spread, axis=0):
        rows = np.flatnonzero((spread == sizes).all(axis=1))
        scale = np.sqrt(np.square(sizes) + 1e-12)
        drawn, again = sample.error + scale * unit[0], sample.again + scale * unit[1]
        metric = cov + np.diag(np.square(scale))
        half = len(drawn) // 2
        for n, into in ((2, position), (size, whole)):
            regions = Regions(drawn[:, :n], metric[:n, :n])
            into[rows] = regions.squared(error[rows, :n])
            pairs = regions.squared(drawn[half:, :n]), regions.squared(again[half:, :n])
            alike = max(alike, alike_share(*pairs, region_point(LEVELS[-1], n)))
        density[rows] = regions.log_density(error[rows, :size])
    covs = own + np.stack([np.diag(np.square(sizes) + 1e-12) for sizes in spread])
    return Held(mean, covs, density, (position, whole), alike)
