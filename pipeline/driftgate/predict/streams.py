"""Counter-based random numbers, addressed by seed, source, place, index and trial.

A draw is a pure function of its address, so results do not depend on batch size, order or number
of workers; an inserted step re-deals nothing; adding a source changes no other source's draws.

The generator is Philox4x64-10: J. K. Salmon, M. A. Moraes, R. O. Dror and D. E. Shaw, "Parallel
random numbers: as easy as 1, 2, 3", Proc. SC11 (2011). Normals come from the transform of G. E. P.
Box and M. E. Muller, "A note on the generation of random normal deviates", Ann. Math. Statist. 29
(1958) 610-611, which always consumes two uniforms. Each 64-bit word gives two 32-bit uniforms, so
the largest normal is 6.7 standard deviations.
"""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray, cos_sin
from driftgate.plan.values import IntArray
from driftgate.predict.sources import source_of

_WORDS = 4  # 64-bit words per Philox block
_MOST_BUMPS = 200
_SCALE = 1.0 / 4294967296.0
# Drawing so many words and dropping them costs about as much as setting the counter anew.
_WIDEST_GAP = 800


def poisson_count(uniform: FloatArray, expected: float | FloatArray) -> FloatArray:
    """Return Poisson counts by inversion of a uniform; one draw each, whatever the count.

    What is expected may differ from trial to trial.

    Source: L. Devroye, Non-Uniform Random Variate Generation (1986), chapter X (from memory).
    """
    count = np.zeros_like(uniform)
    term = below = np.exp(-np.asarray(expected, dtype=np.float64))
    for k in range(1, _MOST_BUMPS):
        count += uniform > below
        term = term * expected / k
        below = below + term
        if np.all(1.0 - below < 1e-12):
            break
    return count


def _box_muller(first: FloatArray, second: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return two independent normals from two uniforms on (0, 1); nobody may write to them."""
    radius = np.log(first)
    radius *= -2.0
    np.sqrt(radius, out=radius)
    cosine, sine = cos_sin(2.0 * np.pi * second)
    pair = radius * cosine, radius * sine
    for drawn in pair:
        drawn.flags.writeable = False
    return pair


# A Philox block to begin at, words to draw from there, and which of them are wanted.
_Stretch = tuple[int, int, slice | IntArray]


class Streams:
    """Draws for trials first .. first + count - 1.

    Parameters
    ----------
    seed : int
        Seed of the whole run, zero or more.
    first, count : int
        The trial numbers.
    redrawn : frozenset of str
        Error sources that draw from a second stream, which belongs to no other seed.
    """

    def __init__(self, seed: int, first: int, count: int, redrawn: frozenset[str] = frozenset()) -> None:
        self._seed = seed
        self._redrawn = redrawn
        self._count = count
        block, skip = divmod(first, _WORDS)
        self._stretches: list[_Stretch] = [(block, count + skip, slice(skip, None))]
        self._philox = np.random.Philox(key=[0, 0])
        self._state: dict[str, Any] = dict(self._philox.state)
        self._keys: dict[tuple[str, str], FloatArray] = {}
        # The last pair of normals of a stream: both members come of one transform.
        self._pairs: dict[tuple[str, str], tuple[int, tuple[FloatArray, FloatArray]]] = {}

    @classmethod
    def of_trials(cls, seed: int, numbers: IntArray) -> Streams:
        """Return the draws of chosen trials, which are those that they have in a run of all.

        Parameters
        ----------
        seed : int
            Seed of the whole run.
        numbers : ndarray of int, shape (n,)
            Trial numbers, rising, at least one.

        Raises
        ------
        ModelError
            If the numbers do not rise, or the first is negative.
        """
        numbers = np.asarray(numbers, dtype=np.intp)
        if not numbers.size or numbers[0] < 0 or np.any(np.diff(numbers) <= 0):
            raise ModelError("trial numbers must rise from 0 or more, and there must be one")
        streams = cls(seed, int(numbers[0]), len(numbers))
        streams._stretches = []
        for near in np.split(numbers, np.flatnonzero(np.diff(numbers) > _WIDEST_GAP) + 1):
            block = int(near[0]) // _WORDS
            which = near - block * _WORDS
            streams._stretches.append((block, int(which[-1]) + 1, which))
        return streams

    def _words(self, source: str, place: str, index: int) -> np.ndarray[Any, np.dtype[np.uint64]]:
        address = (source, place)
        key = self._keys.get(address)
        if key is None:
            again = "\x1fagain" if source_of(source) in self._redrawn else ""
            text = f"{self._seed}\x1f{source}\x1f{place}{again}".encode()
            key = np.frombuffer(hashlib.blake2b(text, digest_size=16).digest(), dtype="<u8").astype(np.uint64)
            self._keys[address] = key
        found = []
        for block, length, which in self._stretches:
            counter = np.array([block, index, 0, 0], dtype=np.uint64)
            self._state["state"] = {"counter": counter, "key": key}
            self._state["buffer_pos"] = _WORDS
            self._philox.state = self._state  # type: ignore[assignment]  # the stub names a TypedDict
            found.append(self._philox.random_raw(length)[which])
        return found[0] if len(found) == 1 else np.concatenate(found)

    def uniforms(self, source: str, place: str, index: int) -> tuple[FloatArray, FloatArray]:
        """Return two independent uniforms on (0, 1) per trial, each of shape (count,)."""
        words = self._words(source, place, index)
        found = []
        # Least significant half first, on every machine.
        halves = words.astype("<u8", copy=False).view("<u4")
        for half in (halves[1::2], halves[0::2]):
            uniform = half.astype(np.float64)
            uniform += 0.5
            uniform *= _SCALE
            found.append(uniform)
        return found[0], found[1]

    def normals(self, source: str, place: str, index: int) -> FloatArray:
        """Return one standard normal per trial, shape (count,), to be read only.

        Indices 2 k and 2 k + 1 share the words of pair k; both are the same whichever is asked first.
        """
        pair, odd = divmod(index, 2)
        address = (source, place)
        cached = self._pairs.get(address)
        if cached is None or cached[0] != pair:
            cached = (pair, _box_muller(*self.uniforms(source, place, pair)))
            self._pairs[address] = cached
        return cached[1][odd]
