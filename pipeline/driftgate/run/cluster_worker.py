"""What runs at a worker of a cluster: one task at a time, and only where it would come out the same.

Results are the same to the last digit wherever they are worked out, as long as the same source computes with
the same libraries and the same arithmetic. A `stamp` says which those are; every task brings the stamp of
whoever sent it, so that a worker that joins late is held against it too.
"""

from __future__ import annotations

import hashlib
import platform
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from typing import Final, TypeVar

from driftgate import __version__
from driftgate.run.cache_key import LIBRARIES, source_fingerprint

T = TypeVar("T")
R = TypeVar("R")

Stamp = dict[str, str]

# Plans are kept from task to task, and two threads of one interpreter are slower than one.
_ONE_AT_A_TIME = threading.Lock()
_SAMPLES: Final = 4096


@dataclass(frozen=True)
class Stranger:
    """In place of a result: why this worker's would not be the same."""

    why: str


@cache
def _stamp() -> tuple[tuple[str, str], ...]:
    found = {
        "driftgate": __version__,
        "driftgate's source": source_fingerprint()[:12],
        "Python": platform.python_version(),
        "machine": f"{sys.platform} {platform.machine()}",
        **{name: _version(name) for name in LIBRARIES},
        "arithmetic": arithmetic()[:12],
    }
    return tuple(found.items())


def stamp() -> Stamp:
    """Return what the digits of a result hang on, in words short enough to be shown."""
    return dict(_stamp())


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "none"


def arithmetic() -> str:
    """Return a hash of the last digits that this machine computes.

    Processors with wider registers get other code for sines, logarithms and products of matrices, with other
    roundings. This tries the functions that the engines use; it is a probe, not a proof.
    """
    import numpy as np

    from driftgate.predict.streams import Streams

    streams = Streams(20261126, 0, _SAMPLES)
    normal = [streams.normals("probe", "run", i) for i in range(6)]
    wide = [4.0 * normal[0], 40.0 * normal[1]]
    found = [*normal, np.exp(normal[0]), np.log(np.abs(normal[1])), np.sqrt(np.abs(normal[2]))]
    for angle in wide:
        found += [np.sin(angle), np.cos(angle), np.tan(angle)]
    found += [np.arctan2(normal[0], normal[1]), np.hypot(normal[2], normal[3])]
    rows = np.stack(normal, axis=1)
    square = rows.T @ rows
    found += [square, np.linalg.cholesky(square), np.linalg.inv(square), rows @ square]
    found += [np.einsum("ni,ij,nj->n", rows, square, rows), rows.sum(axis=0), rows.mean(axis=1)]
    total = hashlib.sha256()
    for array in found:
        total.update(np.ascontiguousarray(array, dtype="<f8").tobytes())
    return total.hexdigest()


def differences(here: Stamp, there: Stamp) -> str:
    """Return in words what differs between two stamps; empty if nothing does."""
    names = dict.fromkeys((*here, *there))
    apart = [
        f"{name}: {here.get(name, 'unknown')} here, {there.get(name, 'unknown')} there"
        for name in names
        if here.get(name) != there.get(name)
    ]
    if len(apart) == 1 and apart[0].startswith("arithmetic"):
        return f"{apart[0]}: that processor, or its linear algebra library, rounds otherwise"
    return ", ".join(apart)


def run_task(function: Callable[[T], R], item: T, here: Stamp) -> R | Stranger:
    """Return the function of an item, or why this worker cannot be trusted to find the same."""
    why = differences(here, stamp())
    if why:
        return Stranger(why)
    with _ONE_AT_A_TIME:
        return function(item)
