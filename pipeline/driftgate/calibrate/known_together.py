r"""Constants that runs do not tell apart, but show together: what is known of them is kept.

In arcs of one speed heading latency and slip per turn lead to the same place. Each may be several times as
large as is usual, with the other against it, and yet their sum is well known. Left out, both, a known error
would be missing from every prediction; put in as estimated, with errors so large, predictions of any other
drive would be wide beyond reason. So each is taken to lie about the robot file's value by its usual size,
*T*, and the estimates *m* with their covariance *C* are drawn there:

.. math:: K = C (C + T^2)^{-1}, \quad m' = m + K (m_0 - m), \quad C' = (1 - K) C

The sum, which the runs show, hardly moves; the difference, which they do not, becomes the file's. The errors
stay correlated, so that the sum is as well known as before. *T* is larger where the sum is larger than usual:
each alone may be all of it.

Source: the normal prior of linear regression (A. E. Hoerl and R. W. Kennard, "Ridge regression: biased
estimation for nonorthogonal problems", Technometrics 12 (1970) 55-67; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from driftgate.calibrate.drift_found import FoundConstant
from driftgate.calibrate.estimate import Estimate, t_factor
from driftgate.calibrate.fit import Fit
from driftgate.core.pose import FloatArray

# Of a direction of unit length in usual sizes: a constant with less of it has no part in it.
_LEAST_PART = 0.1
# Known together is what is known at least twice as well as any of them alone.
_BETTER = 0.5
_MOST_FREEDOM = 1e6


@dataclass(frozen=True)
class Kept:
    """What is kept of the means of some constants.

    Attributes
    ----------
    groups : tuple of tuple of str
        Keys of constants that are known together and not each by itself.
    means : dict
        Their means by key, drawn towards the robot file's.
    covariance : ndarray, shape (p, p)
        Of the errors of all means, these among them.
    """

    groups: tuple[tuple[str, ...], ...]
    means: dict[str, Estimate]
    covariance: FloatArray


def kept_together(
    constants: Sequence[FoundConstant], covariance: FloatArray, left: Mapping[str, float], confidence: float
) -> Kept:
    """Return what is kept of the means that were not found.

    Parameters
    ----------
    constants : sequence of FoundConstant
        All that were asked for, p of them.
    covariance : ndarray, shape (p, p)
        Of the errors of their means.
    left : mapping
        The robot file's values, by key. [SI]
    confidence : float
        Of the interval that has to be no wider than usual for a direction to count as found.
    """
    able = [i for i, c in enumerate(constants) if not c.known and c.spread_known]
    directions = _found_directions([constants[i] for i in able], covariance[np.ix_(able, able)], confidence)
    groups = [[able[k] for k in np.flatnonzero(np.abs(one) >= _LEAST_PART)] for one in directions]
    groups = _joined(groups)
    if not groups:
        return Kept((), {}, covariance)
    size = np.array([constants[i].usual.size for i in able])
    off = np.array([constants[i].mean.value - left[constants[i].usual.key] for i in able]) / size
    times = max(1.0, math.sqrt(sum(float(one @ off) ** 2 for one in directions)))
    members = sorted(i for group in groups for i in group)
    prior = np.diag([(times * constants[i].usual.size) ** 2 for i in members])
    before = covariance[np.ix_(members, members)]
    gain = np.linalg.solve(before + prior, before).T
    drawn = np.eye(len(constants))
    drawn[np.ix_(members, members)] -= gain
    after = drawn @ covariance @ drawn.T
    of_runs = np.diag(after)[members]
    after[np.ix_(members, members)] += gain @ prior @ gain.T
    after = 0.5 * (after + after.T)
    values = np.array([constants[i].mean.value for i in members])
    values = values + gain @ (np.array([left[constants[i].usual.key] for i in members]) - values)
    # Of what is usual nothing was estimated: the degrees of freedom are those of the runs' part alone.
    freedom = np.square(np.diag(after)[members] / of_runs) * [constants[i].mean.freedom for i in members]
    means = {
        constants[i].usual.key: Estimate(value, math.sqrt(float(after[i, i])), min(own, _MOST_FREEDOM))
        for i, value, own in zip(members, values.tolist(), freedom.tolist(), strict=True)
    }
    keys = tuple(tuple(constants[i].usual.key for i in group) for group in groups)
    return Kept(keys, means, np.asarray(after))


def with_kept(model: Fit, kept: Kept) -> Fit:
    """Return the model of a further run with the means that are kept together.

    Parameters
    ----------
    model : Fit
        With `common`, the covariance of the means; constants come first in it.
    kept : Kept
        What is kept.
    """
    if not kept.groups or model.common is None:
        return model
    count = len(kept.covariance)
    more = np.zeros_like(model.common)
    more[:count, :count] = kept.covariance - model.common[:count, :count]
    return replace(
        model,
        constants={**model.constants, **{key: mean.value for key, mean in kept.means.items()}},
        covariance=model.covariance + more,
        common=model.common + more,
        together=kept.groups,
    )


def _found_directions(
    constants: Sequence[FoundConstant], covariance: FloatArray, confidence: float
) -> list[FloatArray]:
    """Return directions in usual sizes along which constants are found, though none of them is by itself."""
    if len(constants) < 2:
        return []
    size = np.array([c.usual.size for c in constants])
    scaled = covariance / np.outer(size, size)
    factor = t_factor(confidence, min(c.mean.freedom for c in constants))
    values, vectors = np.linalg.eigh(scaled)
    found = []
    for value, vector in zip(values.tolist(), vectors.T, strict=True):
        part = np.abs(vector) >= _LEAST_PART
        error = math.sqrt(max(value, 0.0))
        if factor * error <= 1.0 and error <= _BETTER * math.sqrt(float(np.diag(scaled)[part].min())):
            found.append(np.where(part, vector, 0.0))
    return found


def _joined(groups: Sequence[Sequence[int]]) -> list[list[int]]:
    """Return groups of which no two have a member in common."""
    found: list[set[int]] = []
    for group in groups:
        whole = set(group)
        for other in [one for one in found if one & whole]:
            whole |= other
            found.remove(other)
        found.append(whole)
    return sorted(sorted(group) for group in found)
