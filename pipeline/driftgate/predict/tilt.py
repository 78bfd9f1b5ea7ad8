r"""Trials drawn from a tilted distribution, so that rare failures are seen often and counted rightly.

Only what is drawn once a trial is tilted: the constants of the run, and which loose elements strayed.
(Widening the noise of a thousand ticks would make the weights useless.) The trials come from a
mixture: a share :math:`\pi_0` from the distribution as it is, the others each from one that moves the
constants towards one way of failing, or that lets one element stray more often. A trial counts with the
weight :math:`1 / \sum_k \pi_k r_k`, with :math:`r_k` the likelihood ratio of part *k* to the distribution
as it is. Because the first part is in the mixture no weight exceeds :math:`1/\pi_0` ([1]_, the defensive
mixture), however wrong the other parts' idea of failing may be.

Where the constants are moved to is the likeliest place of a failure in the linear model: given that
the error along an axis is at its limit, :math:`E[u] = c\,(T - m) / s^2`, with *u* the constants in
standard deviations, *c* the change of the error by each, *m* and *s* its mean and standard deviation.

References
----------
.. [1] T. Hesterberg, "Weighted average importance sampling and defensive mixture distributions,"
   Technometrics 37, 1995, pp. 185-194 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.predict.sources import SourceTable
from driftgate.predict.streams import Streams
from driftgate.world.values import World

# Shares of the mixture: as it is, constants moved, elements strayed.
_AS_IT_IS, _STRAYED = 0.8, 0.06
# Parts beyond these would share too little out to each.
_MOST_MOVED, _MOST_STRAYED = 12, 8
# A limit further out than this many standard deviations is not what fails.
_FURTHEST = 12.0
# How often an element strays in the part that is about it.
_OFTEN = 0.5


@dataclass(frozen=True)
class WayToFail:
    """One limit of one tolerance, in the linear model.

    Attributes
    ----------
    columns : ndarray, shape (constants,)
        Change of the error along the axis by one standard deviation of each constant.
    sd : float
        Standard deviation of the error, above 0.
    distance : float
        From the mean error to the limit; negative where the limit lies below. [as `sd`]
    """

    columns: FloatArray
    sd: float
    distance: float


@dataclass(frozen=True)
class Tilt:
    """A mixture that trials are drawn from; the first part is the distribution as it is.

    Attributes
    ----------
    chance : ndarray, shape (parts,)
        Probability of each part.
    shift : ndarray, shape (parts, constants)
        By how many standard deviations each constant is moved.
    strays : dict
        Element to its chance of having strayed in each part, shape (parts,); the first is its own.
    """

    chance: FloatArray
    shift: FloatArray
    strays: dict[str, FloatArray]

    @property
    def largest_weight(self) -> float:
        """No trial counts more than this."""
        return 1.0 / float(self.chance[0])


def tilt_towards(ways: Sequence[WayToFail], table: SourceTable, world: World) -> Tilt:
    """Return the mixture for some ways to fail and the elements of the true map that may stray."""
    near = sorted(
        (w for w in ways if abs(w.distance) <= _FURTHEST * w.sd), key=lambda w: abs(w.distance) / w.sd
    )
    moved = [w.columns * w.distance / w.sd**2 for w in near[:_MOST_MOVED]]
    own = {
        e.id: e.source.stray.probability
        for e in world.elements
        if e.source.stray is not None and "element_stray" not in table.off
    }
    loose = [name for name, chance in own.items() if 0.0 < chance < _OFTEN]
    loose = sorted(loose, key=lambda name: -own[name])[:_MOST_STRAYED]
    parts = 1 + len(moved) + len(loose)
    shift = np.zeros((parts, len(table.constants)))
    for k, row in enumerate(moved):
        shift[1 + k] = row
    strays = {name: np.full(parts, chance) for name, chance in own.items()}
    for k, name in enumerate(loose):
        strays[name][1 + len(moved) + k] = _OFTEN
    return Tilt(_chances(len(moved), len(loose)), shift, strays)


def _chances(moved: int, strayed: int) -> FloatArray:
    rest = 1.0 - _AS_IT_IS
    for_strays = (_STRAYED if moved else rest) if strayed else 0.0
    for_moved = rest - for_strays if moved else 0.0
    return np.array(
        [1.0 - for_moved - for_strays]
        + [for_moved / max(moved, 1)] * moved
        + [for_strays / max(strayed, 1)] * strayed
    )


class TiltedLuck:
    """Which part of the mixture each trial of a batch comes from, and what it counts."""

    def __init__(self, tilt: Tilt, streams: Streams, count: int) -> None:
        self._tilt = tilt
        edges = np.cumsum(tilt.chance)[:-1]
        self._part = np.searchsorted(edges, streams.uniforms("tilt", "run", 0)[0], side="right")
        self._log_ratio = np.zeros((len(tilt.chance), count))

    def shifted(self, constant: int, normals: FloatArray) -> FloatArray:
        """Return a constant's standard normals moved as each trial's part says; asked once each."""
        shift = self._tilt.shift[:, constant]
        if not shift.any():
            return normals
        moved = normals + shift[self._part]
        self._log_ratio += shift[:, None] * moved - 0.5 * np.square(shift)[:, None]
        return moved

    def stray_chance(self, element: str) -> FloatArray:
        """Return the chance of an element having strayed, by trial."""
        return self._tilt.strays[element][self._part]

    def note_strayed(self, element: str, strayed: np.ndarray) -> None:
        """Take account of whether an element strayed, by trial; told once each."""
        chance = self._tilt.strays[element]
        own = chance[0]
        with np.errstate(divide="ignore", invalid="ignore"):
            did, did_not = np.log(chance / own), np.log((1.0 - chance) / (1.0 - own))
        changed = chance != own
        ratio = np.where(strayed[None, :], did[:, None], did_not[:, None])
        self._log_ratio += np.where(changed[:, None], ratio, 0.0)

    def weight(self) -> FloatArray:
        """Return what each trial counts, shape (n,)."""
        mixture = np.logaddexp.reduce(np.log(self._tilt.chance)[:, None] + self._log_ratio, axis=0)
        return np.asarray(np.exp(-mixture))
