"""Whether a log was driven on the field that it names: poses can lie there, readings fit no other better."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from driftgate.calibrate.chain import LoggedRun
from driftgate.calibrate.range_checks import exchanged_columns
from driftgate.calibrate.range_data import RangeData, Sighted, range_data
from driftgate.calibrate.windows import BoolArray
from driftgate.core.findings import Finding
from driftgate.logs.values import Log
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.robot import Robot
from driftgate.world.build import build_world
from driftgate.world.values import World

# So many readings, and so much larger a share of them that fits the other map. Of 72 simulated logs of six
# shipped routines (two seeds, by tape and by camera, each on a field of its own) that name their own map,
# none fitted another one more than 13 % better, and none of more than 40 readings more than 3 %.
_LEAST: Final = 30
_BETTER: Final = 0.2
# Most of a drive may be in sight of walls that both maps have. Readings of which the maps say so different
# lengths that none can fit both tell by themselves: at least so many, of which so much larger a share has to
# fit the other map. (Our choice.)
_LEAST_TELLING: Final = 20
_TELLING_BETTER: Final = 0.6
# So far outside the walls, or inside a structure, no robot's middle is by a slip of the tape. [m]
_INSIDE_M: Final = 0.05


def other_field(
    log: Log, run: LoggedRun, robot: Robot, own: Mapping[str, RangeData], others: Mapping[str, World]
) -> tuple[str, float, float, str] | None:
    """Return the map that a log's readings fit far better than the one it names, with both shares that fit.

    Parameters
    ----------
    log, run : Log, LoggedRun
        The log, and what `reckoned` made of it.
    robot : Robot
        Its robot.
    own : mapping of str to RangeData
        Its readings on the map that it names, by sensor.
    others : mapping of str to World
        Maps that it might have been driven on instead, by file.

    Returns
    -------
    tuple, optional
        Which map, the shares of readings that fit the named one and this one, and of which readings.
    """
    if not run.headings:
        return None
    best: tuple[str, float, float, str] | None = None
    sensors = [sensor for sensor in robot.sensors if sensor.id in own]
    named = [own[sensor.id] for sensor in sensors]
    for name, world in others.items():
        other = [range_data(sensor, [run], [log], {}, world) for sensor in sensors]
        shares = _shares(named, other)
        if shares is not None and (best is None or shares[1] > best[2]):
            best = name, *shares
    return best


def _shares(own: Sequence[RangeData], other: Sequence[RangeData]) -> tuple[float, float, str] | None:
    """Return the shares of readings that fit two maps, and of which, if far more fit the other one."""
    whole = [np.concatenate([_fits(data) for data in each] or [_NONE]) for each in (own, other)]
    if min(map(len, whole)) >= _LEAST:
        shares = float(whole[0].mean()), float(whole[1].mean())
        if shares[1] - shares[0] > _BETTER:
            return *shares, "the readings near measured poses"
    telling = [_telling(one, two) for one, two in zip(own, other, strict=True)]
    first, second = (np.concatenate([each[i] for each in telling] or [_NONE]) for i in (0, 1))
    if len(first) < _LEAST_TELLING or second.mean() - first.mean() <= _TELLING_BETTER:
        return None
    words = f"the {len(first)} readings near measured poses that can fit only one of two maps"
    return float(first.mean()), float(second.mean()), words


_NONE: Final = np.zeros(0, dtype=bool)


def _fits(data: RangeData) -> BoolArray:
    """Return which readings of walls are as long as the map has it."""
    return data.fits[np.isfinite(data.reading_m)]


def _telling(own: RangeData, other: RangeData) -> tuple[BoolArray, BoolArray]:
    """Return which readings fit the one map, and which the other, of those that cannot fit both."""
    _, i, j = np.intersect1d(own.row, other.row, assume_unique=True, return_indices=True)
    room = own.close_m[i] + other.close_m[j]
    use = np.isfinite(own.reading_m[i]) & (np.abs(own.expected_m[i] - other.expected_m[j]) > room)
    return own.fits[i][use], other.fits[j][use]


def check_field(
    seen: Sighted,
    robot: Robot,
    field: FieldMap,
    others: Mapping[str, FieldMap],
) -> list[Finding]:
    """Return a warning for each log that was hardly driven on the field which it names.

    Poses of its middle lie where no robot can be, or its readings fit another map far better.

    Parameters
    ----------
    seen : Sighted
        Logs of one robot that name one field.
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
    worlds = {name: build_world(each) for name, each in others.items()}
    found = []
    for (log, run), readings in zip(seen.runs, seen.readings, strict=True):
        at = log.named_at.get("field")
        if at is None:
            continue
        words = _poses_outside(log, robot, field)
        advice = "name the map of the field as it really was; or are the poses in other axes than that map's?"
        if not words and run is not None:
            better = other_field(log, run, robot, readings, worlds)
            if better is None:
                continue
            if exchanged_columns(log, run, readings, robot, seen.world):
                # Readings of another sensor may fit any map.
                continue
            name, own, other, of = better
            words = (
                f"{100.0 * own:.0f} % of {of} are as long as {log.field} has it, "
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
