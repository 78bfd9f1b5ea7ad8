"""How a run went from each reference pose to the next, by its odometry and in truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from driftgate.calibrate.chain import LoggedRun
from driftgate.calibrate.dead_reckoning import reckon
from driftgate.calibrate.windows import BoolArray
from driftgate.core.pose import FloatArray, wrap_angles

# Ways that are long enough to be compared. [m]
WAY_M: Final = 0.2
# Where the turns differ more, it is the heading that is wrong, and its error is another. [rad]
TURNS_AGREE_RAD: Final = 0.3


@dataclass(frozen=True)
class Ways:
    """Ways of a run from each reference pose to the next, k of them.

    Attributes
    ----------
    driven_m, came_m : ndarray, shape (k,)
        Length of the straight line, by odometry and by reference. [m]
    driven_rad, real_rad : ndarray, shape (k,)
        The turn by both; real ones are none where headings of the reference are put in. [rad]
    aside_rad : ndarray, shape (k,)
        By how much the direction by reference is off that by odometry, each as seen from its own heading
        at the start. [rad]
    alike : float or None
        Where headings of the reference are put in: how well the way turns onto the places, 1 if it does.
    """

    driven_m: FloatArray
    came_m: FloatArray
    driven_rad: FloatArray
    real_rad: FloatArray
    aside_rad: FloatArray
    alike: float | None = None

    @property
    def off_rad(self) -> FloatArray:
        """By how much the turns differ. [rad]"""
        return np.asarray(np.abs(wrap_angles(self.driven_rad - self.real_rad)))

    @property
    def stretch(self) -> FloatArray:
        """By how much the lengths differ: the size of the logarithm of their ratio."""
        return np.asarray(np.abs(np.log(np.maximum(self.driven_m, 1e-6) / np.maximum(self.came_m, 1e-6))))

    @property
    def long(self) -> BoolArray:
        """Which ways are long enough to be compared, however they turned."""
        return np.asarray(np.maximum(self.driven_m, self.came_m) > WAY_M)

    @property
    def far(self) -> BoolArray:
        """Which ways are long enough to be compared, and turned as they should."""
        return (self.off_rad < TURNS_AGREE_RAD) & self.long


def ways_of(run: LoggedRun) -> Ways:
    """Return the ways of a run; none of one with fewer than two reference poses."""
    track = run.track
    at = np.flatnonzero(np.isfinite(track.reference).all(axis=1))
    if len(at) < 2:
        none = np.zeros(0)
        return Ways(none, none, none, none, none)
    path, real = reckon(track, {})[0][at], track.reference[at]
    driven, came = np.diff(path, axis=0), np.diff(real, axis=0)
    aside = np.arctan2(came[:, 1], came[:, 0]) - real[:-1, 2]
    aside -= np.arctan2(driven[:, 1], driven[:, 0]) - path[:-1, 2]
    return Ways(
        np.hypot(driven[:, 0], driven[:, 1]),
        np.hypot(came[:, 0], came[:, 1]),
        driven[:, 2],
        came[:, 2],
        wrap_angles(aside),
        alike=None if run.headings else _alike(path, real),
    )


def _alike(path: FloatArray, real: FloatArray) -> float:
    """Return how well a way can be turned onto places, at whatever scale: the size of a correlation."""
    driven, places = path[:, 0] + 1j * path[:, 1], real[:, 0] + 1j * real[:, 1]
    driven, places = driven - driven.mean(), places - places.mean()
    norm = float(np.linalg.norm(driven) * np.linalg.norm(places))
    return float(np.abs(np.vdot(driven, places))) / norm if norm > 0.0 else 1.0


def together(ways: Sequence[Ways]) -> Ways:
    """Return the ways of several runs as if they were of one."""

    def whole(name: str) -> FloatArray:
        return np.concatenate([getattr(w, name) for w in ways])

    return Ways(
        whole("driven_m"), whole("came_m"), whole("driven_rad"), whole("real_rad"), whole("aside_rad")
    )
