"""Measured poses of logs that lie apart, each at its line, with what was most likely meant."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from driftgate.calibrate.chain import LoggedRun
from driftgate.calibrate.doubted import Doubted
from driftgate.calibrate.exchanged_poses import SURE, Exchanged, cycles, exchanged_poses
from driftgate.calibrate.stray_poses import Stray, stray_poses
from driftgate.core.findings import Finding, Level
from driftgate.core.pose import FloatArray, wrap_angle
from driftgate.core.units import DIMENSIONS
from driftgate.logs.values import Log

# So much likelier than anything else is sure: an error. Less is a warning. [natural logarithm]
_SURE: Final = 5.0
# A pose fits where it is so near to where the odometry has it, or so much nearer than it was. [m, rad, 1]
_FITS_M, _FITS_RAD, _FITS = 0.02, math.radians(3.0), 0.25
# So far off, the heading at an end of a run is no matter of a slip. [rad]
_TURNED_RAD = math.radians(35.0)
_QUARTER: Final = 0.5 * math.pi


def check_poses(runs: Sequence[LoggedRun], logs: Sequence[Log], doubted: Doubted) -> list[Finding]:
    """Return what speaks against reference poses: those of another run, and such as lie apart.

    Parameters
    ----------
    runs, logs
        Runs of one robot, each with its log.
    doubted : Doubted
        To which the poses are added of which a warning says that they lie apart.

    Returns
    -------
    list of Finding
        DG626 for each runs that have each other's poses. DG625 for a pose that lies apart: an error where
        nothing else explains the run nearly as well, else a warning.
    """
    exchanged = exchanged_poses(runs)
    found = [_exchanged(each, logs) for each in cycles(exchanged)]
    odd = {each.run for each in exchanged}
    measured = [
        (run, log)
        for i, (run, log) in enumerate(zip(runs, logs, strict=True))
        if run.poses >= 3 and i not in odd
    ]
    for stray in stray_poses([run for run, _ in measured]):
        run, log = measured[stray.run]
        found.append(_finding(stray, run, log))
        if found[-1].level == "warning":
            at = np.searchsorted(log.time_s, run.track.time_s[list(stray.rows)])
            doubted.poses.setdefault(log.path, set()).update(at.tolist())
    return found


def _exchanged(cycle: Sequence[Exchanged], logs: Sequence[Log]) -> Finding:
    """Return an error for runs each of which has the poses of another."""
    places = [logs[each.run].place("reference x") for each in cycle]
    names = [at.path for at in places]
    fits = [
        f"those in {logs[each.poses_of].place('reference x').path} fit the run {logs[each.run].path}"
        for each in cycle
    ]
    likelier = min(each.likelier for each in cycle)
    sure = likelier >= SURE
    times = f"{math.exp(likelier):.0f}" if not sure else f"10^{likelier / math.log(10.0):.0f}"
    message = (
        f"the reference poses of {len(cycle)} runs {'are' if sure else 'may be'} exchanged: "
        f"{', '.join(fits)}; all runs together are {times} times as likely that way"
    )
    advice = (
        f"exchange {' and '.join(names)}, by their names or contents"
        if len(names) == 2
        else "give each run its own"
    )
    at = places[0]
    level: Level = "error" if sure else "warning"
    return Finding(at.path, at.line, at.column, "DG626", message, level, advice, at.excerpt)


def _finding(stray: Stray, run: LoggedRun, log: Log) -> Finding:
    row = int(np.searchsorted(log.time_s, run.track.time_s[stray.rows[0]]))
    at = log.poses_at.get(row) or log.place("reference x")
    stated, blind = run.track.reference[stray.rows[0]], bool(run.blind[stray.rows[0]])
    place_mm, apart_mm = 1e3 * math.hypot(*stray.off[:2]), 1e3 * stray.apart[0]
    off = f"{place_mm:.0f} mm"
    if not blind:
        off += f" and {math.degrees(abs(stray.off[2])):.1f} deg"
    more = len(stray.rows) - 1
    which = "this pose lies" if not more else f"this pose and the next {more if more > 1 else 'one'} lie"
    when = "" if row in log.poses_at else f" (at {log.time_s[row]:.6g} s)"
    message = (
        f"{which}{when} {off} from where the odometry has {'it' if not more else 'them'}, driven on from the "
        f"pose before and back from the pose after, which agree within {apart_mm:.0f} mm: no slip does that, "
        "it shifts all later poses"
    )
    if stray.end:
        side = "back from the pose after" if stray.end == "first" else "on from the pose before"
        message = (
            f"the {stray.end} pose lies {off} from where the odometry has it, driven {side}: more than any "
            "slip does"
        )
    meant = _meant(stated, stated - np.array(stray.off), stray, blind, log)
    leave = "the cells of this pose" if not more else "the cells of these poses"
    # No slip of a wheel turns a gyro; that it moves the place, nothing after it or before it denies.
    turned = not blind and abs(stray.off[2]) > _TURNED_RAD
    sure = stray.likelier >= _SURE and (turned or not stray.end)
    level: Level = "error" if sure else "warning"
    advice = f"{meant}; correct it, or leave {leave} blank"
    if not sure:
        advice = f"{meant}; a fit leaves it out unless you correct it"
        advice = (
            advice.replace("leaves it", "leaves them").replace("correct it", "correct them")
            if more
            else advice
        )
    return Finding(at.path, at.line, at.column, "DG625", message, level, advice, at.excerpt)


def _meant(stated: FloatArray, right: FloatArray, stray: Stray, blind: bool, log: Log) -> str:
    """Return what would fit."""
    place, turn = math.hypot(*stray.off[:2]), abs(stray.off[2])
    near_m = max(_FITS_M, stray.apart[0], _FITS * place)
    near_rad = max(_FITS_RAD, stray.apart[1])

    def fits(x: float, y: float) -> bool:
        return math.hypot(x - right[0], y - right[1]) < near_m

    x, y, heading = stated.tolist()
    told = [
        _as_written(log, title, value, dimension)
        for title, value, dimension in (
            ("reference x", float(right[0]), "length"),
            ("reference y", float(right[1]), "length"),
        )
    ]
    if place > _FITS_M and place > stray.apart[0]:
        for words, fit in (
            ("x and y exchanged", (y, x)),
            ("the sign of x changed", (-x, y)),
            ("the sign of y changed", (x, -y)),
        ):
            if fits(*fit):
                return f"it would fit with {words}"
        if abs(stray.off[1]) < _FITS * place:
            return f"look at 'reference x': about {told[0]} would fit"
        if abs(stray.off[0]) < _FITS * place:
            return f"look at 'reference y': about {told[1]} would fit"
        return f"about x = {told[0]}, y = {told[1]} would fit"
    if not blind and turn > near_rad:
        if abs(wrap_angle(-heading - float(right[2]))) < near_rad:
            return "it would fit with the sign of its heading changed"
        quarters = round(turn / _QUARTER)
        if quarters and abs(turn - quarters * _QUARTER) < near_rad:
            return f"its heading is off by {90 * quarters} deg: it counts from the field's x axis"
    wanted = _as_written(log, "reference heading", wrap_angle(float(right[2])), "angle")
    return f"look at 'reference heading': about {wanted} would fit"


def _as_written(log: Log, title: str, value: float, dimension: str) -> str:
    """Return a number in the unit of its column."""
    units = DIMENSIONS[dimension].units
    unit = log.units.get(title, "")
    unit = unit if unit in units else {"length": "m", "angle": "deg"}[dimension]
    shown = value / float(units[unit])
    # Of a length two centimetres count, of an angle half a degree.
    step = {"length": 0.005, "angle": math.radians(0.5)}[dimension] / float(units[unit])
    return f"{shown:.{max(0, -math.floor(math.log10(step)))}f} {unit}"
