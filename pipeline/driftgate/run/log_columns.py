"""What logs of one robot say of it that cannot be: asked by every command that reads them, in one way."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from driftgate.calibrate.chain import LoggedRun
from driftgate.calibrate.doubted import Doubted
from driftgate.calibrate.field_checks import check_field
from driftgate.calibrate.log_checks import check_logs, reckoned
from driftgate.calibrate.range_checks import check_ranges
from driftgate.calibrate.range_data import sighted
from driftgate.calibrate.silences import check_silences
from driftgate.core.findings import Finding
from driftgate.load.single import load_single
from driftgate.logs.values import Log, RangeColumn
from driftgate.run.log_files import said_once
from driftgate.run.log_origins import check_origins
from driftgate.run.log_robots import check_sensors
from driftgate.run.named_files import named_file, places
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.robot import Robot
from driftgate.world.build import build_world

_Model = TypeVar("_Model", Robot, FieldMap)


def check_columns(
    logs: Sequence[Log],
    fields: Sequence[FieldMap | None],
    robot: Robot | None,
    maps: Mapping[str, FieldMap] | None = None,
    elsewhere: Collection[str] = (),
    doubted: Doubted | None = None,
) -> list[Finding]:
    """Return what logs of one robot lack (DG617), and what in them contradicts itself, robot or map.

    Parameters
    ----------
    logs : sequence of Log
        Runs of one robot.
    fields : sequence of FieldMap or None
        The field of each as it really was; of a log without one no range is held against walls.
    robot : Robot, optional
        Their robot; without one its sensors are not asked for.
    maps : mapping of str to FieldMap, optional
        Maps of the logs' routines, by file: whether a log was driven on the field that it names is asked
        where they are given, with those that the other logs name.
    elsewhere : collection of str
        Paths of logs whose poses are in other axes, of which that is not asked.
    doubted : Doubted, optional
        To which is added what a warning speaks of, and what is better left out of a fit.

    Returns
    -------
    list of Finding
        Errors, as `check_logs` and `check_ranges` of `driftgate.calibrate` give them, and the warnings of
        `check_field`.
    """
    own = Doubted() if doubted is None else doubted
    runs = reckoned(logs)
    found = check_logs(logs, robot, runs, own)
    if robot is None:
        return _once(found)
    # Where odometry and references contradict each other, no one knows what a sensor should have read.
    faulty = {fault.path for fault in found if fault.level == "error" or fault.code == "DG626"}
    known = list({id(field): field for field in fields if field is not None}.values())
    for field in known:
        each = zip(logs, runs, fields, strict=True)
        on_it = [
            _undoubted(log, run, own) for log, run, its in each if its is field and not log.files & faulty
        ]
        seen = sighted(on_it, robot.sensors, build_world(field))
        odd: list[Finding] = []
        if maps is not None:
            named = {log.field: its for log, its in zip(logs, fields, strict=True) if log.field and its}
            others = {name: other for name, other in {**maps, **named}.items() if other != field}
            odd = check_field(seen.but(elsewhere), robot, field, others)
        of_odd = {log.path for log in logs if log.files & {fault.path for fault in odd}}
        own.fields |= of_odd
        # What sensors read on another field says nothing of where they sit.
        sound = seen.but(of_odd)
        wrong = check_ranges(sound, robot, field)
        found += [*wrong, *odd]
        if not wrong:
            found += check_silences(sound, robot, own)
    return _once(found)


def _once(found: Sequence[Finding]) -> list[Finding]:
    """Return findings with contradictions that have one cure said once, and in how many logs more."""
    same: dict[tuple[str, str], list[Finding]] = {}
    for i, fault in enumerate(found):
        own = fault.suggestion if fault.code == "DG618" else str(i)
        same.setdefault((fault.code, own), []).append(fault)
    return [said_once(each) for each in same.values()]


def _undoubted(log: Log, run: LoggedRun | None, doubted: Doubted) -> tuple[Log, LoggedRun | None]:
    """Return a log without the poses that are doubted, and what is reckoned from it."""
    if log.path not in doubted.poses:
        return log, run
    sound = doubted.without(log)
    return sound, reckoned([sound])[0]


def model_in(path: Path | None, kind: type[_Model], findings: list[Finding]) -> _Model | None:
    """Return the robot or field map in a file, and add the errors in it; None if it is none, or not sound."""
    if path is None:
        return None
    single = load_single(path, "robot" if kind is Robot else "field map")
    findings += [fault for fault in single.findings if fault.level == "error" and fault not in findings]
    model = None if single.document is None else single.document.model
    return model if isinstance(model, kind) else None


def fields_of(fields: Iterable[Path | None], findings: list[Finding]) -> list[FieldMap | None]:
    """Return the field maps in files, each file read once; add the errors in them."""
    named = list(fields)
    read = {path: model_in(path, FieldMap, findings) for path in dict.fromkeys(named)}
    return [read[path] for path in named]


def check_of_robot(
    path: Path | None,
    named: Sequence[tuple[Log, Path | None]],
    findings: list[Finding],
    maps: Mapping[str, FieldMap],
    elsewhere: Collection[str],
    robot: Robot | None = None,
    beacons: Collection[str] = (),
    doubted: Doubted | None = None,
) -> list[Finding]:
    """Return what `check_columns` finds in logs of one robot; add what is wrong with files they name.

    Parameters
    ----------
    path : Path, optional
        The robot's file, if there is one.
    named : sequence
        The logs, each with the file of its field.
    findings : list of Finding
        To which errors in the robot and the fields are added, and ranges that belong to no sensor.
    maps, elsewhere
        As in `check_columns`.
    robot : Robot, optional
        The robot, if it has been read and was not named by the logs.
    beacons : collection of str
        Names of beacons, whose ranges are no sensor's.
    doubted : Doubted, optional
        As in `check_columns`.
    """
    logs = [log for log, _ in named]
    model = model_in(path, Robot, findings) if robot is None else robot
    if path is not None and model is not None:
        others = [replace(log, ranges=_without(log, beacons)) for log in logs]
        called = path if robot is not None else Path(logs[0].robot or path)
        check_sensors(others, called, model, findings)
    fields = (field if model is not None else None for _, field in named)
    return check_columns(logs, fields_of(fields, findings), model, maps, elsewhere, doubted)


def check_judged(
    runs: Sequence[tuple[Log, Sequence[Path]]],
    robot: tuple[Path, Robot] | None,
    beacons: Collection[str],
    findings: list[Finding],
) -> Doubted:
    """Add what makes logs worthless to judge anything by, and which of their ranges belong to no sensor.

    Parameters
    ----------
    runs : sequence
        Logs, each with its files.
    robot : tuple, optional
        The robot that all are of, as file and as read; by default the one that each names.
    beacons : collection of str
        Names of beacons, whose ranges are no sensor's.
    findings : list of Finding
        To which they are added. What a log lacks is none: the command says itself what it cannot do without.

    Returns
    -------
    Doubted
        What is better left out of a fit.
    """
    doubted = Doubted()
    maps, elsewhere = check_origins([(log, places(files)) for log, files in runs], findings)
    of_robot: dict[Path | None, list[tuple[Log, Path | None]]] = {}
    for log, files in runs:
        own = places(files)
        named = named_file(log.robot, own) if robot is None else robot[0]
        of_robot.setdefault(named, []).append((log, named_file(log.field, own)))
    known = None if robot is None else robot[1]
    for path, named_fields in of_robot.items():
        checked = check_of_robot(path, named_fields, findings, maps, elsewhere, known, beacons, doubted)
        findings += [fault for fault in checked if fault.code != "DG617"]
    return doubted


def _without(log: Log, beacons: Collection[str]) -> dict[str, RangeColumn]:
    return {name: column for name, column in log.ranges.items() if name not in beacons}
