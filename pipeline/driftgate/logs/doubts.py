"""Numbers that no robot can have written: other units than the header says, jumps, gaps.

The bounds are wide: a small robot is ten times slower. They are the trade's habits, without a source.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.core.units import DIMENSIONS
from driftgate.logs.cells import NO_ECHO
from driftgate.logs.lost_rows import check_gaps, check_lost_rows
from driftgate.logs.part import Part
from driftgate.logs.values import BoolArray

# No small robot drives faster. [m/s]
FASTEST_M_S: Final = 20.0
# Clocks jitter, and a row may carry what several ticks drove: so much may come at once. [m]
AT_ONCE_M: Final = 0.5
# More than a gyro of a full scale of 2000 deg/s can read. [rad/s]
FASTEST_TURN_RAD_S: Final = 40.0
TURN_AT_ONCE_RAD: Final = 0.35
# A gyro that was set back begins anew so near to zero. [rad]
SET_BACK_RAD: Final = 0.02
# No beam or radio range of such a robot reads so far. [m]
FARTHEST_M: Final = 500.0
# Odometry that comes more seldom says nothing of the path. [s]
SELDOM_S: Final = 2.0
# A gap: so many times the usual interval, and at least so long. [1, s]
GAP_FACTOR: Final = 10.0
GAP_S: Final = 0.25
# Speeds of small robots, by which a unit is guessed at, and units that they are logged in. [m/s]
_LIKELY: Final = (0.2, 3.0)
_LENGTHS: Final = ("mm", "cm", "in", "m")
# A counter since the start is seldom near zero again, stands still where the robot does, and goes on in
# steps that are small beside it. [1]
_NEARLY, _SELDOM, _STILL, _SMALL_STEPS = 0.02, 0.05, 1e-3, 0.1
_BETWEEN, _MOVING = 0.9, 0.4
_COUNTER: Final = (
    "this looks like the counter since the start: write what was rolled since the row before, the difference "
    "from row to row"
)
# Getting somewhere takes at least that distance; so much less on the wheels is no slip. [1, m]
SHORTEST_SHARE: Final = 0.4
FAR_ENOUGH_M: Final = 0.3


def unwrapped(heading_rad: FloatArray) -> FloatArray:
    """Return the headings without jumps by whole turns; nan stays. [rad]"""
    known = ~np.isnan(heading_rad)
    out = heading_rad.copy()
    out[known] = np.unwrap(heading_rad[known])
    return out


def check_doubts(part: Part) -> None:
    """Add a finding for every kind of doubt, at its first place."""
    check_lost_rows(part)
    _speed(part)
    _intervals(part)
    _turns(part)
    _ranges(part)
    _distance(part)


def _since(part: Part, known: BoolArray) -> tuple[np.ndarray, FloatArray]:
    """Return the rows that have a value, but the first, and the time since the one before. [s]"""
    rows = np.flatnonzero(known)
    return rows[1:], np.diff(part.numbers["time"][rows])


def _and_more(count: int) -> str:
    return f", and in {count - 1} rows more" if count > 1 else ""


def _as_written(part: Part, title: str, value: float) -> str:
    """Return an SI number in the unit of the column."""
    column = part.columns[title]
    return f"{value / float(column.factor):.4g} {column.unit}"


def _unit(part: Part, title: str) -> str:
    return f"the header says [{part.columns[title].unit}]: is that what the robot wrote?"


def _speed(part: Part) -> None:
    for title in ("forward", "sideways"):
        if title not in part.columns:
            continue
        step = part.numbers[title]
        rows, dt = _since(part, ~np.isnan(step))
        moved = np.abs(step[rows])
        far = np.flatnonzero(moved > np.maximum(AT_ONCE_M, FASTEST_M_S * dt))
        moving = moved > 0.0
        if len(far):
            i = far[0]
            words = f"{_as_written(part, title, step[rows[i]])} in {dt[i]:.4g} s{_and_more(len(far))}"
            # What writes one counter writes the other, too, though it may come back to zero.
            wheels = [part.numbers[t] for t in ("forward", "sideways") if t in part.columns]
            counter = any(_counts_up(wheel[~np.isnan(wheel)]) for wheel in wheels)
            advice = _COUNTER if counter else _unit(part, title)
            if advice is not _COUNTER:
                advice += _as_if(part, title, float(np.quantile(moved[moving] / dt[moving], 0.9)))
            part.say("DG610", int(rows[i]), title, f"no robot drives {words}", advice)
        elif moving.any() and np.median(moved[moving] / dt[moving]) > FASTEST_M_S:
            speed = float(np.median(moved[moving] / dt[moving]))
            words = f"no robot drives {speed:.4g} m/s, as half of these rows say"
            part.say("DG610", int(rows[np.argmax(moving)]), title, words, _unit(part, "time"))
    if "speed" in part.columns:
        fast = np.flatnonzero(np.abs(np.nan_to_num(part.numbers["speed"])) > FASTEST_M_S)
        if len(fast):
            words = _as_written(part, "speed", part.numbers["speed"][fast[0]]) + _and_more(len(fast))
            part.say("DG610", int(fast[0]), "speed", f"no robot drives {words}", _unit(part, "speed"))


def _as_if(part: Part, title: str, speed_mps: float) -> str:
    """Return in which other unit a column would be a robot's, in words; empty if in none."""
    units, own = DIMENSIONS["length"].units, part.columns[title].unit
    speeds = {u: speed_mps * float(units[u]) / float(units[own]) for u in _LENGTHS if u != own}
    low, high = _LIKELY
    likely = [f"{speed:.2g} m/s in [{unit}]" for unit, speed in speeds.items() if low < speed < high]
    return f" It would drive {' or '.join(likely)}" if likely else ""


def _counts_up(numbers: FloatArray) -> bool:
    """Return whether a column is a counter since the start: when the robot stands it stays where it is."""
    size = np.abs(numbers)
    most = float(size.max(initial=0.0))
    off = np.flatnonzero(size > _NEARLY * most)
    if not len(off):
        return False
    since = numbers[off[0] :]
    stands = np.abs(np.diff(since)) < _STILL * most
    away = np.abs(since[1:]) > _NEARLY * most
    small = np.abs(np.diff(since)).max(initial=0.0) < _SMALL_STEPS * most
    # Increments rest at zero and, at full speed, at their largest; a counter at other places, too.
    between = stands & away & (np.abs(since[1:]) < _BETWEEN * most)
    moves = np.mean(~stands) > _MOVING
    return bool(np.mean(~away) < _SELDOM and small and stands.any() and (moves or between.any()))


def _intervals(part: Part) -> None:
    title = next((t for t in ("forward", "sideways", "heading") if t in part.columns), None)
    if title is None:
        return
    rows, dt = _since(part, ~np.isnan(part.numbers[title]))
    if not len(dt):
        return
    usual = float(np.median(dt))
    if usual > SELDOM_S:
        words = f"the odometry comes every {_as_written(part, 'time', usual)}"
        part.say("DG610", int(rows[0]), "time", words, _unit(part, "time"))
        return
    gaps = np.flatnonzero(dt > max(GAP_S, GAP_FACTOR * usual))
    if len(gaps):
        check_gaps(part, title, rows, dt, gaps)


def _turns(part: Part) -> None:
    if "heading" not in part.columns:
        return
    heading = unwrapped(part.numbers["heading"])
    rows, dt = _since(part, ~np.isnan(heading))
    turn = np.abs(np.diff(heading[~np.isnan(heading)]))
    jumps = np.flatnonzero(turn > np.maximum(TURN_AT_ONCE_RAD, FASTEST_TURN_RAD_S * dt))
    if not len(jumps):
        return
    row = int(rows[jumps[0]])
    raw = part.numbers["heading"]
    words = f"the heading changes by {_as_written(part, 'heading', turn[jumps[0]])} in {dt[jumps[0]]:.4g} s"
    words += _and_more(len(jumps))
    radians = part.columns["heading"].unit in ("rad", "mrad") and np.nanmax(np.abs(raw)) > 12.6
    if radians and len(jumps) > 3:
        part.say("DG610", row, "heading", words, _unit(part, "heading"))
    else:
        part.say("DG611", row, "heading", words, _set_back(part, rows[jumps], raw))


def _set_back(part: Part, rows: np.ndarray, raw: FloatArray) -> str:
    """Return the advice for a heading that jumps: whether the gyro was set back, and how to mend the log."""
    row = int(rows[0])
    if len(rows) == 1 and abs(raw[row]) < SET_BACK_RAD:
        known = np.flatnonzero(~np.isnan(raw[:row]))
        before = _as_written(part, "heading", float(raw[known[-1]]))
        return (
            f"it seems that the gyro was set back to zero: add {before} to all headings from this row on, "
            "and never set it back during a run"
        )
    return "only a wrap by a whole turn is taken out; was the gyro set back, or lost for a while?"


def _ranges(part: Part) -> None:
    for title, column in part.columns.items():
        if column.kind != "range":
            continue
        far = np.flatnonzero(np.nan_to_num(part.numbers[title]) > FARTHEST_M)
        if len(far):
            first = _as_written(part, title, part.numbers[title][far[0]])
            words, advice = first + _and_more(len(far)), _unit(part, title)
            if np.ptp(part.numbers[title][far]) == 0.0:
                # The robot's own word for no echo, such as 9999, is always the same.
                advice = f"if it stands for no echo, write {NO_ECHO}; if not: {advice}"
            part.say("DG610", int(far[0]), title, f"no range sensor reads {words}", advice)


def _distance(part: Part) -> None:
    """Find wheels that rolled less far than the robot came."""
    if "forward" not in part.columns:
        return
    steps = [np.nan_to_num(part.numbers[t]) for t in ("forward", "sideways") if t in part.columns]
    rolled = np.cumsum(np.hypot(steps[0], steps[1]) if len(steps) == 2 else np.abs(steps[0]))
    for kind in ("believed", "reference"):
        if f"{kind} x" not in part.columns:
            continue
        x, y = part.numbers[f"{kind} x"], part.numbers[f"{kind} y"]
        rows = np.flatnonzero(~np.isnan(x))
        if len(rows) < 2:
            continue
        away = np.hypot(x[rows] - x[rows[0]], y[rows] - y[rows[0]])
        far = int(np.argmax(away))
        wheels = float(rolled[rows[far]] - rolled[rows[0]])
        if away[far] > FAR_ENOUGH_M and wheels < SHORTEST_SHARE * away[far]:
            came = _as_written(part, f"{kind} x", float(away[far]))
            words = f"the {kind} pose is {came} away from the first one, but the wheels rolled "
            words += _as_written(part, "forward", wheels)
            part.say("DG610", int(rows[far]), f"{kind} x", words, "is one of the two in another unit?")
            return
