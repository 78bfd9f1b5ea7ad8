"""The composite likelihood of window errors: its maximum about given constants, and how sharp it is."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.calibrate.dead_reckoning import Segments
from driftgate.calibrate.slips import Slips, kept_shares, log_counts, log_mixture, log_normal, of_one_slip
from driftgate.core.pose import FloatArray

# What no log resolves: keeps a covariance of nothing but one walk invertible. [m, m, rad]
FLOOR = (1e-5, 1e-5, 1e-6)
# A window with less of a noise than this share of the most says nothing of its size: a gyro's own rounding on
# a straight is no turn, and would begin the search where one turn is worth a thousand radians.
_LEAST_OF_NOISE = 1e-4


class Stack:
    """All windows of all runs as arrays, at the constants of one round."""

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
        rows = [np.concatenate([run.noise[key] for run in runs]) for key in noises]
        self.noise = np.stack(rows) if rows else np.zeros((0, len(self.error), 3, 3))
        self.length = np.concatenate([run.travelled_m for run in runs])
        self.walk = np.concatenate([run.noise["distance_walk"] for run in runs])
        # All lengths together count as one: what is told twice is not told better.
        nominal = np.concatenate([run.windows.length_m for run in runs])
        lengths, which = np.unique(nominal, return_inverse=True)
        weight = np.concatenate([run.windows.weight for run in runs])
        self.weight = weight / max(len(lengths), 1)
        # As how many independent errors the windows of the length count that has most.
        self.most = float(np.bincount(which, weight).max(initial=0.0))
        blocks, base = [], 0
        for run in runs:
            blocks.append(run.windows.block + base)
            base += int(run.windows.block.max(initial=-1)) + 1
        self.block = np.concatenate(blocks)

    def split(self, shares: FloatArray) -> Stack:
        """Return the windows split by how many slips they have; the slips' size is a noise more."""
        which, count, share = kept_shares(shares)
        out = copy.copy(self)
        for name in ("error", "columns", "length", "walk", "block"):
            setattr(out, name, getattr(self, name)[which])
        out.weight = self.weight[which] * share
        slip = count[:, None, None] * of_one_slip(out.walk, out.length)
        out.noise = np.concatenate([self.noise[:, which], slip[None]])
        return out


@dataclass(frozen=True)
class Prior:
    """Normal priors on the constants: means, and one over their variances."""

    mean: FloatArray
    precision: FloatArray


def covariance(stack: Stack, variance: FloatArray) -> FloatArray:
    """Return the covariance of each window's error at given variances of the noises."""
    floor = np.diag(np.square(FLOOR))
    return np.asarray(np.einsum("m,mkij->kij", variance, stack.noise) + floor)


def maximum(
    stack: Stack, at: FloatArray, belief: Prior, variance: FloatArray | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return variances, change of the constants and its information, to first order about `at`.

    Parameters
    ----------
    stack : Stack
        The windows, at these constants.
    at : ndarray
        The constants.
    belief : Prior
        What is known of them beforehand.
    variance : ndarray, optional
        Variances to start from.
    """
    # Late: this is the only place that optimises, and the import is heavy.
    from scipy.optimize import minimize

    scale = _scales(stack)
    begin = np.full(len(scale), 0.3) if variance is None else variance / scale

    def negative(x: FloatArray) -> tuple[float, FloatArray]:
        cov = covariance(stack, x * scale)
        inverse = np.asarray(np.linalg.inv(cov), dtype=np.float64)
        delta, _ = _best_delta(stack, inverse, at, belief)
        left = stack.error - stack.columns @ delta
        whitened = np.einsum("kij,kj->ki", inverse, left)
        value = 0.5 * (np.linalg.slogdet(cov)[1] + np.einsum("ki,ki->k", left, whitened))
        total = float(stack.weight @ value)
        total += 0.5 * float(belief.precision @ np.square(at + delta - belief.mean))
        # By the envelope theorem delta's own change does not count.
        traces = np.einsum("mkij,kij->mk", stack.noise, inverse)
        squares = np.einsum("mki,ki->mk", (stack.noise @ whitened[:, :, None])[..., 0], whitened)
        gradient = 0.5 * (traces - squares) @ stack.weight
        return total, gradient * scale

    best = np.zeros(0)
    if len(scale):
        done = minimize(
            negative, begin, jac=True, method="L-BFGS-B", bounds=[(0.0, None)] * len(scale),
            options={"maxiter": 300, "ftol": 1e-10, "gtol": 1e-7},
        )  # fmt: skip
        best = np.asarray(done.x * scale)
    inverse = np.asarray(np.linalg.inv(covariance(stack, best)), dtype=np.float64)
    delta, information = _best_delta(stack, inverse, at, belief)
    return best, delta, information


def _scales(stack: Stack) -> FloatArray:
    """Return for each noise the variance at which it alone would explain the errors."""
    weight = stack.weight[:, None]
    found = []
    for noise in stack.noise:
        diagonal = np.diagonal(noise, axis1=1, axis2=2)
        use = diagonal > np.maximum(_LEAST_OF_NOISE * diagonal.max(axis=0, initial=0.0), 1e-12)
        ratio = np.where(use, np.square(stack.error) / np.where(use, diagonal, 1.0), 0.0)
        count = float((weight * use).sum())
        found.append(max(float((weight * ratio).sum()) / count if count > 0.0 else 1.0, 1e-14))
    return np.array(found)


def _best_delta(
    stack: Stack, inverse: FloatArray, at: FloatArray, belief: Prior
) -> tuple[FloatArray, FloatArray]:
    """Return the change of the constants that fits best, and its information."""
    if stack.columns.shape[2] == 0:
        return np.zeros(0), np.zeros((0, 0))
    weighted = (inverse * stack.weight[:, None, None]) @ stack.columns
    flat = stack.columns.reshape(-1, stack.columns.shape[2])
    heavy = weighted.reshape(flat.shape)
    information = flat.T @ heavy + np.diag(belief.precision)
    right = heavy.T @ stack.error.reshape(-1) + belief.precision * (belief.mean - at)
    # Constants of very different size: scaled, so that what no window tells stays where it is.
    size = np.sqrt(np.maximum(np.diag(information), 1e-300))
    scaled = information / np.outer(size, size)
    return np.linalg.pinv(scaled, rcond=1e-10) @ (right / size) / size, information


def likelihood(stack: Stack, variance: FloatArray, slips: Slips | None) -> tuple[FloatArray, Stack]:
    """Return the log-likelihood of each window, and the windows split by their number of slips.

    The score of a mixture is that of its parts, each by its share (R. A. Fisher's identity).
    """
    if slips is None:
        return log_normal(stack.error, covariance(stack, variance)), stack
    one = variance[-1] * of_one_slip(stack.walk, stack.length)
    logs = log_counts(slips.rate_per_m, stack.length)
    found, shares = log_mixture(stack.error, covariance(stack, variance[:-1]), one, logs)
    return found, stack.split(shares)


def uncertainty(stack: Stack, variance: FloatArray, belief: Prior) -> FloatArray:
    """Return the covariance of the estimates, constants first, then the noises' standard deviations.

    The sandwich formula of a composite likelihood. The variance of the score comes from so few
    independent stretches that it is drawn towards what independent windows would have, as by a prior
    worth as many stretches as there are numbers to fit.
    """
    constants = stack.columns.shape[2]
    size = constants + len(variance)
    inverse = np.asarray(np.linalg.inv(covariance(stack, variance)), dtype=np.float64)
    whitened = np.einsum("kij,kj->ki", inverse, stack.error)
    sd = np.sqrt(variance)
    by_constant = np.einsum("kia,ki->ka", stack.columns, whitened)
    shapes = inverse @ stack.noise
    traces = np.einsum("mkii->mk", shapes)
    squares = np.einsum("mki,ki->mk", (stack.noise @ whitened[:, :, None])[..., 0], whitened)
    scores = np.concatenate([by_constant, (squares - traces).T * sd], axis=1) * stack.weight[:, None]

    sensitivity = np.zeros((size, size))
    weighted = (inverse * stack.weight[:, None, None]) @ stack.columns
    flat = stack.columns.reshape(3 * len(stack.error), constants)
    sensitivity[:constants, :constants] = flat.T @ weighted.reshape(flat.shape) + np.diag(belief.precision)
    products = np.einsum("mkij,nkji,k->mn", shapes, shapes, stack.weight, optimize=True)
    sensitivity[constants:, constants:] = 2.0 * products * np.outer(sd, sd)

    blocks = int(stack.block.max()) + 1
    summed = np.zeros((blocks, size))
    np.add.at(summed, stack.block, scores)
    summed = summed - summed.mean(axis=0)
    between = blocks * (summed.T @ summed) * (blocks / max(blocks - 1.0, 1.0))
    meat = (between + size * sensitivity) / (blocks + size)
    # Estimates of very different size, some of them not told at all.
    diagonal = np.diag(sensitivity)
    told = diagonal > 0.0
    scale = np.where(told, np.sqrt(np.where(told, diagonal, 1.0)), 1.0)
    bread = np.linalg.pinv(sensitivity / np.outer(scale, scale), rcond=1e-12, hermitian=True)
    bread = bread / np.outer(scale, scale)
    found = np.asarray(bread @ meat @ bread)
    # A noise of size zero has no slope in its standard deviation: how large it may be follows from how
    # well its variance is known, which is about the square of that.
    for i in np.flatnonzero(sd == 0.0):
        own = 0.5 * float(products[i, i])
        found[constants + i, constants + i] = own**-0.5 if own > 0.0 else 0.0
    return found
