"""A replayed correction held against the truth: errors, the filter's own regions, what became of readings."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from driftgate.calibrate.replay import Replayed
from driftgate.calibrate.score import (
    LEVELS,
    Word,
    chi_square_bounds,
    effective_count,
    kept_share,
    region_point,
    would_name,
)
from driftgate.calibrate.shared_errors import Shared, shared_of
from driftgate.calibrate.windows import BoolArray, Track
from driftgate.core.pose import FloatArray, wrap_angles
from driftgate.judge.bounds import interval
from driftgate.judge.consistency import COVERAGE, INNOVATIONS
from driftgate.predict.values import Outcome

# A belief that is ever so far off has lost the robot. [m]
LOST_M = 5.0
# A robot stands that goes and turns no further within this time, which is 20 mm/s and 5 deg/s: a tick of an
# encoder (0.05 to 2 mm) is less, and so is what a gyro at rest drifts (our choice). [s, m, rad]
_ABOUT_S = 0.2
_STANDS_M = 0.004
_STANDS_RAD = float(np.radians(1.0))
# Poses at fewer places than this, so far or so much turned apart, say nothing of a correction: shares and
# percentiles of them would be of one error (our choice). [1, m, rad]
LEAST_PLACES, APART_M, APART_RAD = 5, 0.05, math.radians(5.0)


@dataclass(frozen=True)
class CorrectionScore:
    """How the correction did, over n seeds.

    Attributes
    ----------
    seeds : int
        How many.
    poses, independent : float
        Scored poses of a seed, and as how many independent ones they count.
    rmse_m : ndarray, shape (n,)
        Root mean square of the position error of each seed. [m]
    p95_m : float
        95th percentile of the position errors of all. [m]
    worst_m : float
        Largest position error. [m]
    heading_rmse_rad : float
        Of all. [rad]
    alone_rmse_m : float
        What dead reckoning alone would have had. [m]
    inside : tuple of float
        Shares of positions inside the filter's own 50, 68, 90, 95 % regions; measured poses are uncertain.
    normalised : float
        Mean normalised position error squared over its two components: 1 for a filter that is right.
    shared : Shared
        What of the errors other runs of the robot on the field have in common, as the filter has it.
    normalised_used : float
        Mean normalised innovation squared of the accepted readings; nan without any.
    outcomes : dict
        Readings by what became of them, all seeds together.
    false_refused, good_refused : float or None
        Shares refused by the gate, of the replaced readings and of the others that came to it.
    strayed : int
        Seeds in which the belief was ever off by more than 5 m.
    said_lost : int
        Seeds in which the lost flag was raised.
    word : str
        The verdict.
    """

    seeds: int
    poses: int
    independent: float
    rmse_m: FloatArray
    p95_m: float
    worst_m: float
    heading_rmse_rad: float
    alone_rmse_m: float
    inside: tuple[float, ...]
    normalised: float
    shared: Shared
    normalised_used: float
    outcomes: dict[str, int]
    false_refused: float | None
    good_refused: float | None
    strayed: int
    said_lost: int
    word: Word


def scored_poses(track: Track) -> BoolArray:
    """Return at which rows a measured pose is scored: all but those that repeat what a standstill has told.

    A camera measures a robot that stands a thousand times, and each time the same error: the last pose of a
    standstill counts. A tape is laid out where the robot stands, once a stop, and all its poses count.

    Parameters
    ----------
    track : Track
        The run, with its reference.

    Returns
    -------
    ndarray of bool, shape (rows,)
        True where the pose of a row is scored.
    """
    known = np.isfinite(track.reference[:, :2]).all(axis=1)
    # Up to the row, or from it on: the first and the last moment of a standstill belong to it.
    stands = _still(track, track.time_s - _ABOUT_S, track.time_s)
    stands |= _still(track, track.time_s, track.time_s + _ABOUT_S)
    moved, rows = np.cumsum(~stands), np.flatnonzero(known)
    repeated = stands[rows[:-1]] & (moved[rows[:-1]] == moved[rows[1:]])
    scored = np.array(known)
    scored[rows[:-1][repeated]] = False
    return np.asarray(scored)


def _still(track: Track, since_s: FloatArray, until_s: FloatArray) -> BoolArray:
    """Return whether the robot stands from one time to another; False where the log does not have both."""
    sums = np.concatenate([np.zeros((1, 3)), np.cumsum(track.twist, axis=0)])
    at = [
        np.stack([np.interp(time, track.time_s, c, left=np.nan, right=np.nan) for c in sums.T], axis=-1)
        for time in (since_s, until_s)
    ]
    change = np.abs(at[1] - at[0])
    return np.asarray((np.hypot(change[:, 0], change[:, 1]) < _STANDS_M) & (change[:, 2] < _STANDS_RAD))


def too_still(track: Track) -> str:
    """Return why the poses of a run say nothing of its correction, in words; empty if they do."""
    count = _places(track, scored_poses(track))
    if count >= LEAST_PLACES:
        return ""
    at = f"{count} places" if count > 1 else "one place" if count else "no place"
    return (
        f"its measured poses are at {at} only, and it takes {LEAST_PLACES} that are "
        f"{1e3 * APART_M:.0f} mm or {math.degrees(APART_RAD):.0f} deg apart: measure at more stops of a "
        "drive, or with a camera while it drives"
    )


def _places(track: Track, which: BoolArray) -> int:
    """Return at how many places, by the odometry, some rows are; counted no further than is needed."""
    driven = track.distance_m
    turned = np.concatenate([[0.0], np.cumsum(track.twist[:, 2])])
    count, at = 0, -1
    for row in np.flatnonzero(which):
        if count and driven[row] - driven[at] < APART_M and abs(turned[row] - turned[at]) < APART_RAD:
            continue
        count, at = count + 1, int(row)
        if count == LEAST_PLACES:
            break
    return count


def score_correction(
    track: Track,
    replayed: Replayed,
    false: BoolArray | None,
    alone: FloatArray,
    measured: tuple[float, float, float] | None = None,
) -> CorrectionScore:
    """Return how a replay did, at the poses of `scored_poses`.

    Parameters
    ----------
    track : Track
        The run, with its reference.
    replayed : Replayed
        The replay over it.
    false : ndarray of bool, shape (m, n), optional
        Which readings were replaced by false ones.
    alone : ndarray, shape (rows, 2)
        Where dead reckoning alone ends up. [m]
    measured : tuple of float, optional
        Standard deviations of a reference pose, which is uncertain, too: x, y, heading. [m, m, rad]
    """
    scored = scored_poses(track)
    error = replayed.belief[scored, :2] - track.reference[scored, :2, None]
    xx, xy, _, yy = (replayed.cov[scored, i] for i in range(4))
    if measured is not None:
        xx, yy = xx + measured[0] ** 2, yy + measured[1] ** 2
    squared = (yy * error[:, 0] ** 2 - 2.0 * xy * error[:, 0] * error[:, 1] + xx * error[:, 1] ** 2) / (
        xx * yy - xy**2
    )
    position = np.hypot(error[:, 0], error[:, 1])
    turned = replayed.belief[scored, 2] - track.reference[scored, 2, None]
    turned = wrap_angles(turned)
    accepted = replayed.outcome == Outcome.ACCEPTED
    used = replayed.squared[accepted]
    normal = float(np.nanmean(used)) if np.isfinite(used).any() else float("nan")
    inside = tuple(float(np.mean(squared <= region_point(level))) for level in LEVELS)
    own = alone[scored] - track.reference[scored, :2]
    counts = {o.name.lower(): int(np.count_nonzero(replayed.outcome == o)) for o in Outcome}
    # Signed, and by the filter's own covariance: what is constant all through a run must not drop out.
    first = error[:, 0] / np.sqrt(xx)
    second = (error[:, 1] - xy / xx * error[:, 0]) / np.sqrt(yy - xy**2 / xx)
    white = np.stack([first, second], axis=-1)
    independent = float(np.mean([effective_count(white[:, i]) for i in range(white.shape[1])]))
    strayed = int(np.count_nonzero(position.max(axis=0) > LOST_M))
    score = CorrectionScore(
        seeds=position.shape[1],
        poses=int(scored.sum()),
        independent=independent,
        rmse_m=np.sqrt(np.mean(position**2, axis=0)),
        p95_m=float(np.percentile(position, 95.0)),
        worst_m=float(position.max()),
        heading_rmse_rad=float(np.sqrt(np.nanmean(turned**2))) if np.isfinite(turned).any() else float("nan"),
        alone_rmse_m=float(np.sqrt(np.mean(np.sum(own**2, axis=1)))),
        inside=inside,
        normalised=0.5 * float(np.mean(squared)),
        shared=shared_of(
            [replayed.linked.get(int(row), {}) for row in np.flatnonzero(scored)],
            np.stack([xx[:, 0], xy[:, 0], yy[:, 0]], axis=-1),
        ),
        normalised_used=normal,
        outcomes={name: count for name, count in counts.items() if count},
        false_refused=None if false is None else _refused(replayed, false),
        good_refused=_refused(replayed, np.ones_like(accepted) if false is None else ~false),
        strayed=strayed,
        said_lost=int(np.count_nonzero(replayed.lost)),
        word="cannot say",
    )
    return with_correction_verdict(score, 1)


def with_correction_verdict(found: CorrectionScore, among: int) -> CorrectionScore:
    """Return a score with the verdict that it has as one of so many."""
    used = found.outcomes.get(Outcome.ACCEPTED.name.lower(), 0) / found.seeds
    word = _word(found.inside[-1], found.normalised_used, found.independent, used, among)
    return replace(found, word=word)


def _refused(replayed: Replayed, which: BoolArray) -> float | None:
    """Return the share that the gate refused, of those that came to it."""
    came = which & np.isfinite(replayed.squared)
    if not came.any():
        return None
    return float(np.mean(replayed.outcome[came] == Outcome.GATE))


def _word(inside_95: float, normal: float, independent: float, used: float, among: int) -> Word:
    """Return the verdict: wrong is what is out of the bounds by more than chance, as in `score`.

    `used` readings count as independent in the innovations, as those of a filter that is right are.
    """
    kept = kept_share(among)
    if not (would_name(2.0 * independent, kept) and np.isfinite(normal) and used > 0.0):
        return "cannot say"
    counted = round(independent)
    share = interval(round(inside_95 * counted), counted, kept)
    square = chi_square_bounds(used, 1, kept)
    if (inside_95 < COVERAGE[0] and share[1] < LEVELS[-1]) or (
        normal > INNOVATIONS[1] and normal > square[1]
    ):
        return "overconfident"
    if (inside_95 > COVERAGE[1] and share[0] > LEVELS[-1]) or (
        normal < INNOVATIONS[0] and normal < square[0]
    ):
        return "overcautious"
    return "calibrated"
