"""Maximum likelihood of the dead-reckoning error model over the windows of one or several runs.

Windows overlap and are dependent, so this is a *composite* likelihood: each window counts by the share of it
that no other of its length has, and the uncertainty is that of the sandwich formula, with the variance of
the score taken between stretches of the runs that are independent of each other.

Source: C. Varin, N. Reid and D. Firth, "An overview of composite likelihood methods", Statistica Sinica 21
(2011) 5-42, sections 2.1 and 2.3 (Godambe information; from memory, checked here by simulation).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, partial

import numpy as np

from driftgate.calibrate.dead_reckoning import Segments
from driftgate.calibrate.estimate import t_widening
from driftgate.calibrate.likelihood import FLOOR, Prior, Stack, covariance, likelihood, maximum, uncertainty
from driftgate.calibrate.possible_errors import PossibleErrors, possible_errors
from driftgate.calibrate.size_doubt import Doubt
from driftgate.calibrate.slips import (
    SLIP,
    Slips,
    as_normal,
    expected_number,
    log_counts,
    log_mixture,
    log_normal,
    of_one_slip,
)
from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray

# Distributions of windows' errors by how many components; None where all sizes are known.
Possible = Callable[[int], PossibleErrors | None]

_ROUNDS = 40
_SETTLED = 1e-4  # change of the constants, in their own standard errors
_RESTING = 2e-3  # change of the sizes of noises, as a share of them
# Components of independent errors for each number to fit: with fewer the noises mean nothing.
_TOLD_PER_NUMBER = 2.0
# Gain of log-likelihood from which rare slips are believed: a likelihood-ratio test of two numbers at about
# 1 % (chi-square with two degrees of freedom, halved; the rate's end at zero makes it a little stricter).
_WORTH_SLIPS = 4.6
# What the first round takes for a walk is begun with as one slip in so many metres. [m]
_FIRST_APART_M = 100.0


@dataclass(frozen=True)
class Fit:
    """The fitted model.

    Attributes
    ----------
    constants : dict
        Constants by key, SI.
    noise : dict
        Standard deviations of the noises, SI per root of what they grow with.
    names : tuple of str
        Constants, then noises: the order of `covariance`.
    covariance : ndarray
        Of the estimates: constants, and the noises' standard deviations.
    windows : int
        How many windows were used.
    independent : float
        As how many independent ones they count, those of all lengths together.
    sized : tuple of (tuple of str, float)
        Noises by what their variances are known with: names, and degrees of freedom. Others are taken as
        known, but for those of `doubt`.
    common : ndarray or None
        That part of `covariance` that is one draw for all runs; None: all of it but for `of_each_run`.
    nll : float
        Mean negative log-likelihood of a window.
    slips : Slips or None
        Rare slips of the distance, if they were fitted.
    spread : dict
        Of constants that differ between runs: the standard deviation that a further run's has for that; it is
        part of `covariance`.
    of_each_run : tuple of str
        Constants that each run has anew, so that what is not known of them is no draw for all.
    doubt : Doubt or None
        What is possible of the variances of noises and of constants with a spread.
    left : tuple of str
        Constants that were not found, and have the values of the robot file.
    together : tuple of tuple of str
        Constants that were found together and not each by itself (`driftgate.calibrate.known_together`).
    """

    constants: dict[str, float]
    noise: dict[str, float]
    names: tuple[str, ...]
    covariance: FloatArray
    windows: int
    independent: float
    nll: float
    slips: Slips | None = None
    sized: tuple[tuple[tuple[str, ...], float], ...] = ()
    common: FloatArray | None = None
    spread: dict[str, float] = field(default_factory=dict)
    doubt: Doubt | None = None
    of_each_run: tuple[str, ...] = ("heading_bias",)
    left: tuple[str, ...] = ()
    together: tuple[tuple[str, ...], ...] = ()

    def error_of(self, name: str) -> float:
        """Return the standard error of a constant or of a noise's standard deviation."""
        i = self.names.index(name)
        return float(np.sqrt(self.covariance[i, i]))

    def mean_error_of(self, name: str) -> float:
        """Return that part of it that is not what runs differ by."""
        return math.sqrt(max(self.error_of(name) ** 2 - self.spread.get(name, 0.0) ** 2, 0.0))


def covariance_of(found: Segments, fit: Fit) -> FloatArray:
    """Return the predicted covariance of each window's error from the noises alone, shape (k, 3, 3).

    Noises whose variance is known with so many degrees of freedom are so much wider that a normal
    distribution has the 95 % interval of Student's t.
    """
    wider = wider_by_name(fit)
    cov = np.asarray(np.zeros((len(found), 3, 3)) + np.diag(np.square(FLOOR)))
    for key, sd in fit.noise.items():
        cov += wider.get(key, 1.0) * sd**2 * found.noise[key]
    return cov


def wider_by_name(fit: Fit) -> dict[str, float]:
    """Return by how much each noise's variance is larger in a prediction, for being an estimate."""
    return {name: t_widening(f) ** 2 for names, f in fit.sized for name in names}


def typical(fit: Fit) -> Fit:
    """Return a fit whose sizes are typical of what is possible, taken for known."""
    doubt = fit.doubt
    if doubt is None:
        return fit
    sizes = dict(zip(doubt.names, doubt.typical.tolist(), strict=True))
    whole, of_mean = (
        dict(zip(doubt.names, more.tolist(), strict=True)) for more in doubt.beyond(doubt.typical)
    )
    noise = {name: math.sqrt(max(sd**2 + whole.get(name, 0.0), 0.0)) for name, sd in fit.noise.items()}
    covariance, common = fit.covariance.copy(), None if fit.common is None else fit.common.copy()
    for name in fit.spread:
        if name in sizes:
            i = fit.names.index(name)
            covariance[i, i] += whole[name]
            if common is not None:
                common[i, i] += of_mean[name]
    spread = {name: math.sqrt(sizes[name]) if name in sizes else sd for name, sd in fit.spread.items()}
    return replace(fit, noise=noise, covariance=covariance, common=common, spread=spread, doubt=None)


def possible(found: Segments, fit: Fit, size: int = 3) -> PossibleErrors | None:
    """Return the distributions of the windows' errors where sizes are not known; None if all are."""
    if fit.doubt is None:
        return None
    cov = covariance_of(found, known := typical(fit)) + of_constants(found, known)[1]
    return possible_errors(found, fit.noise, fit.spread, fit.doubt, cov[:, :size, :size])


def possible_by_size(found: Segments, fit: Fit) -> Possible:
    """Return `possible` of some windows, by how many components: each made once, whoever asks."""
    return cache(partial(possible, found, fit))


def _quiet(found: Segments, fit: Fit, by_size: Possible | None) -> FloatArray:
    """Return each window's predicted covariance without slips, shape (k, 3, 3).

    Of sizes that are not known as wide as the 95 % region reaches.
    """
    errors = (by_size or possible_by_size(found, fit))(3)
    if errors is None:
        return np.asarray(covariance_of(found, fit) + of_constants(found, fit)[1])
    root = errors.lower * errors.widening()[:, None, None]
    return np.asarray(root @ root.transpose(0, 2, 1))


def predict_end(found: Segments, fit: Fit, by_size: Possible | None = None) -> tuple[FloatArray, FloatArray]:
    """Return mean and covariance of each window's error under a fit.

    Parameters
    ----------
    found : Segments
        The windows, their errors taken at the fit's own constants.
    fit : Fit
        The model.
    by_size : callable, optional
        Of these (`possible_by_size`), where several things are asked of them.

    Returns
    -------
    mean : ndarray, shape (k, 3)
        Zero: the constants are in the prediction already.
    cov : ndarray, shape (k, 3, 3)
        That of noises and slips, and of the uncertainty of the constants.
    """
    cov = _quiet(found, fit, by_size)
    if fit.slips is not None:
        cov = cov + fit.slips.walk**2 * found.noise["distance_walk"]
    return np.zeros((len(found), 3)), cov


def plain_covariance(found: Segments, fit: Fit) -> FloatArray:
    """Return what `predict_end` does with all variances taken for known, shape (k, 3, 3)."""
    fit = typical(fit)
    cov = covariance_of(found, fit) + of_constants(found, fit)[1]
    if fit.slips is not None:
        cov = cov + fit.slips.walk**2 * found.noise["distance_walk"]
    return cov


def log_density(found: Segments, fit: Fit, size: int = 3, by_size: Possible | None = None) -> FloatArray:
    """Return the predicted log-density of each window's error, or of its first components, shape (k,)."""
    error = found.error[:, :size]
    by_size = by_size or possible_by_size(found, fit)
    if fit.slips is None and (errors := by_size(size)) is not None:
        return errors.log_density(error)
    quiet = _quiet(found, fit, by_size)[:, :size, :size]
    if fit.slips is None:
        return log_normal(error, quiet)
    return log_mixture(error, quiet, *_slipping(found, fit.slips, size))[0]


def squared_distances(
    found: Segments, fit: Fit, size: int, by_size: Possible | None = None
) -> FloatArray | None:
    """Return the normalised errors squared where the prediction is no normal distribution; None if it is.

    As `driftgate.calibrate.slips.as_normal`, of each window's first components, shape (k,).
    """
    error = found.error[:, :size]
    by_size = by_size or possible_by_size(found, fit)
    if fit.slips is None:
        errors = by_size(size)
        return None if errors is None else errors.as_normal(error)
    quiet = _quiet(found, fit, by_size)[:, :size, :size]
    return as_normal(error, quiet, *_slipping(found, fit.slips, size))


def _slipping(found: Segments, slips: Slips, size: int) -> tuple[FloatArray, FloatArray]:
    """Return what one slip adds to each window's covariance, and the log-chances of 0, 1, ... of them."""
    length = found.travelled_m
    one = slips.size_m**2 * of_one_slip(found.noise["distance_walk"], length)[:, :size, :size]
    return one, log_counts(slips.rate_per_m, length)


def of_constants(found: Segments, fit: Fit) -> tuple[FloatArray, FloatArray]:
    """Return what the uncertainty of the constants makes of each window's error.

    Returns
    -------
    factor : ndarray, shape (k, 3, c)
        Its covariance is the factor's product with its own transpose; windows of a run share the c draws.
    cov : ndarray, shape (k, 3, 3)
        The covariance.
    """
    keys = [key for key in fit.constants if key in found.columns and key in fit.names]
    if not keys:
        return np.zeros((len(found), 3, 0)), np.zeros((len(found), 3, 3))
    columns = np.stack([found.columns[key] for key in keys], axis=-1)
    pick = [fit.names.index(key) for key in keys]
    # Constants of very different size: scaled before the root is taken.
    cov = fit.covariance[np.ix_(pick, pick)]
    sd = np.sqrt(np.maximum(np.diag(cov), 0.0))
    safe = np.where(sd > 0.0, sd, 1.0)
    values, vectors = np.linalg.eigh(cov / np.outer(safe, safe))
    factor = columns @ (safe[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))
    return np.asarray(factor), np.asarray(factor @ factor.transpose(0, 2, 1))


def fit(
    windows_at: Callable[[Mapping[str, float]], Sequence[Segments]],
    keys: Sequence[str],
    noises: Sequence[str],
    start: Mapping[str, float] | None = None,
    prior: Mapping[str, tuple[float, float]] | None = None,
    slips: bool = False,
) -> Fit:
    """Fit constants and noises by maximum composite likelihood.

    Parameters
    ----------
    windows_at : callable
        Returns the segments of all runs at given constants (`driftgate.calibrate.dead_reckoning.segments`):
        the model is linear about the constants assumed, and the fit goes round until they stay.
    keys : sequence of str
        The constants to fit, of `DRIFT_KEYS`.
    noises : sequence of str
        The noises to fit, of `NOISES`.
    start : mapping, optional
        Constants to start from; those that are not in `keys` stay as they are.
    prior : mapping, optional
        Mean and standard deviation of a normal prior on constants.
    slips : bool
        Whether rare slips of the distance are fitted as well (`driftgate.calibrate.slips`).

    Raises
    ------
    ModelError
        If there are no windows, or they count as fewer independent errors than there are numbers to fit.
    """
    found = _fit(windows_at, keys, noises, start, prior, slips=False)
    if not slips:
        return found
    slipped = _fit(windows_at, keys, noises, start, prior, slips=True)
    # Two numbers more explain something in any case: rare slips must explain more than that.
    return slipped if found.independent * (found.nll - slipped.nll) > _WORTH_SLIPS else found


def _fit(
    windows_at: Callable[[Mapping[str, float]], Sequence[Segments]],
    keys: Sequence[str],
    noises: Sequence[str],
    start: Mapping[str, float] | None,
    prior: Mapping[str, tuple[float, float]] | None,
    slips: bool,
) -> Fit:
    keys, noises = list(keys), list(noises)
    values = {**(start or {}), **{key: (start or {}).get(key, 0.0) for key in keys}}
    belief = _prior(keys, prior or {})
    stack = Stack(windows_at(values), keys, noises)
    if len(stack.error) == 0:
        raise ModelError("no windows to fit on")
    enough(len(stack.error), stack.most, len(keys) + len(noises))
    found: Slips | None = None
    variance: FloatArray | None = None
    for _ in range(_ROUNDS):
        at, before, parts = np.array([values[key] for key in keys]), variance, stack
        if slips and variance is not None:
            if found is None:
                found, variance = _first_slips(noises, variance)
            found, parts = _with_slips(stack, found, variance)
        variance, delta, information = maximum(parts, at, belief, variance)
        for key, change in zip(keys, delta.tolist(), strict=True):
            values[key] += change
        stack = Stack(windows_at(values), keys, noises)
        own = np.sqrt(np.maximum(np.diag(np.linalg.pinv(information)), 0.0)) if keys else np.zeros(0)
        # Expectation-maximisation comes near slowly: there the sizes must rest as well.
        resting = not slips or _alike(variance, before)
        if resting and np.all(np.abs(delta) <= _SETTLED * own + 1e-15):
            break
    assert variance is not None
    # As n - 1 does for a plain standard deviation: what the constants took up is not noise.
    told = stack.error.shape[1] * stack.most
    variance = variance * (told / (told - len(keys)))
    if found is not None:
        found = replace(found, size_m=float(np.sqrt(variance[-1])))
    logs, parts = likelihood(stack, variance, found)
    sd = np.sqrt(variance).tolist()
    return Fit(
        constants=dict(values),
        noise=dict(zip(noises, sd[: len(noises)], strict=True)),
        names=(*keys, *noises) if found is None else (*keys, *noises, SLIP),
        covariance=uncertainty(parts, variance, belief),
        windows=len(stack.error),
        independent=float(stack.weight.sum()),
        nll=-float(stack.weight @ logs / stack.weight.sum()),
        slips=found,
        sized=((tuple(noises), told - len(keys)),),
    )


def enough(windows: int, independent: float, numbers: int) -> None:
    """Raise `ModelError` unless windows, which count as so many, tell more than there is to fit."""
    if 3.0 * independent < _TOLD_PER_NUMBER * numbers:
        needed = math.ceil(_TOLD_PER_NUMBER * numbers / 3.0)
        raise ModelError(
            f"{windows} windows count as {independent:.2g} independent errors, too few to "
            f"fit {numbers} numbers on, which takes {needed}; drive longer, with turns both ways and the "
            "pose measured more often, or fit on more runs"
        )


def _prior(keys: Sequence[str], prior: Mapping[str, tuple[float, float]]) -> Prior:
    mean = np.array([prior.get(key, (0.0, np.inf))[0] for key in keys])
    precision = np.array([1.0 / prior[key][1] ** 2 if key in prior else 0.0 for key in keys])
    return Prior(mean, precision)


def _alike(now: FloatArray, before: FloatArray | None) -> bool:
    if before is None or len(now) != len(before):
        return False
    a, b = np.sqrt(now), np.sqrt(before)
    return bool(np.all(np.abs(a - b) <= _RESTING * a + 1e-9))


def _first_slips(noises: Sequence[str], variance: FloatArray) -> tuple[Slips, FloatArray]:
    """Return what to begin with, from the walk that the round without slips has found."""
    walk = float(variance[noises.index("distance_walk")]) if "distance_walk" in noises else 0.0
    size = max(_FIRST_APART_M * walk, 1e-6)
    return Slips(1.0 / _FIRST_APART_M, float(np.sqrt(size))), np.append(variance, size)


def _with_slips(stack: Stack, slips: Slips, variance: FloatArray) -> tuple[Slips, Stack]:
    """Return the rate of slips, and the windows split by how many of them they have."""
    one = variance[-1] * of_one_slip(stack.walk, stack.length)
    logs = log_counts(slips.rate_per_m, stack.length)
    _, shares = log_mixture(stack.error, covariance(stack, variance[:-1]), one, logs)
    metres = float(stack.weight @ stack.length)
    rate = max(float(stack.weight @ expected_number(shares)) / metres, 1e-9)
    return Slips(rate, slips.size_m, float(np.sqrt(rate / metres))), stack.split(shares)
