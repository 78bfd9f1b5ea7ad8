"""How far the robot's filter is right about its own errors: counts over all trials of a batch.

Everything is kept in whole numbers, so that sums depend neither on batches nor on their order, and in
sums, so that memory does not grow with the trials. A normalised square is cut off at 1000: a filter
that is more than 31 of its own standard deviations off is wrong, and by how much does not matter.

Source: Y. Bar-Shalom, X. R. Li and T. Kirubarajan, Estimation with Applications to Tracking and
Navigation (2001), section 5.4: normalised innovation squared (NIS) and estimation error squared (NEES).
"""

from __future__ import annotations

import functools
import math
import statistics
from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.predict.filter import Six

Whole = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

# The regions of its own that a filter is held to, and what they are called by.
LEVELS = (0.50, 0.68, 0.90, 0.95)
AXES = ("x", "y", "heading", "all")
MICRO, MILLI = 1e6, 1e3
_MOST = 1e3
# Below this a filter knows a coordinate perfectly: (1e-9 m)^2, and what a double resolves of a variance.
_LEAST_VARIANCE = 1e-18
_LEAST_SHARE = 1e-12
_LEAST_ERROR = 1e-9


@dataclass(frozen=True)
class FilterTally:
    """Sums over trials, whole numbers; slots are those of `driftgate.sight.pairs`.

    Attributes
    ----------
    tried, used : ndarray, shape (slots, steps)
        Readings that came to the gate, and those that became fixes.
    nis_tried, nis_used : ndarray, shape (slots, steps)
        Sums of their normalised innovations squared. [1e-6]
    beyond : ndarray, shape (slots, steps, 2)
        Of those tried, beyond the 95 % and the 99 % point of chi-square with one degree of freedom.
    signed : ndarray, shape (slots, steps)
        Sum of the normalised innovations of those tried. [1e-6]
    own : ndarray, shape (slots, steps)
        Sum of the reading's own share of the innovation's predicted variance. [1e-6]
    by_trial : ndarray, shape (slots, 3)
        Trials with a fix; sum of the trials' mean normalised innovation squared [1e-3], and
        of its square [1e-6]. Readings of one trial share its constants, trials are independent.
    nees : ndarray, shape (moments, 3)
        Trials; sum of the normalised estimation error squared [1e-3], and of its square [1e-6].
    inside : ndarray, shape (moments, axes, levels)
        Trials with the truth inside the filter's own region: x, y, heading, and all three together.
    offset, offset2 : ndarray, shape (moments, 3)
        Sum of the estimation error in units of the filter's own spread [1e-3], and of its square [1e-3].
    certain : ndarray, shape (moments,)
        Trials whose filter knows some direction perfectly.
    """

    tried: Whole
    used: Whole
    nis_tried: Whole
    nis_used: Whole
    beyond: Whole
    signed: Whole
    own: Whole
    by_trial: Whole
    nees: Whole
    inside: Whole
    offset: Whole
    offset2: Whole
    certain: Whole

    def __add__(self, other: FilterTally) -> FilterTally:
        """Return the sums over both sets of trials."""
        return FilterTally(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))


def empty_filter_tally(slots: int, steps: int, moments: int) -> FilterTally:
    """Return sums over no trials."""

    def zeros(*shape: int) -> Whole:
        return np.zeros(shape, dtype=np.int64)

    here = (slots, steps)
    return FilterTally(
        tried=zeros(*here),
        used=zeros(*here),
        nis_tried=zeros(*here),
        nis_used=zeros(*here),
        beyond=zeros(*here, 2),
        signed=zeros(*here),
        own=zeros(*here),
        by_trial=zeros(slots, 3),
        nees=zeros(moments, 3),
        inside=zeros(moments, len(AXES), len(LEVELS)),
        offset=zeros(moments, 3),
        offset2=zeros(moments, 3),
        certain=zeros(moments),
    )


@functools.cache
def _points() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the limits of the regions for one and for three coordinates, and those of a gate: 95, 99 %."""
    return (
        np.array([_one_point(level) for level in LEVELS]),
        np.array([_three_point(level) for level in LEVELS]),
        np.array([_one_point(level) for level in (0.95, 0.99)]),
    )


def _one_point(level: float) -> float:
    """Return the point below which the square of a normal lies with a probability."""
    return statistics.NormalDist().inv_cdf(0.5 + 0.5 * level) ** 2


def _three_point(level: float) -> float:
    """Return that of the sum of three such squares.

    Their distribution is erf(sqrt(x / 2)) - sqrt(2 x / pi) exp(-x / 2), by parts (derived); by halving, since
    importing a library for it takes longer than a short run.
    """
    low, high = 0.0, 100.0
    while high - low > 1e-14 * high:
        x = 0.5 * (low + high)
        below = math.erf(math.sqrt(0.5 * x)) - math.sqrt(2.0 * x / math.pi) * math.exp(-0.5 * x)
        low, high = (x, high) if below < level else (low, x)
    return 0.5 * (low + high)


def _sum(values: FloatArray, unit: float) -> int:
    # Whole numbers below 2^53 in all: exact, in whatever order they are added.
    whole = values * unit
    np.rint(whole, out=whole)
    return int(np.add.reduce(whole))


@dataclass
class FilterWatch:
    """Watches the filters of one batch of trials."""

    tally: FilterTally
    # By slot: each trial's sum of normalised innovations squared over its fixes, and how many.
    _sums: dict[int, FloatArray] = field(default_factory=dict)
    _counts: dict[int, FloatArray] = field(default_factory=dict)

    def innovation(
        self,
        slot: int,
        step: int,
        innovation: FloatArray,
        predicted: FloatArray,
        own: FloatArray,
        tried: BoolArray,
    ) -> FloatArray:
        """Count innovations at the gate; return them normalised and squared, 0 where none was tried."""
        known = tried & (predicted > 0.0)
        inverse = 1.0 / predicted if known.all() else known / np.where(known, predicted, 1.0)
        squared = innovation * innovation
        squared *= inverse
        np.minimum(squared, _MOST, out=squared)
        tally = self.tally
        tally.tried[slot, step] += np.count_nonzero(tried)
        tally.nis_tried[slot, step] += _sum(squared, MICRO)
        tally.signed[slot, step] += _sum(np.copysign(np.sqrt(squared), innovation), MICRO)
        tally.own[slot, step] += _sum(own * inverse, MICRO)
        for i, point in enumerate(_points()[2].tolist()):
            tally.beyond[slot, step, i] += np.count_nonzero(squared > point)
        return squared

    def taken(self, slot: int, step: int, squared: FloatArray, used: BoolArray) -> None:
        """Count those that became fixes."""
        self.tally.used[slot, step] += np.count_nonzero(used)
        whole = used.all()
        taken = squared if whole else squared * used
        self.tally.nis_used[slot, step] += _sum(taken, MICRO)
        none = np.zeros(1)
        self._sums[slot] = self._sums.get(slot, none) + taken
        self._counts[slot] = self._counts.get(slot, none) + (1.0 if whole else used)

    def moment(
        self, index: int, error: tuple[FloatArray, FloatArray, FloatArray], p: Six, count: int
    ) -> None:
        """Hold the estimation errors at a moment, field axes, against the filter's own covariance."""
        tally = self.tally
        e = [np.broadcast_to(part, (count,)) for part in error]
        one, three, _ = _points()
        for axis, variance in enumerate((p[0], p[3], p[5])):
            ratio, _ = _normalised(e[axis], np.broadcast_to(variance, (count,)), np.zeros(1))
            tally.inside[index, axis] += [np.count_nonzero(ratio <= point) for point in one]
            tally.offset[index, axis] += _sum(np.copysign(np.sqrt(ratio), e[axis]), MILLI)
            tally.offset2[index, axis] += _sum(ratio, MILLI)
        nees, certain = normalised_error(e, p)
        tally.inside[index, 3] += [np.count_nonzero(nees <= point) for point in three]
        tally.nees[index] += [
            count,
            _sum(nees, MILLI),
            int(np.square(np.rint(nees * MILLI).astype(np.int64)).sum()),
        ]
        tally.certain[index] += np.count_nonzero(certain)

    def finished(self) -> FilterTally:
        """Return the sums, those by trial included."""
        for slot, sums in self._sums.items():
            counts = np.broadcast_to(self._counts[slot], sums.shape)
            some = counts > 0
            mean = np.rint(sums[some] / counts[some] * MILLI).astype(np.int64)
            self.tally.by_trial[slot] += [int(some.sum()), int(mean.sum()), int(np.square(mean).sum())]
        self._sums.clear()
        self._counts.clear()
        return self.tally


def normalised_error(error: list[FloatArray], p: Six) -> tuple[FloatArray, BoolArray]:
    """Return e' P^-1 e of every trial, at most 1000, and where the filter knows some direction perfectly.

    By P = L D L'. A direction with no variance adds nothing if there is no error in it, else everything.
    """
    xx, xy, xh, yy, yh, hh = (np.broadcast_to(a, error[0].shape) for a in p)
    ex, ey, eh = error
    first, certain = _normalised(ex, xx, np.zeros(1))
    sure = xx <= _LEAST_VARIANCE
    safe = np.where(sure, 1.0, xx)
    l_yx, l_hx = np.where(sure, 0.0, xy / safe), np.where(sure, 0.0, xh / safe)
    d_y = yy - l_yx * xy
    left_y = ey - l_yx * ex
    second, sure_y = _normalised(left_y, d_y, yy)
    d_yh = yh - l_yx * xh
    l_hy = np.where(sure_y, 0.0, d_yh / np.where(sure_y, 1.0, d_y))
    left_h = eh - l_hx * ex - l_hy * left_y
    third, sure_h = _normalised(left_h, hh - l_hx * xh - l_hy * d_yh, hh)
    return np.minimum(first + second + third, _MOST), certain | sure_y | sure_h


def _normalised(error: FloatArray, variance: FloatArray, before: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Return error^2 / variance, at most 1000; a coordinate that is known perfectly is right or all wrong."""
    sure = variance <= np.maximum(_LEAST_VARIANCE, _LEAST_SHARE * before)
    squared = np.minimum(np.square(error) / np.where(sure, 1.0, variance), _MOST)
    return np.where(sure, np.where(np.abs(error) <= _LEAST_ERROR, 0.0, _MOST), squared), sure
