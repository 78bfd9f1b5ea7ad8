"""A logged run as a chain of windows from each reference pose to the next, with the covariance of all.

Taken together the windows of a chain hold all that windows of every length would show: walks grow along the
chain, a constant acts on all of it, and what is wrong with one reference pose acts on the two windows that
meet there, with opposite signs. So jitter that does not add up is told from walks that do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.calibrate.blind import ALL_BLIND_RAD, BLIND_RAD, with_headings
from driftgate.calibrate.dead_reckoning import segments
from driftgate.calibrate.mixed import Block
from driftgate.calibrate.slips import of_one_slip
from driftgate.calibrate.windows import BoolArray, Track, windows_between
from driftgate.core.pose import FloatArray

WALKS = (
    "distance_walk",
    "lateral_walk",
    "heading_walk:metre",
    "heading_walk:second",
    "heading_walk:radian",
)
RARE_SLIP = "rare_slip"
JITTERS = ("jitter:position", "jitter:heading")
# Reference poses of a run beyond this many are thinned out: neighbours tell little that is new.
MOST_POSES = 25
# What no log resolves: keeps the covariance invertible. [m, m, rad]
_FLOOR = (1e-5, 1e-5, 1e-6)


@dataclass(frozen=True)
class LoggedRun:
    """A run ready to be fitted.

    Attributes
    ----------
    track : Track
        Its odometry, with the reference poses that are used.
    spread : tuple of float
        Standard deviation of a reference pose, as the log states it; zeros if it does not. [m, m, rad]
    blind : ndarray of bool, shape (n,)
        At which rows the heading of the reference is put in and as good as unknown.
    kept : ndarray of bool, optional
        Which windows of its chain are used; None: all.
    """

    track: Track
    spread: tuple[float, float, float]
    blind: BoolArray
    kept: BoolArray | None = None

    @property
    def poses(self) -> int:
        """How many reference poses are used."""
        return int(np.isfinite(self.track.reference).all(axis=1).sum())

    @property
    def headings(self) -> int:
        """How many of them have a heading that was measured."""
        return self.poses - int(self.blind.sum())

    @property
    def seen(self) -> Track:
        """The track with the reference poses whose heading was measured, alone."""
        reference = np.where(self.blind[:, None], np.nan, self.track.reference)
        return Track(self.track.name, self.track.time_s, self.track.twist, reference)


def logged_run(track: Track, spread: tuple[float, float, float] | None) -> LoggedRun:
    """Return a run with its reference poses thinned to at most `MOST_POSES`, evenly over its time.

    Places without a heading are among them, with one put in (`driftgate.calibrate.blind`).
    """
    reference, blind = with_headings(track)
    known = np.flatnonzero(np.isfinite(reference).all(axis=1))
    if len(known) > MOST_POSES:
        wanted = np.linspace(track.time_s[known[0]], track.time_s[known[-1]], MOST_POSES)
        near = np.searchsorted(track.time_s[known], wanted - 1e-9)
        keep = known[np.unique(np.minimum(near, len(known) - 1))]
        thinned = np.full_like(reference, np.nan)
        thinned[keep] = reference[keep]
        reference, blind = thinned, blind & np.isfinite(thinned[:, 0])
    used = Track(track.name, track.time_s, track.twist, reference)
    return LoggedRun(used, spread or (0.0, 0.0, 0.0), blind)


def block_of(
    run: LoggedRun, constants: Mapping[str, float], keys: Sequence[str], parts: Sequence[str]
) -> Block:
    """Return the errors of a run's chain under assumed constants.

    Parameters
    ----------
    run : LoggedRun
        The run, with two reference poses or more.
    constants : mapping
        Assumed values by key.
    keys : sequence of str
        Constants whose means are fitted.
    parts : sequence of str
        Components: of `WALKS` and `JITTERS`, "spread:KEY" for a constant that differs between runs, and
        `RARE_SLIP` for one slip in each window.
    """
    track = run.track
    windows = windows_between(track, most=1)
    found = segments(track, windows, constants)
    size = 3 * len(windows)
    design = np.stack([_column(found.columns, key, size) for key in keys], axis=-1)
    ends = _reference_part(track.reference, windows.start, windows.end)
    covariances = []
    for part in parts:
        if part.startswith("spread:"):
            column = _column(found.columns, part.removeprefix("spread:"), size)
            covariances.append(np.outer(column, column))
        elif part in JITTERS:
            axes = (0, 1) if part == "jitter:position" else (2,)
            covariances.append(_of_axes(ends, axes))
        elif part == RARE_SLIP:
            covariances.append(_block_diagonal(of_one_slip(found.noise["distance_walk"], found.travelled_m)))
        else:
            covariances.append(_block_diagonal(found.noise[part]))
    known = np.diag(np.tile(np.square(_FLOOR), len(windows)))
    for axis, sd in enumerate(run.spread):
        known = known + sd**2 * _of_axes(ends, (axis,))
    unknown = np.flatnonzero(run.blind[np.append(windows.start[:1], windows.end)])
    if len(unknown):
        known = known + BLIND_RAD**2 * _of_axes(ends[:, :, unknown], (2,))
        together = ends[:, :, unknown, 2].sum(axis=2).ravel()
        known = known + ALL_BLIND_RAD**2 * np.outer(together, together)
    stacked = np.array(covariances).reshape(len(parts), size, size)
    rows = np.flatnonzero(np.repeat(_kept(run, len(windows)), 3))
    pick = np.ix_(rows, rows)
    return Block(
        found.error.ravel()[rows],
        design.reshape(size, len(keys))[rows],
        known[pick],
        stacked[:, pick[0], pick[1]],
    )


def driven_m(run: LoggedRun) -> FloatArray:
    """Return the distance driven in each window of a run's chain, turns on the spot left out. [m]"""
    windows = windows_between(run.track, most=1)
    walk = segments(run.track, windows, {}).noise["distance_walk"]
    return np.asarray(walk[:, 0, 0] + walk[:, 1, 1])[_kept(run, len(windows))]


def _kept(run: LoggedRun, count: int) -> BoolArray:
    return np.ones(count, dtype=bool) if run.kept is None else run.kept


def _column(columns: Mapping[str, FloatArray], key: str, size: int) -> FloatArray:
    found = columns.get(key)
    return np.zeros(size) if found is None else found.ravel()


def _block_diagonal(cov: FloatArray) -> FloatArray:
    count = len(cov)
    whole = np.zeros((count, 3, count, 3))
    index = np.arange(count)
    whole[index, :, index, :] = cov
    return whole.reshape(3 * count, 3 * count)


def _reference_part(reference: FloatArray, start: np.ndarray, end: np.ndarray) -> FloatArray:
    """Return how the errors of a chain depend on what is wrong with each pose, shape (k, 3, k + 1, 3).

    A wrong pose at the end of a window moves the true end; one at its start moves and turns the prediction.
    """
    count = len(start)
    c, s = np.cos(reference[end, 2]), np.sin(reference[end, 2])
    turn = np.zeros((count, 3, 3))
    turn[:, 0, 0] = turn[:, 1, 1] = c
    turn[:, 0, 1], turn[:, 1, 0] = s, -s
    turn[:, 2, 2] = 1.0
    way = reference[end, :2] - reference[start, :2]
    carry = np.tile(np.eye(3), (count, 1, 1))
    carry[:, 0, 2], carry[:, 1, 2] = -way[:, 1], way[:, 0]
    whole = np.zeros((count, 3, count + 1, 3))
    index = np.arange(count)
    whole[index, :, index + 1, :] = turn
    whole[index, :, index, :] = -turn @ carry
    return whole


def _of_axes(ends: FloatArray, axes: tuple[int, ...]) -> FloatArray:
    count = ends.shape[0]
    factor = ends[:, :, :, list(axes)].reshape(3 * count, -1)
    return np.asarray(factor @ factor.T)
