"""Rare slips in chains of windows: in which windows the odometry slipped, how often, and by how much.

A slip is a jump of the odometry's distance somewhere between two reference poses
(`driftgate.calibrate.slips`). Taken for a walk it makes the walk far too wide for most runs. So the windows
that slipped are looked for: each by its share of 0, 1, ... slips given those called elsewhere, in turn with a
fit of everything else that allows for them. Rate and size follow from the shares, so that slips too small to
be called count too. All of it is believed where it makes the runs likelier by more than chance would: what
stands for the likelihood is that of the runs *and* of the calls, no larger than that of the runs alone.

Sources: A. P. Dempster, N. M. Laird and D. B. Rubin, "Maximum likelihood from incomplete data via the EM
algorithm", J. R. Statist. Soc. B 39 (1977) 1-38; as how many slips the rate is known: T. A. Louis, "Finding
the observed information matrix when using the EM algorithm", J. R. Statist. Soc. B 44 (1982) 226-233 (from
memory): what is seen of the rate is what all slips would tell, less the variance of their number.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from driftgate.calibrate.component import Component, component
from driftgate.calibrate.mixed import Block, Mixed, fit_mixed
from driftgate.calibrate.slips import MOST, log_counts
from driftgate.core.pose import FloatArray

# A window that is so many (robust) standard deviations off along its way is looked at first.
_SUSPECT = 3.0
# From the median of absolute values to the standard deviation of a normal distribution.
_TO_SD = 1.4826
# Fits of everything else; between two of them rounds of expectation and maximisation of rate and size.
_FITS, _ROUNDS = 8, 200
# Change of rate and size, as a share, at which they rest; and that which no further fit need know of.
_RESTING, _ALIKE = 1e-4, 0.02
# Gain of log-likelihood from which slips are believed, as in `driftgate.calibrate.fit`.
_WORTH = 4.6
# What a slip does in a direction, against that in its main one, below which it is rounding.
_NOTHING = 1e-6
_NUMBERS = np.arange(MOST + 1)


@dataclass(frozen=True)
class Called:
    """Which windows are taken to have slipped.

    Attributes
    ----------
    counts : tuple of ndarray of int
        By run: how many slips each of its windows has.
    size_m : float
        Standard deviation of one slip. [m]
    expected : float
        Expected number of slips in all runs.
    seen : float
        As how many slips without doubt the rate is known.
    travelled_m : float
        Distance travelled in all runs. [m]
    """

    counts: tuple[np.ndarray, ...]
    size_m: float
    expected: float
    seen: float
    travelled_m: float


@dataclass(frozen=True)
class FoundSlips:
    """Rare slips as found.

    Attributes
    ----------
    rate_per_m : float
        Expected number per metre. [1/m]
    interval_per_m : tuple of float
        Where the rate may lie. [1/m]
    size : Component
        Standard deviation of one slip. [m]
    seen : float
        As how many slips the rate is known.
    """

    rate_per_m: float
    interval_per_m: tuple[float, float]
    size: Component
    seen: float


def found_slips(called: Called, confidence: float) -> FoundSlips:
    """Return rate and size of called slips.

    The rate is the mean of what the runs leave possible, half a slip more than they had, so that what takes
    slips by their variance expects as many as the trials. Its interval is what predictions draw
    (`driftgate.predict.doubt`): Gamma(n + 1/2) about that mean.
    """
    seen, variance = called.seen, called.size_m**2
    rate = (called.expected + 0.5) / called.travelled_m
    tail = 0.5 * (1.0 - confidence)
    shape = seen + 0.5
    low, high = (rate / shape * float(special.gammaincinv(shape, p)) for p in (tail, 1.0 - tail))
    size = component(variance, 2.0 * variance**2 / seen, seen, confidence)
    return FoundSlips(rate, (low, high), size, seen)


def with_called(block: Block, counts: np.ndarray, size_m: float) -> Block:
    """Return a block without its last part, one slip in each window, but with the slips that are called."""
    slips = size_m**2 * np.repeat(counts, 3)[:, None] * block.parts[-1]
    return replace(block, parts=block.parts[:-1], known=block.known + slips)


def call_slips(
    blocks: Sequence[Block],
    lengths_m: Sequence[FloatArray],
    prior_sd: FloatArray,
    at: FloatArray,
    usual_sd: FloatArray,
) -> Called | None:
    """Return which windows slipped; None if slips explain nothing that the rest does not.

    Parameters
    ----------
    blocks : sequence of Block
        The runs; their last part is one slip of unit size in each window.
    lengths_m : sequence of ndarray
        By run: the distance travelled in each window. [m]
    prior_sd, at, usual_sd : ndarray
        As in `driftgate.calibrate.mixed.fit_mixed`.
    """
    length = np.concatenate(lengths_m)
    ends = np.cumsum([len(own) for own in lengths_m])[:-1]

    def fitted(counts: np.ndarray, size_m: float) -> tuple[_Windows, Mixed]:
        called = [
            with_called(block, own, size_m) for block, own in zip(blocks, np.split(counts, ends), strict=True)
        ]
        found = fit_mixed(called, prior_sd, at, usual_sd)
        return _Windows(blocks, called, found, counts, size_m, length), found

    windows, first = fitted(np.zeros(len(length), dtype=int), 0.0)
    likeliest, size = windows.suspects()
    rate = float(likeliest.sum()) / max(float(length.sum()), 1e-9)
    for _ in range(_FITS):
        counts, before = likeliest, size
        if not (counts.any() and size > 0.0):
            return None
        windows, found = fitted(counts, size)
        rate, size = windows.rate_and_size(rate, size)
        shares = windows.shares(rate, size)
        likeliest = shares.argmax(axis=1)
        if np.array_equal(counts, likeliest) and abs(size - before) <= _ALIKE * size:
            break
    # Where nothing came to rest, too, the calls that count are those that the runs were last fitted with.
    of_calls = float(log_counts(rate, length)[np.arange(len(counts)), counts].sum())
    if 0.5 * (first.deviance - found.deviance) + of_calls <= _WORTH:
        return None
    expected = shares @ _NUMBERS
    unseen = shares @ _NUMBERS**2 - np.square(expected)
    total = float(expected.sum())
    seen = max(total - float(unseen.sum()), 0.5)
    return Called(tuple(np.split(counts, ends)), size, total, seen, float(length.sum()))


class _Windows:
    """All windows of all runs, each by itself, given what is called in the others."""

    def __init__(
        self,
        blocks: Sequence[Block],
        called: Sequence[Block],
        found: Mixed,
        counts: np.ndarray,
        size_m: float,
        length_m: FloatArray,
    ) -> None:
        self.length_m = length_m
        one, inverse, weighted = [], [], []
        for block, own in zip(blocks, called, strict=True):
            count = len(own.error) // 3
            whole = np.asarray(np.linalg.inv(own.known + np.tensordot(found.variance, own.parts, axes=1)))
            inverse.append(_diagonal(whole, count))
            weighted.append((whole @ (own.error - own.design @ found.mean)).reshape(count, 3))
            one.append(_diagonal(block.parts[-1], count))
        # A unit slip's covariance and mean square; the directions in which it acts at all.
        self.one = np.concatenate(one)
        self.square = np.maximum(np.einsum("kii->k", self.one), 1e-12)
        values, axes = np.linalg.eigh(self.one)
        acts = values > _NOTHING * np.maximum(values[:, -1:], 1e-12)
        self.rank = acts.sum(axis=1)
        self.within = (axes * acts[:, None, :]) @ axes.transpose(0, 2, 1)
        # Inverse covariance of a window's error given all others, and its product with what is left of it:
        # the window's own called slips are taken out of the whole by the matrix inversion lemma.
        own_slips = size_m**2 * counts[:, None, None] * self.one
        taken = np.eye(3) - np.concatenate(inverse) @ own_slips
        self.inverse = np.linalg.solve(taken, np.concatenate(inverse))
        self.weighted = np.linalg.solve(taken, np.concatenate(weighted)[:, :, None])[:, :, 0]

    def suspects(self) -> tuple[np.ndarray, float]:
        """Return one slip for each window that is far off along its way, and how far those are. [m]

        Far by a scale that slips do not widen: the median of all.
        """
        moves = self.rank > 0
        # In the directions in which a slip acts: the shift that fits best, and how much it gains.
        seen = np.linalg.pinv(self.within @ self.inverse @ self.within, hermitian=True)
        shift = (seen @ self.weighted[:, :, None])[:, :, 0]
        gain = np.einsum("ki,ki->k", self.weighted, shift) / np.maximum(self.rank, 1)
        off = np.sqrt(np.maximum(np.where(moves, gain, 0.0), 0.0))
        scale = _TO_SD * float(np.median(off[moves])) if moves.any() else 0.0
        far = (off > _SUSPECT * scale) & (scale > 0.0)
        sizes = np.einsum("ki,ki->k", shift, shift) / self.square
        return far.astype(int), float(np.sqrt(np.mean(sizes[far]))) if far.any() else 0.0

    def shares(self, rate_per_m: float, size_m: float) -> FloatArray:
        """Return the shares of 0, 1, ... slips in each window, shape (k, MOST + 1)."""
        logs = log_counts(rate_per_m, self.length_m)
        for n in range(1, MOST + 1):
            slipped = n * size_m**2 * self.one
            wider = np.eye(3) + self.inverse @ slipped
            moved = (slipped @ np.linalg.solve(wider, self.weighted[:, :, None]))[:, :, 0]
            logs[:, n] += 0.5 * (np.einsum("ki,ki->k", self.weighted, moved) - np.linalg.slogdet(wider)[1])
        # Where a slip does nothing none is told from any.
        logs[self.rank == 0, 1:] = -np.inf
        return np.asarray(np.exp(logs - special.logsumexp(logs, axis=1, keepdims=True)))

    def rate_and_size(self, rate_per_m: float, size_m: float) -> tuple[float, float]:
        """Return rate and size that fit the shares that they make themselves.

        The size is that of the mean square shift. The likelihood would count each direction by what a slip
        does in it; in a window nearly straight that is next to nothing to the side, and millimetres that are
        none of the slip's there would pass for decimetres of slip.
        """
        travelled = float(self.length_m.sum())
        for _ in range(_ROUNDS):
            shares = self.shares(rate_per_m, size_m)
            number, squares = float((shares @ _NUMBERS).sum()), 0.0
            for n in range(1, MOST + 1):
                slipped = n * size_m**2 * self.one
                moved = slipped @ np.linalg.inv(np.eye(3) + self.inverse @ slipped)
                mean = (moved @ self.weighted[:, :, None])[:, :, 0]
                second = moved + mean[:, :, None] * mean[:, None, :]
                squares += float(shares[:, n] @ (np.einsum("kii->k", second) / self.square))
            before = rate_per_m, size_m
            rate_per_m, size_m = number / travelled, float(np.sqrt(squares / number))
            if abs(rate_per_m / before[0] - 1.0) + abs(size_m / before[1] - 1.0) <= _RESTING:
                break
        return rate_per_m, size_m


def _diagonal(whole: FloatArray, count: int) -> FloatArray:
    """Return the blocks on the diagonal of a run's matrix, shape (count, 3, 3)."""
    index = np.arange(count)
    return np.asarray(whole.reshape(count, 3, count, 3)[index, :, index, :])
