"""Reference poses that lie apart: which of them were mistyped, and not a slip of the odometry.

A wrong pose contradicts the odometry before it and the odometry after it in opposite ways, and without it
the two go together; a slip contradicts that of one window, and shifts all later ones. In a series of
numbers the two are called an additive and an innovational outlier ([1]_). As there, the explanation that
makes the runs likeliest is taken, then the next one beside it, until none is worth taking ([2]_): what is
told apart is two or more explanations of the same numbers, and not whether a number is large.

How likely runs are under an explanation is in `pose_model.py`.

References
----------
.. [1] A. J. Fox, "Outliers in time series," J. R. Statist. Soc. B 34, 1972, pp. 350-363 (from memory).
.. [2] C. Chen and L.-M. Liu, "Joint estimation of model parameters and outlier effects in time series,"
   J. Amer. Statist. Assoc. 88, 1993, pp. 284-297 (from memory).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from driftgate.calibrate.chain import LoggedRun
from driftgate.calibrate.dead_reckoning import reckon
from driftgate.calibrate.pose_model import Model, State, of_pen, off_ahead, sizes_of
from driftgate.calibrate.windows import Track
from driftgate.core.pose import FloatArray, wrap_angles

# Poses measured one after the other may all be off by the same: so many at most.
_LONGEST: Final = 2
# An explanation is taken if it makes the runs so much likelier. [natural logarithm]
_WORTH: Final = 3.0
# ... and told of if it does so more than all others by this. [natural logarithm]
_TOLD: Final = 2.0
# Looked at are poses that lie so far from where the odometry has them both from before and from after, ...
_LOOKED_AT: Final = (0.02, math.radians(3.0))
# ... which is so much less apart themselves.
_TOGETHER: Final = 0.7
# The first and the last pose of a run are doubted where no slip does so much. [m, rad]
_NO_SLIP: Final = (0.6, math.radians(35.0))
_LEAST_OF_END: Final = 3
# At most so many explanations a robot: with more, the odometry is what is wrong.
_MOST: Final = 12


@dataclass(frozen=True)
class Stray:
    """Reference poses of a run, one after the other, that lie apart together.

    Attributes
    ----------
    run : int
        Which run.
    rows : tuple of int
        Rows of its track.
    off : tuple of float
        By how much the first of them lies off where the others have it, field axes. [m, m, rad]
    apart : tuple of float
        By how much the ways from before and from after differ about where that is. [m, rad]
    likelier : float
        By how much that is likelier than the next best explanation. [natural logarithm]
    end : {"", "first", "last"}
        Whether it is the first or the last pose of its run, which nothing but its size tells from a slip.
    """

    run: int
    rows: tuple[int, ...]
    off: tuple[float, float, float]
    apart: tuple[float, float]
    likelier: float
    end: Literal["", "first", "last"] = ""


_END: Final[dict[tuple[bool, bool], Literal["", "first", "last"]]] = {
    (False, False): "",
    (True, False): "first",
    (False, True): "last",
}


def stray_poses(runs: Sequence[LoggedRun]) -> list[Stray]:
    """Return the reference poses that lie apart; those at the ends of a run only where no slip does that.

    Parameters
    ----------
    runs : sequence of LoggedRun
        Runs of one robot.

    Returns
    -------
    list of Stray
        By run and row.
    """
    runs = [run for run in runs if run.poses >= 3]
    found: list[Stray] = []
    if not runs:
        return found
    model = Model(runs)
    if all(next(_candidates(model, i), None) is None for i in range(len(runs))):
        return found
    for _ in range(_MOST):
        now = model.total()
        tried = [
            (model.total(i, state) - now, i, state)
            for i in range(len(runs))
            for state in _explanations(model, i)
        ]
        if not tried:
            break
        gain, i, state = max(tried, key=lambda each: each[0])
        if gain < _WORTH:
            break
        model.take(i, state)
    for i, state in enumerate(model.states):
        found += [_stray(model, i, rows) for rows in state.strays]
    found = [stray for stray in found if stray.likelier > _TOLD]
    return sorted(found, key=lambda stray: (stray.run, stray.rows))


def _candidates(model: Model, i: int) -> Iterator[tuple[tuple[int, ...], FloatArray]]:
    """Yield poses that lie off the ways from before and from after by the same, and by how much."""
    state = model.states[i]
    rows, path = state.rows, reckon(state.run.track, model.at)[0]
    for length in range(1, _LONGEST + 1):
        for k in range(1, len(rows) - length):
            own = tuple(rows[k : k + length])
            off = _off(state.run.track.reference, path, rows[k - 1], own, rows[k + length])
            sizes = [sizes_of(each) for each in (*off, off[0] - off[1])]
            if any(
                min(before, after) > least and apart < _TOGETHER * min(before, after)
                for (before, after, apart), least in zip(zip(*sizes, strict=True), _LOOKED_AT, strict=True)
            ):
                yield own, _middle(state.run.track, off, (rows[k - 1], *own, rows[k + length]))
    if len(rows) < _LEAST_OF_END:
        return
    for end, next_to in ((rows[0], rows[1]), (rows[-1], rows[-2])):
        one = off_ahead(state.run.track.reference, path, next_to, end)
        if any(size > least for size, least in zip(sizes_of(one), _NO_SLIP, strict=True)):
            yield (end,), one


def _explanations(model: Model, i: int) -> Iterator[State]:
    """Yield what else may be wrong in a run: a pose, or a slip in a window that is off."""
    state = model.states[i]
    for rows, off in _candidates(model, i):
        yield state.beside(rows, off)
    path = reckon(state.run.track, model.at)[0]
    for before, after in itertools.pairwise(state.rows):
        sizes = sizes_of(off_ahead(state.run.track.reference, path, before, after))
        if after not in state.slips and any(o > least for o, least in zip(sizes, _LOOKED_AT, strict=True)):
            yield state.slipped(after)


def _off(
    reference: FloatArray, path: FloatArray, before: int, rows: tuple[int, ...], after: int
) -> tuple[FloatArray, FloatArray]:
    """Return by how much poses are off where the odometry has them from before, and from after."""
    return off_ahead(reference, path, before, rows[0]), off_ahead(reference, path, after, rows[-1])


def _stray(model: Model, i: int, rows: tuple[int, ...]) -> Stray:
    state = model.states[i]
    track, path = state.run.track, reckon(state.run.track, model.at)[0]
    before = max((row for row in state.rows if row < rows[0]), default=None)
    after = min((row for row in state.rows if row > rows[-1]), default=None)
    apart, end = np.zeros(3), _END[before is None, after is None]
    if before is not None and after is not None:
        own = _off(track.reference, path, before, rows, after)
        off, apart = _middle(track, own, (before, *rows, after)), own[0] - own[1]
        ends = (rows[0], after)
    else:
        near = before if before is not None else after
        assert near is not None
        off = off_ahead(track.reference, path, near, rows[0])
        ends = (near if before is None else rows[0],) * 2
    x, y, heading = off.tolist()
    now = model.total()
    left = tuple(each for each in state.strays if each != rows)
    pens = state.pens - of_pen(off, rows, state.run)
    plain = replace(state, strays=left, pens=pens)
    others = [plain, *(plain.slipped(row) for row in ends), plain.slipped(ends[0]).slipped(ends[1])]
    likelier = now - max(model.total(i, other) for other in others)
    return Stray(i, rows, (x, y, heading), sizes_of(apart), likelier, end)


def _middle(track: Track, off: tuple[FloatArray, FloatArray], rows: tuple[int, ...]) -> FloatArray:
    """Return by how much poses are off by both ways: of the one that is nearer by, more."""
    before, after = _way(track, rows[0], rows[1]), _way(track, rows[-2], rows[-1])
    apart = off[0] - off[1]
    apart[2] = wrap_angles(apart[2:])[0]
    found = off[1] + after / (before + after) * apart
    found[2] = wrap_angles(found[2:])[0]
    return np.asarray(found)


def _way(track: Track, begin: int, end: int) -> float:
    """Return how far a robot drove and turned between two rows, and a little. [about m]"""
    steps = track.twist[begin:end]
    return float(np.hypot(steps[:, 0], steps[:, 1]).sum() + 0.3 * np.abs(steps[:, 2]).sum()) + 0.1
