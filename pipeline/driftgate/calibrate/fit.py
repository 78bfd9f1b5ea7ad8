"""Maximum likelihood of the dead-reckoning error model over the windows of one or several runs.

Windows overlap and are dependent, so this is a *composite* likelihood: each window counts by the share of it
that no other of its length has, and the uncertainty is that of the sandwich formula, with the variance of
the score taken between stretches of the runs that are independent of each other.

Source: C. Varin, N. Reid and D. Firth, "An overview of composite likelihood methods", Statistica Sinica 21
(2011) 5-42, sections 2.1 and 2.3 (Godambe information; from memory, checked here by simulation).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.calibrate.dead_reckoning import Segments
from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray

# What no log resolves: keeps a covariance of nothing but one walk invertible. [m, m, rad]
FLOOR = (1e-5, 1e-5, 1e-6)
_ROUNDS = 12
_SETTLED = 1e-6  # change of the constants, in their own standard errors


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
        As how many independent ones they count.
    nll : float
        Mean negative log-likelihood of a window.
    """

    constants: dict[str, float]
    noise: dict[str, float]
    names: tuple[str, ...]
    covariance: FloatArray
    windows: int
    independent: float
    nll: float

    def error_of(self, name: str) -> float:
        """Return the standard error of a constant or of a noise's standard deviation."""
        i = self.names.index(name)
        return float(np.sqrt(self.covariance[i, i]))


def covariance_of(found: Segments, noise: Mapping[str, float]) -> FloatArray:
    """Return the predicted covariance of each window's error from the noises alone, shape (k, 3, 3)."""
    cov = np.asarray(np.zeros((len(found), 3, 3)) + np.diag(np.square(FLOOR)))
    for key, sd in noise.items():
        cov += sd**2 * found.noise[key]
    return cov


def predict_end(found: Segments, fit: Fit) -> tuple[FloatArray, FloatArray]:
    """Return mean and covariance of each window's error under a fit.

    Parameters
    ----------
    found : Segments
        The windows, their errors taken at the fit's own constants.
    fit : Fit
        The model.

    Returns
    -------
    mean : ndarray, shape (k, 3)
        Zero: the constants are in the prediction already.
    cov : ndarray, shape (k, 3, 3)
        The noises' and that of the uncertainty of the constants.
    """
    cov = covariance_of(found, fit.noise)
    keys = [key for key in fit.constants if key in found.columns]
    if keys:
        columns = np.stack([found.columns[key] for key in keys], axis=-1)
        pick = [fit.names.index(key) for key in keys]
        cov = cov + columns @ fit.covariance[np.ix_(pick, pick)] @ columns.transpose(0, 2, 1)
    return np.zeros((len(found), 3)), cov


class _Stack:
    """All windows of all runs as arrays, at the constants of this round."""

    def __init__(self, runs: Sequence[Segments], keys: Sequence[str], noises: Sequence[str]) -> None:
        self.error = np.concatenate([run.error for run in runs])
        self.columns = np.concatenate(
            [
                np.stack([run.columns.get(key, np.zeros_like(run.error)) for key in keys], axis=-1)
                if keys
                else np.zeros((len(run), 3, 0))
                for run in runs
            ]
        )
        self.noise = np.stack([np.concatenate([run.noise[key] for run in runs]) for key in noises])
        self.weight = np.concatenate([run.windows.weight for run in runs])
        blocks, base = [], 0
        for run in runs:
            blocks.append(run.windows.block + base)
            base += int(run.windows.block.max(initial=-1)) + 1
        self.block = np.concatenate(blocks)
        # Each run's weights count as much as the run has independent windows of each length, all lengths
        # together as one.
        lengths = len(np.unique(np.concatenate([run.windows.length_m for run in runs])))
        self.weight = self.weight / max(lengths, 1)


@dataclass(frozen=True)
class _Prior:
    mean: FloatArray
    precision: FloatArray


def fit(
    windows_at: Callable[[Mapping[str, float]], Sequence[Segments]],
    keys: Sequence[str],
    noises: Sequence[str],
    start: Mapping[str, float] | None = None,
    prior: Mapping[str, tuple[float, float]] | None = None,
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

    Raises
    ------
    ModelError
        If there are no windows.
    """
    keys, noises = list(keys), list(noises)
    values = {**(start or {}), **{key: (start or {}).get(key, 0.0) for key in keys}}
    belief = _prior(keys, prior or {})
    variance: FloatArray | None = None
    stack = _Stack(windows_at(values), keys, noises)
    if len(stack.error) == 0:
        raise ModelError("no windows to fit on")
    for _ in range(_ROUNDS):
        at = np.array([values[key] for key in keys])
        variance, delta, information = _one_round(stack, at, belief, variance)
        for key, change in zip(keys, delta.tolist(), strict=True):
            values[key] += change
        stack = _Stack(windows_at(values), keys, noises)
        own = np.sqrt(np.maximum(np.diag(np.linalg.pinv(information)), 0.0)) if keys else np.zeros(0)
        if np.all(np.abs(delta) <= _SETTLED * own + 1e-15):
            break
    assert variance is not None
    return _finished(stack, values, keys, noises, variance, belief)


def _prior(keys: Sequence[str], prior: Mapping[str, tuple[float, float]]) -> _Prior:
    mean = np.array([prior.get(key, (0.0, np.inf))[0] for key in keys])
    precision = np.array([1.0 / prior[key][1] ** 2 if key in prior else 0.0 for key in keys])
    return _Prior(mean, precision)


def _scales(stack: _Stack) -> FloatArray:
    """Return for each noise the variance at which it alone would explain the errors."""
    weight = stack.weight[:, None]
    found = []
    for noise in stack.noise:
        diagonal = np.diagonal(noise, axis1=1, axis2=2)
        use = diagonal > 1e-12
        ratio = np.where(use, np.square(stack.error) / np.where(use, diagonal, 1.0), 0.0)
        count = float((weight * use).sum())
        found.append(max(float((weight * ratio).sum()) / count if count > 0.0 else 1.0, 1e-14))
    return np.array(found)


def _covariance(stack: _Stack, variance: FloatArray) -> FloatArray:
    floor = np.diag(np.square(FLOOR))
    return np.asarray(np.einsum("m,mkij->kij", variance, stack.noise) + floor)


def _best_delta(
    stack: _Stack, inverse: FloatArray, at: FloatArray, belief: _Prior
) -> tuple[FloatArray, FloatArray]:
    """Return the change of the constants that fits best, and its information."""
    if stack.columns.shape[2] == 0:
        return np.zeros(0), np.zeros((0, 0))
    weighted = inverse * stack.weight[:, None, None]
    information = np.einsum("kia,kij,kjb->ab", stack.columns, weighted, stack.columns)
    information = information + np.diag(belief.precision)
    right = np.einsum("kia,kij,kj->a", stack.columns, weighted, stack.error)
    right = right + belief.precision * (belief.mean - at)
    # Constants of very different size: scaled, so that what no window tells stays where it is.
    size = np.sqrt(np.maximum(np.diag(information), 1e-300))
    scaled = information / np.outer(size, size)
    return np.linalg.pinv(scaled, rcond=1e-10) @ (right / size) / size, information


def _one_round(
    stack: _Stack, at: FloatArray, belief: _Prior, variance: FloatArray | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return variances, change of the constants and its information, to first order about `at`."""
    # Late: this is the only place that optimises, and the import is heavy.
    from scipy.optimize import minimize

    scale = _scales(stack)
    begin = np.full(len(scale), 0.3) if variance is None else variance / scale

    def negative(x: FloatArray) -> tuple[float, FloatArray]:
        cov = _covariance(stack, x * scale)
        inverse = np.asarray(np.linalg.inv(cov), dtype=np.float64)
        delta, _ = _best_delta(stack, inverse, at, belief)
        left = stack.error - stack.columns @ delta
        whitened = np.einsum("kij,kj->ki", inverse, left)
        value = 0.5 * (np.linalg.slogdet(cov)[1] + np.einsum("ki,ki->k", left, whitened))
        value = float(stack.weight @ value)
        value += 0.5 * float(belief.precision @ np.square(at + delta - belief.mean))
        # By the envelope theorem delta's own change does not count.
        traces = np.einsum("mkij,kji->mk", stack.noise, inverse)
        squares = np.einsum("ki,mkij,kj->mk", whitened, stack.noise, whitened)
        gradient = 0.5 * (traces - squares) @ stack.weight
        return value, gradient * scale

    if len(scale):
        done = minimize(
            negative, begin, jac=True, method="L-BFGS-B", bounds=[(0.0, None)] * len(scale),
            options={"maxiter": 500, "ftol": 1e-12, "gtol": 1e-8},
        )  # fmt: skip
        variance = np.asarray(done.x * scale)
    else:
        variance = np.zeros(0)
    inverse = np.asarray(np.linalg.inv(_covariance(stack, variance)), dtype=np.float64)
    delta, information = _best_delta(stack, inverse, at, belief)
    return variance, delta, information


def _finished(
    stack: _Stack,
    values: dict[str, float],
    keys: Sequence[str],
    noises: Sequence[str],
    variance: FloatArray,
    belief: _Prior,
) -> Fit:
    cov = _covariance(stack, variance)
    inverse = np.asarray(np.linalg.inv(cov), dtype=np.float64)
    whitened = np.einsum("kij,kj->ki", inverse, stack.error)
    sd = np.sqrt(variance)
    # Scores of each window by the constants and by the noises' standard deviations.
    by_constant = np.einsum("kia,ki->ka", stack.columns, whitened)
    shapes = np.einsum("kij,mkjl->mkil", inverse, stack.noise)
    traces = np.einsum("mkii->mk", shapes)
    squares = np.einsum("ki,mkij,kj->mk", whitened, stack.noise, whitened)
    by_noise = (squares - traces).T * sd
    scores = stack.weight[:, None] * np.concatenate([by_constant, by_noise], axis=1)
    size = len(keys) + len(noises)
    sensitivity = np.zeros((size, size))
    sensitivity[: len(keys), : len(keys)] = np.einsum(
        "k,kia,kij,kjb->ab", stack.weight, stack.columns, inverse, stack.columns
    ) + np.diag(belief.precision)
    products = np.einsum("mkij,nkji,k->mn", shapes, shapes, stack.weight)
    sensitivity[len(keys) :, len(keys) :] = 2.0 * products * np.outer(sd, sd)
    blocks = int(stack.block.max()) + 1
    summed = np.zeros((blocks, size))
    np.add.at(summed, stack.block, scores)
    summed = summed - summed.mean(axis=0)
    bread = np.linalg.pinv(sensitivity, rcond=1e-12, hermitian=True)
    # A variance of the score from so few stretches is drawn towards what independent windows would have,
    # as by a prior worth as many stretches as there are numbers to fit.
    meat = (blocks * (summed.T @ summed) * (blocks / max(blocks - 1.0, 1.0)) + size * sensitivity) / (
        blocks + size
    )
    covariance = bread @ meat @ bread
    value = 0.5 * (np.linalg.slogdet(cov)[1] + np.einsum("ki,ki->k", stack.error, whitened))
    value += 1.5 * np.log(2.0 * np.pi)
    return Fit(
        constants=dict(values),
        noise=dict(zip(noises, sd.tolist(), strict=True)),
        names=(*keys, *noises),
        covariance=covariance,
        windows=len(stack.error),
        independent=float(stack.weight.sum()),
        nll=float(stack.weight @ value / stack.weight.sum()),
    )
