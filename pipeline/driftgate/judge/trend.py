r"""Since when a tolerance holds less often, over many nights.

Each night is an independent binomial sample: its trials have a seed of their own. Nothing but the inputs
(documents, settings of the model, software) can move the probability of success, so a change can only lie
at a night whose inputs differ from those of the night before. Of these the one that splits the nights
best is tested, then the nights on either side of it in the same way (binary segmentation [1]_).

The test is that of the change point in a binomial sequence [2]_, whose statistic is the likelihood ratio

.. math:: \Lambda = 2 \left[ l(s_1, n_1) + l(s_2, n_2) - l(s, n) \right], \qquad
    l(s, n) = s \ln \tfrac{s}{n} + (n - s) \ln \tfrac{n - s}{n}

with :math:`s_1` of :math:`n_1` successes before and :math:`s_2` of :math:`n_2` after. Its size is taken
exactly, for each split by itself: if nothing changed, :math:`s_1` given :math:`s` is hypergeometric
[3]_. The smallest p value counts as many times as there are splits (Bonferroni 1936). So the chance that a
report names any change, if there is none, is at most the level, shared among all its series.

References
----------
.. [1] L. Ju. Vostrikova, "Detecting disorder in multidimensional random processes," Soviet Math. Dokl. 24,
   1981, pp. 55-59 (from memory).
.. [2] D. V. Hinkley and E. A. Hinkley, "Inference about the change-point in a sequence of binomial
   variables," Biometrika 57, 1970, pp. 477-488 (from memory).
.. [3] R. A. Fisher, Statistical Methods for Research Workers, 5th ed., 1934, section 21.02 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from driftgate.core.errors import ModelError

# Chance that a report names any change though there is none.
FALSE_ALARMS = 0.01


@dataclass(frozen=True)
class Shift:
    """A change between nights.

    Attributes
    ----------
    at : int
        Index of the first night after it.
    begin, end : int
        The nights that were compared: begin to at - 1 with at to end - 1.
    before, after : float
        Share of the trials that succeed.
    p_value : float
        Corrected for the splits that were tried, not for other series.
    """

    at: int
    begin: int
    end: int
    before: float
    after: float
    p_value: float

    @property
    def worse(self) -> bool:
        """Whether success has become rarer."""
        return self.after < self.before


def shifts(
    trials: Sequence[int], successes: Sequence[int], changed: Sequence[bool], level: float
) -> tuple[Shift, ...]:
    """Return the changes of a probability over nights, in order.

    Parameters
    ----------
    trials, successes : sequence of int
        Of each night.
    changed : sequence of bool
        Whether a night's inputs differ from those of the night before; of the first it does not count.
    level : float
        Chance of naming a change where there is none.

    Raises
    ------
    ModelError
        If the lengths differ, or a night has more successes than trials.
    """
    if not len(trials) == len(successes) == len(changed):
        raise ModelError("trials, successes and changed must be of one length")
    if any(not 0 <= s <= n for s, n in zip(successes, trials, strict=True)):
        raise ModelError("successes must be from 0 to trials")
    found: list[Shift] = []

    def search(begin: int, end: int) -> None:
        splits = [i for i in range(begin + 1, end) if changed[i]]
        if not splits:
            return
        shift = _best(trials, successes, begin, end, splits)
        if shift.p_value <= level:
            search(begin, shift.at)
            found.append(shift)
            search(shift.at, end)

    search(0, len(trials))
    return tuple(found)


def _best(
    trials: Sequence[int], successes: Sequence[int], begin: int, end: int, splits: Sequence[int]
) -> Shift:
    n, s = sum(trials[begin:end]), sum(successes[begin:end])
    best: tuple[float, float, int] | None = None
    for at in splits:
        n_before, s_before = sum(trials[begin:at]), sum(successes[begin:at])
        p = split_p_value(s_before, n_before, s - s_before, n - n_before)
        # Equal p values (both may underflow) are told apart by the likelihood.
        key = p, -likelihood_ratio(s_before, n_before, s - s_before, n - n_before), at
        best = key if best is None else min(best, key)
    assert best is not None
    at = best[2]
    n_before, s_before = sum(trials[begin:at]), sum(successes[begin:at])
    return Shift(
        at=at,
        begin=begin,
        end=end,
        before=s_before / max(1, n_before),
        after=(s - s_before) / max(1, n - n_before),
        p_value=min(1.0, best[0] * len(splits)),
    )


def likelihood_ratio(s_1: int, n_1: int, s_2: int, n_2: int) -> float:
    """Return twice the log of the likelihood of two probabilities over that of one (Hinkley 1970)."""

    def log(s: int, n: int) -> float:
        return sum(k * math.log(k / n) for k in (s, n - s) if k)

    return 2.0 * (log(s_1, n_1) + log(s_2, n_2) - log(s_1 + s_2, n_1 + n_2))


def split_p_value(s_1: int, n_1: int, s_2: int, n_2: int) -> float:
    """Return the exact two-sided p value of one probability for both parts, twice the smaller tail.

    Given all successes, those of the first part are hypergeometric if both parts have one probability.
    """
    import numpy as np
    from scipy.special import gammaln

    n, s = n_1 + n_2, s_1 + s_2
    # The rarer outcome has the shorter list; the two are mirror images.
    if 2 * s > n:
        s_1, s_2, s = n_1 - s_1, n_2 - s_2, n - s
    low, high = max(0, s - n_2), min(s, n_1)
    k = np.arange(low, high + 1, dtype=float)

    def choose(total: float, part: np.ndarray) -> np.ndarray:
        return np.asarray(gammaln(total + 1.0) - gammaln(part + 1.0) - gammaln(total - part + 1.0))

    log = choose(float(n_1), k) + choose(float(n_2), s - k)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    at = s_1 - low
    tail = min(float(weight[: at + 1].sum()), float(weight[at:].sum()))
    return min(1.0, 2.0 * tail)
