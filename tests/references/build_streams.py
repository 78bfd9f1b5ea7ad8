"""Remake the pinned draws with a Philox4x64-10 written out in whole numbers.

The product uses numpy's generator. Here the rounds are those of J. K. Salmon, M. A. Moraes, R. O. Dror and
D. E. Shaw, "Parallel random numbers: as easy as 1, 2, 3", Proc. SC11 (2011), in Python's integers, and the
normals come from `math`. Run it to write streams.json.
"""

from __future__ import annotations

import hashlib
import json
import math
from pathlib import Path

_MULTIPLIERS = (0xD2E7470EE14C6C93, 0xCA5A826395121157)
_WEYL = (0x9E3779B97F4A7C15, 0xBB67AE8584CAA73B)
_MASK = (1 << 64) - 1


def philox(counter: list[int], key: list[int]) -> list[int]:
    """Return the four 64-bit words of one block."""
    c, k = list(counter), list(key)
    for _ in range(10):
        low_high = [divmod(m * word, 1 << 64) for m, word in zip(_MULTIPLIERS, (c[0], c[2]), strict=True)]
        (high0, low0), (high1, low1) = low_high
        c = [high1 ^ c[1] ^ k[0], low1, high0 ^ c[3] ^ k[1], low0]
        k = [(word + w) & _MASK for word, w in zip(k, _WEYL, strict=True)]
    return c


def words(seed: int, source: str, place: str, index: int, trials: int) -> list[int]:
    """Return the word of each of the first trials; the block counter starts at one."""
    digest = hashlib.blake2b(f"{seed}\x1f{source}\x1f{place}".encode(), digest_size=16).digest()
    key = [int.from_bytes(digest[:8], "little"), int.from_bytes(digest[8:], "little")]
    found: list[int] = []
    block = 1
    while len(found) < trials:
        found += philox([block, index, 0, 0], key)
        block += 1
    return found[:trials]


def uniforms(found: list[int]) -> tuple[list[float], list[float]]:
    """Return the two uniforms of each word."""
    return [((w >> 32) + 0.5) / 2**32 for w in found], [((w & 0xFFFFFFFF) + 0.5) / 2**32 for w in found]


def main() -> None:
    """Write the numbers beside this script."""
    seed, trials = 20240229, 6
    u, v = uniforms(words(seed, "distance_walk", "place#1", 0, trials))
    radius = [math.sqrt(-2.0 * math.log(a)) for a in u]
    numbers = {
        "zero_block": [f"{w:016x}" for w in philox([0, 0, 0, 0], [0, 0])],
        "seed": seed,
        "normals": {
            "even": [r * math.cos(2.0 * math.pi * b) for r, b in zip(radius, v, strict=True)],
            "odd": [r * math.sin(2.0 * math.pi * b) for r, b in zip(radius, v, strict=True)],
        },
        "uniforms": list(uniforms(words(seed, "dropout:front", "run", 7, trials))),
    }
    Path(__file__).with_name("streams.json").write_text(json.dumps(numbers, indent=1) + "\n")


if __name__ == "__main__":
    main()
