"""Runs whose columns contradict each other or the robot: found before anything is fitted.

Between its reference poses a robot drives as far, turns as far and goes the way that its odometry says, but
for errors that are small beside the ways. Where it does not, a unit, a sign or an axis is wrong, or the
robot's code has a wheel of another size, and no fit means anything.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from driftgate.calibrate.chain import LoggedRun
from driftgate.calibrate.every_other import lost_with_rows
from driftgate.calibrate.mends import half_wrong, with_mend
from driftgate.calibrate.ways import TURNS_AGREE_RAD, WAY_M, Ways, together, ways_of
from driftgate.core.findings import Finding
from driftgate.core.pose import FloatArray, wrap_angles
from driftgate.logs.values import Log

# Driven over real distance: no wheels wear or slip so far off over a whole run (our choice).
_LOW, _HIGH = 0.8, 1.25
# Of one or two ways alone, of which one may have slipped, only what no slip explains.
_FEW_LOW, _FEW_HIGH = 0.5, 2.0
# Ways from reference pose to reference pose: at least so many.
_LEAST_WAYS: Final = 3
# A turn that is told from its mirror image, and how near it comes to that where its sign is wrong. [rad]
_CLEAR_TURN_RAD, _MIRRORED_RAD = 0.5, 0.2
# Turns, or directions, that are further off in half of the ways are not errors of a gyro. [rad]
_FAR_OFF_RAD: Final = 0.5
# A way that turns onto its places no better is another one: its mirror image, or of another heading.
_ALIKE: Final = 0.8
# How near a ratio has to be to that of two units to be called by their names.
_LIKE_UNITS: Final = 0.04
_UNITS: Final = (
    (10.0, "centimetres against millimetres"),
    (100.0, "metres against centimetres"),
    (1000.0, "metres against millimetres"),
    (25.4, "inches against millimetres"),
    (2.54, "inches against centimetres"),
    (39.37, "metres against inches"),
    (12.0, "feet against inches"),
    (3.281, "metres against feet"),
    (30.48, "feet against centimetres"),
    (304.8, "feet against millimetres"),
)


def contradictions(runs: Sequence[LoggedRun], logs: Sequence[Log]) -> list[Finding]:
    """Return errors for runs in which odometry and reference poses contradict each other.

    Parameters
    ----------
    runs, logs
        Runs of one robot, each with its log. Those with too few ways to be judged alone are judged together.

    Returns
    -------
    list of Finding
        At most one for each run, at the title of the column that is most likely wrong.
    """
    found, few = [], []
    for run, log in zip(runs, logs, strict=True):
        ways = ways_of(run)
        fault = _turns(ways, log) or _distance(ways, log, others=logs) or _direction(ways, log)
        fault = half_wrong(log) if fault is None else with_mend(fault, log)
        if fault is not None:
            found.append(fault)
        elif int(ways.far.sum()) < _LEAST_WAYS:
            few.append((ways, log))
    fault = _fault_of_all(few) if few else None
    return [*found, fault] if fault is not None else found


def _fault_of_all(few: Sequence[tuple[Ways, Log]]) -> Finding | None:
    """Return the fault that runs of few ways have together, in the log of the run that is furthest off."""

    def furthest(off: Callable[[Ways], FloatArray]) -> Log:
        middles = [float(np.median(off(ways))) if len(off(ways)) else -1.0 for ways, _ in few]
        return few[int(np.argmax(middles))][1]

    ways = together([ways for ways, _ in few])
    return (
        _turns(ways, furthest(lambda w: w.off_rad))
        or _distance(ways, furthest(lambda w: w.stretch[w.far]), few=True)
        or _direction(ways, furthest(lambda w: np.abs(w.aside_rad[w.far])))
    )


def _turns(ways: Ways, log: Log) -> Finding | None:
    clear = (np.abs(wrap_angles(ways.real_rad)) > _CLEAR_TURN_RAD) & (
        np.abs(wrap_angles(ways.real_rad)) < math.pi - _CLEAR_TURN_RAD
    )
    if int(clear.sum()) >= 2:
        mirrored = np.abs(wrap_angles(ways.driven_rad + ways.real_rad))[clear]
        if np.median(mirrored) < _MIRRORED_RAD and np.median(ways.off_rad[clear]) > _FAR_OFF_RAD:
            return _fault(
                log,
                "where the reference turns to the left, the heading turns to the right",
                "both count counter-clockwise: change the sign of the one that does not",
                "heading",
            )
    if len(ways.off_rad) >= _LEAST_WAYS and np.median(ways.off_rad) > _FAR_OFF_RAD:
        return _fault(
            log,
            f"the heading turns otherwise than the reference on {_count_off(ways)} between reference poses: "
            f"{_for_one(ways)}",
            "check the units of 'heading' and 'reference heading', and that no one set the gyro back",
            "heading",
        )
    return None


def _count_off(ways: Ways) -> str:
    count = int((ways.off_rad > TURNS_AGREE_RAD).sum())
    return f"{count} of {len(ways.off_rad)} ways"


def _for_one(ways: Ways) -> str:
    """Return the turn that contradicts most clearly: far from a whole one, by both."""
    clear = ways.off_rad * (np.abs(ways.real_rad) < 1.5 * math.pi)
    at = int(np.argmax(clear))
    turned, real = (math.degrees(float(turns[at])) for turns in (ways.driven_rad, ways.real_rad))
    return f"by {turned:.3g} deg where that turns by {real:.3g} deg, for one"


def _distance(ways: Ways, log: Log, few: bool = False, others: Sequence[Log] = ()) -> Finding | None:
    """Compare straight lines from pose to pose: they do not depend on where the heading starts."""
    use = ways.far
    count = int(use.sum())
    if count < (1 if few else _LEAST_WAYS):
        return None
    ratio = float(np.median(ways.driven_m[use] / np.maximum(ways.came_m[use], 1e-6)))
    low, high = (_LOW, _HIGH) if count >= _LEAST_WAYS else (_FEW_LOW, _FEW_HIGH)
    if low <= ratio <= high:
        return None
    words = (
        f"between reference poses the odometry drives {ratio:.3g} times as far as the robot really came; "
        f"expected {_LOW} to {_HIGH}"
    )
    advice = lost_with_rows(ratio, log, others) or _why_ratio(ratio)
    return _fault(log, words, advice, "forward", "sideways")


def _why_ratio(ratio: float) -> str:
    columns = "'forward', 'sideways', 'reference x' and 'reference y'"
    if names := units_of(ratio):
        return f"that is {names}: check the units of {columns}"
    # Rows that are not there make the odometry come short as well, and a factor would hide them.
    lost = (
        "see first whether the log has a row for every tick, since what lost rows drove is lost with "
        "them, and multiply nothing if it has not; "
    )
    return (
        f"check the units of {columns}; {lost if ratio < 1.0 else ''}if they are right, the robot's code "
        f"has a wrong wheel size, gear or count per turn: multiply its distances by {1.0 / ratio:.3g} "
        "there and drive again, or multiply this column in the logs that you have"
    )


def units_of(ratio: float) -> str:
    """Return the units that a ratio of lengths is that of, in words; empty if it is that of none."""
    near = (names for factor, names in _UNITS if _of_ratio(ratio, factor))
    return next(near, "")


def _of_ratio(ratio: float, factor: float) -> bool:
    return abs(math.log(max(ratio, 1.0 / ratio) / factor)) < _LIKE_UNITS


def _direction(ways: Ways, log: Log) -> Finding | None:
    if ways.alike is not None:
        if ways.alike > _ALIKE or int(ways.long.sum()) < _LEAST_WAYS:
            return None
        return _fault(
            log,
            "from place to place the robot turned otherwise than its heading says",
            "check that 'heading' counts counter-clockwise, and the axes of 'reference x' and 'reference y'",
            "heading",
        )
    use = ways.far & (np.minimum(ways.driven_m, ways.came_m) > WAY_M)
    if int(use.sum()) < _LEAST_WAYS:
        return None
    off = math.degrees(float(np.median(np.abs(ways.aside_rad[use]))))
    if off <= math.degrees(_FAR_OFF_RAD):
        return None
    return _fault(
        log,
        f"the robot went {off:.0f} deg aside of where its reference heading points, as a rule",
        "check the axes of 'reference x' and 'reference y', and that 'reference heading' counts "
        "counter-clockwise from the field's x axis",
        "reference heading",
        "reference x",
    )


def _fault(log: Log, message: str, advice: str, *titles: str) -> Finding:
    at = log.place(*titles)
    return Finding(at.path, at.line, at.column, "DG618", message, "error", advice, at.excerpt)
