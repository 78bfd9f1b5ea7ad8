"""Does the filter of replayed runs claim to know more, or less, than it does? All runs together.

Whether its regions hold the truth as often as they claim is asked of this robot on this field, of which the
runs are a sample: their poses count as as many independent ones as the errors within each run show
(`driftgate.calibrate.score.effective_count`), and never as more than the runs' own scatter bears out. How
large the errors are is asked of all robots that the file may mean: one whose sensors happen to be far off is
within what its filter says, so that what runs share (`driftgate.calibrate.shared_errors`) counts once. By the
first a filter is said to claim too much, by the second too much or too little: a robot that happens to be
good is no reason to trust its filter more.

Source: E. L. Korn and B. I. Graubard, "Confidence intervals for proportions with small expected number of
positive counts estimated from survey data", Survey Methodology 24 (1998) 193-201 (the effective count of
clusters, with their degrees of freedom; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import count

import numpy as np
from scipy import special

from driftgate.calibrate.correction_score import CorrectionScore
from driftgate.calibrate.score import LEVELS, Word, chi_square_bounds, fewest, kept_share
from driftgate.calibrate.shared_errors import share_between
from driftgate.core.pose import FloatArray
from driftgate.judge.bounds import interval
from driftgate.judge.consistency import COVERAGE


def _size(share: float) -> float:
    """Return the mean normalised error of a filter whose 95 % region holds such a share, in the plane."""
    return math.log(1.0 - LEVELS[-1]) / math.log(1.0 - share)


# What is fit for use by coverage (`judge.consistency`), and as much by the size of the errors.
NORMALISED = (_size(COVERAGE[1]), _size(COVERAGE[0]))


# How runs differ fewer do not show.
_FEW_RUNS = 3


@dataclass(frozen=True)
class FilterClaim:
    """The filter's own regions over all replayed runs.

    Attributes
    ----------
    runs, poses : int
        How many runs, and measured positions in them.
    independent : float
        As how many independent ones they count, of this robot on this field.
    inside : float
        Share of the positions inside the 95 % regions.
    inside_interval : tuple of float
        Where that share lies in the long run, of this robot on this field.
    normalised : float
        Mean normalised error squared over its components, 1 if the filter is right.
    normalised_bounds : tuple of float
        Where chance leaves it then, the robot's own luck included.
    word : str
        The verdict.
    enough_runs : int
        How many runs like these make one.
    """

    runs: int
    poses: int
    independent: float
    inside: float
    inside_interval: tuple[float, float]
    normalised: float
    normalised_bounds: tuple[float, float]
    word: Word
    enough_runs: int

    @property
    def size(self) -> float:
        """How many times as large as it says the filter's errors are."""
        return math.sqrt(self.normalised)

    @property
    def holds_too_few(self) -> bool:
        """Whether its regions hold too few positions, of this robot on this field."""
        return self.inside < COVERAGE[0] and self.inside_interval[1] < LEVELS[-1]


def filter_claim(scores: Sequence[CorrectionScore], long: bool = False) -> FilterClaim | None:
    """Return what replays of runs say of their filter, by two tests at half the false alarms each.

    Parameters
    ----------
    scores : sequence of CorrectionScore
        Of each run; None is returned without any.
    long : bool
        Runs are measured all along and judged each by itself, so that one may be enough.
    """
    if not scores:
        return None
    kept, runs = kept_share(1), len(scores)
    poses = np.array([score.poses for score in scores], dtype=float)
    weight = poses / poses.sum()
    inside, normalised = (
        np.array(values) for values in ([s.inside[-1] for s in scores], [s.normalised for s in scores])
    )
    share, mean = float(weight @ inside), float(weight @ normalised)
    alone = runs / _in_runs(scores, weight, False)
    independent = min(alone, _scatter(inside, weight, share * (1.0 - share), kept))
    counted = max(round(independent), 1)
    own, common = _in_runs(scores, weight, True), _between(scores, weight)
    of_all = 1.0 / (own / runs + (1.0 - 1.0 / runs) * common)
    few, many = (0.5 * bound for bound in chi_square_bounds(of_all, 2, kept))
    found = FilterClaim(
        runs=runs,
        poses=int(poses.sum()),
        independent=independent,
        inside=share,
        inside_interval=interval(round(share * counted), counted, kept),
        normalised=mean,
        normalised_bounds=(few, many),
        word="cannot say",
        enough_runs=_enough(alone / runs, kept),
    )
    return replace(found, word=_word(found, runs >= _FEW_RUNS or long))


def _word(found: FilterClaim, enough_runs: bool) -> Word:
    few, many = found.normalised_bounds
    enough = enough_runs and found.independent >= fewest(2)
    if (enough and found.holds_too_few) or found.normalised > max(NORMALISED[1], many):
        return "overconfident"
    if found.normalised < min(NORMALISED[0], few):
        return "overcautious"
    return "calibrated" if enough else "cannot say"


def _in_runs(scores: Sequence[CorrectionScore], weight: FloatArray, least: bool) -> float:
    """Return the variance of a run's mean normalised square, one pose having 1, averaged like the runs.

    `least`: what its poses share with each other by the filter's own account is no less than that.
    """
    single = [1.0 / max(score.independent, 1.0) for score in scores]
    if least:
        shared = [share_between(score.shared, score.shared) for score in scores]
        single = [max(pair) for pair in zip(single, shared, strict=True)]
    return float(len(scores) * np.sum(weight**2 * np.array(single)))


def _between(scores: Sequence[CorrectionScore], weight: FloatArray) -> float:
    """Return how the runs' means go together; of one run, how those of a further one like it would."""
    if len(scores) == 1:
        return share_between(scores[0].shared, scores[0].shared)
    total = sum(
        2.0 * weight[i] * weight[k] * share_between(one.shared, scores[k].shared)
        for i, one in enumerate(scores)
        for k in range(i + 1, len(scores))
    )
    return float(total / (1.0 - np.sum(weight**2)))


def _scatter(values: FloatArray, weight: FloatArray, single: float, kept: float) -> float:
    """Return the effective count by how the runs differ, `single` being the variance of one pose."""
    runs = len(values)
    if runs < 3:
        return math.inf
    variance = runs / (runs - 1) * float(np.sum(weight**2 * (values - weight @ values) ** 2))
    if variance <= 0.0:
        return math.inf
    return _fewer(runs, kept) * single / variance


def _fewer(runs: int, kept: float) -> float:
    """Return as what share of their count poses count whose scatter is known from so few runs."""
    point = 0.5 + 0.5 * kept
    return (float(special.ndtri(point)) / float(special.stdtrit(runs - 1, point))) ** 2


def _enough(of_one: float, kept: float) -> int:
    """Return how many runs make a verdict, each of so many independent poses."""
    return next(n for n in count(_FEW_RUNS) if n * of_one * _fewer(n, kept) >= fewest(2))
