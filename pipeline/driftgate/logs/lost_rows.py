"""Rows that were lost: the clock jumps by whole multiples of its step, and what was rolled then is missing.

A row that is lost loses nothing where a robot writes what it rolled since the last row written. Where it
writes what it rolled in its last tick, the distance of the lost row is gone, and the run comes out short by
the share of rows lost: no factor on the wheel mends that, since each run loses its own. A gap of many rows
is told by the row after it: driven through, it holds what one tick rolls, or what the whole gap does.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.logs.part import Part

# Steps of the clock this near to a whole number of the usual one, and how many of them have to be. [1, 1]
_WHOLE: Final = 0.2
_MOSTLY: Final = 0.9
# Rows with more than so many ticks in them are gaps, which are told of otherwise.
_MOST_TICKS: Final = 10
# So many rows after a lost one, while driving, tell what they carry; fewer lost rows do no harm.
_LEAST_ROWS: Final = 8
_LEAST_SHARE: Final = 0.01
# What a row after lost ones drove, against what as many ticks would have: nearer to one of them than to all.
_OF_ONE: Final = 0.6
# So many ticks on either side say what a row should have.
_NEAR: Final = 3
# Slower than this share of the usual speed says nothing. [1]
_DRIVING: Final = 0.2
# What a gap has to have lost to be an error: no slip of a wheel is that large, usually. (Our choice.) [m]
_LOST_M: Final = 0.05
# Rows on either side of a gap that say how fast the robot drove through it.
_BESIDE: Final = 5


def lost_share(time_s: FloatArray, step_m: FloatArray) -> float | None:
    """Return the share of the distance rows that is missing, if what was rolled in them is missing too.

    Parameters
    ----------
    time_s, step_m : ndarray, shape (n,)
        Rows that have an increment: when, and how far the wheel rolled. [s, m]

    Returns
    -------
    float or None
        None where no row is missing, or those that are lost nothing.
    """
    dt = np.diff(time_s)
    if len(dt) < 10 * _LEAST_ROWS:
        return None
    tick = _tick(dt)
    ticks = np.round(dt / tick)
    whole = np.abs(dt / tick - ticks) < _WHOLE
    if whole.mean() < _MOSTLY:
        return None
    few = whole & (ticks >= 1.0) & (ticks <= _MOST_TICKS)
    share = 1.0 - few.sum() / max(float(ticks[few].sum()), 1.0)
    # Lost rows are fewer the more of them come together: steps of which most are long are a robot's own.
    if share < _LEAST_SHARE or np.bincount(ticks[few].astype(int)).argmax() != 1:
        return None
    moved = step_m[1:]
    # What one tick drives about each row: the single ticks next to it, several, since counters jitter.
    at = np.flatnonzero(few & (ticks == 1.0))
    after = np.flatnonzero(few & (ticks > 1.0))
    if len(at) < 2 * _NEAR:
        return None
    sums = np.concatenate([[0.0], np.cumsum(moved[at])])
    middle = np.clip(np.searchsorted(at, after), _NEAR, len(at) - _NEAR)
    near = (sums[middle + _NEAR] - sums[middle - _NEAR]) / (2.0 * _NEAR)
    fast = float(np.quantile(np.abs(near), 0.9))
    driving = np.abs(near) > _DRIVING * max(fast, 1e-9)
    if int(driving.sum()) < _LEAST_ROWS or fast < float(np.std(np.diff(moved[at]))):
        return None
    # 0 if these rows carry one tick, 1 if they carry all.
    ahead = np.sign(near[driving])
    more = float(ahead @ (moved[after] - near)[driving])
    carried = more / float(ahead @ (near * (ticks[after] - 1.0))[driving])
    return float(share) if carried < 1.0 - _OF_ONE else None


def _tick(dt: FloatArray) -> float:
    """Return the clock's own step: the middle of the short ones."""
    short = float(np.median(dt[dt <= np.median(dt)]))
    return float(np.median(dt[dt < 1.5 * short]))


def check_lost_rows(part: Part) -> bool:
    """Add an error for a wheel whose rows are lost with what was rolled in them; return whether one is."""
    time = part.numbers["time"]
    for title in ("forward", "sideways"):
        if title not in part.columns:
            continue
        step = part.numbers[title]
        rows = np.flatnonzero(~np.isnan(step))
        share = lost_share(time[rows], step[rows])
        if share is None:
            continue
        dt = np.diff(time[rows])
        tick = _tick(dt)
        first = int(rows[1:][np.argmax(dt > 1.5 * tick)])
        words = (
            f"{100.0 * share:.0f} % of the rows are missing: the clock jumps by 2, 3 or more times its step "
            f"of {tick:.3g} s, and '{title}' has no more in the row after that than in any other, so that "
            "what was rolled in between is lost"
        )
        advice = (
            "write the difference of the counter from row to row written, or all rows; no factor mends it, "
            "each run loses its own"
        )
        part.say("DG609", first, title, words, advice)
        return True
    return False


def check_gaps(part: Part, title: str, rows: np.ndarray, dt: FloatArray, gaps: np.ndarray) -> None:
    """Add a finding for each gap in the odometry: an error for all in which what was rolled is lost.

    Parameters
    ----------
    part : Part
        The file.
    title : str
        The column that has the gaps.
    rows, dt : ndarray, shape (n,)
        Its rows with a value but the first, and the time since the one before. [s]
    gaps : ndarray of int
        Which of them come after a gap.
    """
    usual = float(np.median(dt))
    lost: list[tuple[int, float]] = []
    for i in gaps.tolist():
        words = f"no odometry for {dt[i]:.3g} s, else every {usual:.3g} s"
        moved = part.numbers[title][rows]
        through, carried = (0.0, 0.0) if title == "heading" else _through(moved, dt, i, gaps)
        if abs(through) < _LEAST_TOLD_M:
            advice = (
                _IN_SUM if title == "heading" or abs(carried) > _LEAST_TOLD_M else _NOT_TOLD.format(title)
            )
        elif carried / through > 1.0 - _OF_ONE:
            advice = _IN_SUM
        elif abs(through) > _LOST_M:
            lost.append((i, abs(through - carried)))
            continue
        else:
            words += f", and '{title}' has no more after it than in any other row"
            advice = f"about {1000.0 * abs(through - carried):.0f} mm that were driven in the gap are lost"
        part.warn("DG609", int(rows[i]), "time", words, advice)
    if lost:
        i, most = max(lost, key=lambda gap: gap[1])
        more = f", as for {len(lost) - 1} more" if len(lost) > 1 else ""
        words = (
            f"no odometry for {dt[i]:.3g} s{more}, else every {usual:.3g} s, and '{title}' has no more in "
            f"the row after that than in any other: about {most:.2f} m that were driven in the gap, by the "
            "speed before and after it, are lost"
        )
        advice = (
            "leave this run out, or what comes after the gap; in the robot's code write what the counter "
            "went on by since the last row written, not in the last tick"
        )
        part.say("DG609", int(rows[i]), "time", words, advice)


_IN_SUM: Final = "what happened in the gap is known only in sum"
_NOT_TOLD: Final = (
    "the robot stood before and after the gap: what it drove meanwhile is known in sum if '{}' holds what "
    "was rolled since the last row written, and lost if it holds what the last tick rolled"
)
# Less than this through a gap, or after it, tells nothing. [m]
_LEAST_TOLD_M: Final = 0.01


def _through(moved: FloatArray, dt: FloatArray, i: int, gaps: np.ndarray) -> tuple[float, float]:
    """Return what a wheel will have rolled through a gap but for one tick, and how much of it there is. [m]

    The speed is the mean of that before and after: none where the two have not the same sign.
    """
    beside = [np.arange(max(i - _BESIDE, 0), i), np.arange(i + 1, min(i + 1 + _BESIDE, len(dt)))]
    beside = [np.setdiff1d(each, gaps) for each in beside]
    if min(map(len, beside)) == 0:
        return 0.0, float(moved[i])
    before, after = (float(moved[each].sum() / dt[each].sum()) for each in beside)
    speed = 0.5 * (before + after) if before * after > 0.0 else 0.0
    tick = float(np.median(dt))
    return speed * (dt[i] - tick), float(moved[i]) - speed * tick
