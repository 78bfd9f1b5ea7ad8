"""Exact crossing probabilities of a count of successes, by recursion over the looks."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
from scipy.special import gammaln


def binomial_pmf(trials: int, p: float) -> np.ndarray:
    """Return the probabilities of 0 .. trials successes."""
    k = np.arange(trials + 1)
    log = gammaln(trials + 1) - gammaln(k + 1) - gammaln(trials - k + 1)
    return np.exp(log + k * np.log(p) + (trials - k) * np.log1p(-p))


def crossings(
    p: float, looks: Iterable[int], ended: Callable[[int, np.ndarray], np.ndarray]
) -> list[tuple[int, np.ndarray]]:
    """Return for each look the probabilities of the counts that end there, by count.

    `ended` says of a look's trials and counts which of them end; what ends is taken out.
    """
    at, alive, found = 0, np.ones(1), []
    for look in looks:
        step = binomial_pmf(look - at, p)
        if min(alive.size, step.size) > 64:
            size = alive.size + step.size - 1
            alive = np.fft.irfft(np.fft.rfft(alive, size) * np.fft.rfft(step, size), size)
            alive = np.maximum(alive, 0.0)
        else:
            alive = np.convolve(alive, step)
        out = ended(look, np.arange(look + 1))
        found.append((look, np.where(out, alive, 0.0)))
        alive = np.where(out, 0.0, alive)
        at = look
    return found


def crossing_probability(
    p: float, looks: Iterable[int], ended: Callable[[int, np.ndarray], np.ndarray]
) -> float:
    """Return the probability that some look ends."""
    return float(sum(part.sum() for _, part in crossings(p, looks, ended)))
