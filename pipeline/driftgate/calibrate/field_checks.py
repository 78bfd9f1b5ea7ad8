"""Whether a log was driven on the field that it names: poses can lie there, readings fit no other better."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from driftgate.calibrate.chain import LoggedRun
from driftgate.calibrate.range_data import range_data
from driftgate.core.findings import Finding
from driftgate.logs.values import Log
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.robot import Robot
from driftgate.world.build import build_world
from driftgate.world.values import World

# A reading fits if it is so near to what the map says: what bias, scale and mount angle come to. [m, 1]
_CLOSE_M, _CLOSE = 0.05, 0.05
# So many readings, and so much larger a share of them that fits the other map. Of 72 simulated logs of six
# shipped routines (two seeds, by tape and by camera, each on a field of its own) that name their own map,
# none fitted another one more than 13 % better, and none of more than 40 readings more than 3 %.
_LEAST: Final = 30
_BETTER: Final = 0.2
# So far outside the walls, or inside a structure, no robot's middle is by a slip of the tape. [m]
_INSIDE_M: Final = 0.05


def other_field(
    log: Log, run: LoggedRun, robot: Robot, named: World, others: Mapping[str, World]
) -> tuple[str, float, float] | None:
    """Return the map that a log's readings fit far better than the one it names, and both shares that fit.

    Parameters
    ----------
    log, run : Log, LoggedRun
        The log, and what `reckoned` made of it.
    robot : Robot
        Its robot.
    named : World
        The map that it names.
    others : mapping of str to World
        Maps that it might have been driven on instead, by file.
    """
    if not run.headings:
        return None
    own = _fitting(log, run, robot, named)
    best: tuple[str, float, float] | None = None
    for name, world in others.items():
        other = _fitting(log, run, robot, world)
        if min(len(own), len(other)) < _LEAST:
            continue
        shares = float(own.mean()), float(other.mean())
        if shares[1] - shares[0] > _BETTER and (best is None or shares[1] > best[2]):
            best = name, *shares
    return best


def _fitting(log: Log, run: LoggedRun, robot: Robot, world: World) -> np.ndarray:
    """Return which of the readings near reference poses are as long as this map has it."""
    fits = []
    for sensor in robot.sensors:
        if sensor.id in log.ranges:
            data = range_data(sensor, [run], [log], {}, world)
            got = np.isfinite(data.reading_m)
            off = np.abs(data.reading_m[got] - data.expected_m[got])
            fits.append(off < _CLOSE_M + _CLOSE * data.expected_m[got])
    return np.concatenate(fits) if fits else np.zeros(0, dtype=bool)


def check_field(
    runs: Sequence[tuple[Log, LoggedRun | None]],
    robot: Robot,
    field: FieldMap,
    others: Mapping[str, FieldMap],
) -> list[Finding]:
    """Return a warning for each log that was hardly driven on the field which it names.

    Poses of its middle lie where no robot can be, or its readings fit another map far better.

    Parameters
    ----------
    runs : sequence of Log with LoggedRun
        Logs of one robot that name one field, and what `reckoned` made of them.
    robot : Robot
        Their robot.
    field : FieldMap
        The field that they name.
    others : mapping of str to FieldMap
        Other maps that are at hand, by file: those of the routines, and of the other logs.

    Returns
    -------
    list of Finding
        DG623, where each log names its field.
    """
    named, worlds = build_world(field), {name: build_world(each) for name, each in others.items()}
    found = []
    for log, run in runs:
        at = log.named_at.get("field")
        if at is None:
            continue
        words = _poses_outside(log, robot, field)
        advice = "name the map of the field as it really was; or are the poses in other axes than that map's?"
        if not words and run is not None:
            better = other_field(log, run, robot, named, worlds)
            if better is None:
                continue
            name, own, other = better
            words = (
                f"{100.0 * own:.0f} % of the readings near measured poses are as long as {log.field} has it, "
                f"{100.0 * other:.0f} % as {name} has it"
            )
            advice = f"was it driven on {name}? name the map of the field as it really was"
        if words:
            found.append(Finding(at.path, at.line, at.column, "DG623", words, "warning", advice, at.excerpt))
    return found


def _poses_outside(log: Log, robot: Robot, field: FieldMap) -> str:
    """Return which measured poses lie where there is no room for a robot, in words; empty without any."""
    import shapely

    from driftgate.load.outlines import placed

    places = log.reference[np.isfinite(log.reference[:, :2]).all(axis=1), :2]
    if not len(places):
        return ""
    points = shapely.points(places)
    walls = shapely.Polygon([wall.corner for wall in field.walls]).buffer(_INSIDE_M)
    where = [(~shapely.covers(walls, points), "outside the walls")]
    for structure in field.structures:
        # Beneath one that is higher than the robot there is room.
        if structure.height.low < robot.height:
            core = placed(structure.shape, structure.at).buffer(-_INSIDE_M)
            where.append((shapely.covers(core, points), f"inside the structure '{structure.id}'"))
    for which, words in where:
        if which.any():
            x, y = places[int(np.argmax(which))]
            count = f"{int(which.sum())} of {len(places)} measured poses lie"
            return f"{count} {words} of {log.field}, the first at ({x:.2f} m, {y:.2f} m)"
    return ""
