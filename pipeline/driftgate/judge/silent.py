"""Sensors, or a whole correction, that no fix ever comes from, and the setting that is to blame.

A correction that does nothing looks like one that works: the plan is driven, the verdict is that of dead
reckoning, and no step is at fault. What became of the readings over all trials tells. Readings that nobody
asked for do not count: where the robot or the step switches the sensor off, or the robot squares up.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from driftgate.core.findings import DocPath
from driftgate.judge.share_beside import share_beside
from driftgate.judge.silent_value import Silent
from driftgate.predict.values import Outcome
from driftgate.schema.robot import Robot
from driftgate.schema.sensor import Sensor
from driftgate.sight.validity import reading_limits

# Fewer fixes than this share of the readings that are asked for are hardly any, and of one sensor among
# others they are none to speak of if there is less than one in so many trials, too (our choice).
HARDLY = 0.01
ONE_IN_TRIALS = 10
# Fewer than this share of those that come to the gate, and it refuses what it is there to let through.
HARDLY_AT_GATE = 0.05
# What comes last refuses what all before it let through: from this share on it is what to look at.
_LATE_AT_LEAST = 0.1
_TOLD_AT_LEAST = 0.05
_MOST_TOLD = 3

_UNASKED = (Outcome.SWITCHED_OFF, Outcome.IN_CONTACT)
_LATEST_FIRST = (Outcome.HELD_BACK, Outcome.GATE)
_WORDS = {
    Outcome.NO_SURFACE: "meet no wall or structure",
    Outcome.NOT_REFERENCE: "meet no reference surface",
    Outcome.OUT_OF_RANGE: "are out of range",
    Outcome.INCIDENCE: "meet the surface too obliquely",
    Outcome.CORRIDOR: "have no free corridor",
    Outcome.TOO_FAST: "come while the robot drives too fast",
    Outcome.TURNING: "come while the robot turns too fast",
    Outcome.NO_ECHO: "have no echo",
    Outcome.GATE: "are refused by the gate",
    Outcome.HELD_BACK: "are held back by persistence",
}


def silent_sensors(robot: Robot, counts: NDArray[np.int64], trials: int) -> tuple[Silent, ...]:
    """Return the sensors that no fix comes from, or the whole correction in one if none gives any.

    Parameters
    ----------
    robot : Robot
        The robot.
    counts : ndarray, shape (sensors, steps, outcomes)
        Its readings by what became of them, over all trials.
    trials : int
        How many. A sensor that is asked for less than one reading a trial is left out.
    """
    if not robot.correction.enabled:
        return ()
    asked = counts.sum(axis=1)
    asked[:, _UNASKED] = 0
    heard = [i for i in range(len(robot.sensors)) if asked[i].sum() >= max(trials, 1)]
    if not heard:
        return ()
    every = asked[heard].sum(axis=0)
    if not _hardly(every):
        silent = [i for i in heard if _hardly(asked[i], trials)]
        return tuple(_silent(robot, i, asked[i], robot.sensors[i].id) for i in silent)
    cause = _cause(every)
    # Of a setting that each sensor has for itself, that of the one with most such readings.
    most = max(heard, key=lambda i: int(asked[i, cause]))
    name = robot.sensors[most].id if len(heard) == 1 else ""
    found = _silent(robot, most, every, name)
    message = f"the correction does nothing: {found.message}"
    return (Silent("", message, found.suggestion, found.doc_path),)


def _hardly(asked: NDArray[np.int64], trials: int | None = None) -> bool:
    """Return whether hardly any reading becomes a fix, of all or of those that come to the gate."""
    accepted = asked[Outcome.ACCEPTED]
    at_gate = int(asked[[Outcome.ACCEPTED, *_LATEST_FIRST]].sum())
    many = at_gate >= _LATE_AT_LEAST * asked.sum()
    few = accepted < HARDLY * asked.sum() and (trials is None or ONE_IN_TRIALS * accepted < trials)
    return bool(few or (many and accepted < HARDLY_AT_GATE * at_gate))


def _silent(robot: Robot, index: int, asked: NDArray[np.int64], name: str) -> Silent:
    cause = _cause(asked)
    doc_path, setting = _setting(robot, index, cause)
    whose = f" of '{name}'" if name else ""
    total, accepted = int(asked.sum()), int(asked[Outcome.ACCEPTED])
    often = f"no reading{whose} becomes a fix"
    if accepted:
        often = f"only {share_beside(accepted / total, 0.0, HARDLY)} of the readings{whose} become a fix"
    told = sorted(
        (o for o in _WORDS if asked[o] >= _TOLD_AT_LEAST * total or o is cause), key=lambda o: -int(asked[o])
    )
    # The cause is always told.
    told = list(dict.fromkeys([*[o for o in told if o is not cause][: _MOST_TOLD - 1], cause]))
    told.sort(key=lambda o: -int(asked[o]))
    parts = ", ".join(f"{share_beside(asked[o] / total)} {_WORDS[o]}" for o in told)
    return Silent(name, f"{often}: {parts}", setting, doc_path)


def _cause(asked: NDArray[np.int64]) -> Outcome:
    """Return what is to blame: the last test, if it has much to refuse, otherwise the commonest reason."""
    for late in _LATEST_FIRST:
        if asked[late] >= _LATE_AT_LEAST * asked.sum():
            return late
    return max(_WORDS, key=lambda o: int(asked[o]))


def _setting(robot: Robot, index: int, cause: Outcome) -> tuple[DocPath, str]:
    """Return where in the robot's document the cause is set, and what it says."""
    sensor, correction = robot.sensors[index], robot.correction
    validity, own = correction.validity, ("sensors", index)
    limits = reading_limits(sensor, validity)
    tested: DocPath = ("correction", "validity")
    match cause:
        case Outcome.NO_SURFACE:
            return (*own, "mount"), "look at where the sensor sits and looks, 'mount'"
        case Outcome.NOT_REFERENCE:
            return (
                (*tested, "reference"),
                "'correction.validity.reference' takes fixes of reference surfaces alone: mark those on the "
                "map that are true to it with 'reference: true'",
            )
        case Outcome.OUT_OF_RANGE:
            reach = f"the sensor's 'reach' is {_mm(sensor.reach.low)} to {_mm(sensor.reach.high)}"
            if validity.range is None:
                return (*own, "reach"), reach
            allowed = f"{_mm(validity.range.low)} to {_mm(validity.range.high)}"
            return (*tested, "range"), f"'correction.validity.range' allows {allowed}, and {reach}"
        case Outcome.INCIDENCE:
            limit = f"{math.degrees(limits.incidence_rad):.3g} deg"
            if validity.incidence is not None and validity.incidence <= sensor.echo_limit:
                return (*tested, "incidence"), f"'correction.validity.incidence' allows {limit}"
            return (*own, "echo_limit"), f"the sensor's 'echo_limit' is {limit}"
        case Outcome.CORRIDOR:
            ends = f"the hit {_mm(validity.edge_margin)} from the ends of the surface ('edge_margin')"
            if validity.corridor is None:
                return (*tested, "edge_margin"), f"'correction.validity' wants {ends}"
            return (
                (*tested, "corridor"),
                f"'correction.validity.corridor' wants {_mm(validity.corridor)} free on either side of the "
                f"sight line, and {ends}",
            )
        case Outcome.TOO_FAST:
            return (*tested, "speed"), f"'correction.validity.speed' allows {limits.speed_m_s:.3g} m/s"
        case Outcome.TURNING:
            rate = math.degrees(limits.turn_rate_rad_s)
            return (*tested, "turn_rate"), f"'correction.validity.turn_rate' allows {rate:.3g} deg/s"
        case Outcome.GATE:
            sigmas = (
                ""
                if correction.gate is None
                else f"'correction.gate' allows {correction.gate.sigmas:.3g} sigmas: "
            )
            return (
                ("correction", "gate"),
                f"{sigmas}it is too tight, or the filter is surer of itself than it can be, or the readings "
                "are false or old",
            )
        case Outcome.HELD_BACK:
            readings = 1 if correction.persistence is None else correction.persistence.readings
            return (
                ("correction", "persistence"),
                f"'correction.persistence' wants {readings} in a row from one surface",
            )
        case _:
            return own, _no_echo(sensor)


def _no_echo(sensor: Sensor) -> str:
    reach = f"{_mm(sensor.reach.low)} to {_mm(sensor.reach.high)}"
    return (
        f"the true surface is beyond the sensor's reach ({reach}) or echo limit "
        f"({math.degrees(sensor.echo_limit):.3g} deg), or the beam passes over or under it, or all drop out"
    )


def _mm(length_m: float) -> str:
    return f"{1000.0 * length_m:.4g} mm"
