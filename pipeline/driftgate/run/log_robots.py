"""Whether logs are of the robot that is meant, and their range columns of its sensors."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from difflib import SequenceMatcher
from pathlib import Path
from typing import Final

from driftgate.core.findings import Finding, Level
from driftgate.load.single import load_single
from driftgate.load.text import real_path, shorten
from driftgate.load.wording import alike, listed
from driftgate.logs.values import Log
from driftgate.run.named_files import check_named, named_file, places
from driftgate.run.status import InputError, counted
from driftgate.schema.robot import Robot

# Names that are as like as this are one name misspelt ('fornt', 'front'), others may be two (our choice).
_MISSPELT: Final = 0.75


def check_robots(
    runs: Sequence[tuple[Log, Sequence[Path]]], robot: Path, model: Robot, findings: list[Finding]
) -> None:
    """Add a finding where logs name another robot than the one meant, one that is not there, or none.

    Parameters
    ----------
    runs : sequence
        Logs, each with its files.
    robot, model
        The robot meant, as file and as read.
    findings : list of Finding
        One is added for each other robot, at its first log, for each that is not there (DG121), and one for
        all logs that name none.
    """
    meant = real_path(robot)
    others: dict[Path | None, list[Log]] = {}
    missing: list[tuple[Log, Sequence[Path]]] = []
    for log, files in runs:
        own = places(files, robot)
        named = named_file(log.robot, own)
        if log.robot is not None and named is None:
            missing.append((log, own))
        elif named != meant:
            others.setdefault(named, []).append(log)
    check_named(missing, findings, ("robot",))
    for named_as, logs in others.items():
        if named_as is None or not _same_robot(named_as, model):
            findings.append(_of_another(logs, robot))


def _same_robot(named: Path, model: Robot) -> bool:
    """Return whether a file describes the same machine: all but error sources and correction."""
    document = load_single(named, "robot").document
    other = None if document is None else document.model
    return isinstance(other, Robot) and _machine(other) == _machine(model)


def _machine(robot: Robot) -> dict[str, object]:
    apart: dict[str, object] = dict.fromkeys(("title", "note", "errors", "correction"), True)
    apart["sensors"] = {"__all__": {"errors"}}
    return robot.model_dump(exclude=apart)  # type: ignore[arg-type]


def _of_another(logs: Sequence[Log], robot: Path) -> Finding:
    first, more = logs[0], len(logs) - 1
    too = f", and {counted(more, 'log')} more" if more else ""
    at = first.named_at.get("robot")
    if at is None:
        message = f"the log does not say which robot drove it{too}"
        advice = "add a line like '# robot: routines/robots/wren.yaml' below its first line"
        return Finding(first.path, 0, 0, "DG615", message, "note", advice)
    message = f"driven by {first.robot}{too}, and the robot meant here is {robot.as_posix()}"
    advice = "give --robot for the one that drove it; numbers of one robot say nothing of another"
    return Finding(at.path, at.line, at.column, "DG615", message, "warning", advice, at.excerpt)


def check_sensors(logs: Sequence[Log], robot: Path, model: Robot, findings: list[Finding]) -> None:
    """Add a finding for range columns that belong to no sensor of the robot.

    Parameters
    ----------
    logs : sequence of Log
        Runs of one robot.
    robot, model
        It, as file and as read.
    findings : list of Finding
        One is added for each name, at its first place: an error where it is like that of a sensor which has
        no column in that log, since its readings would be lost, else a warning.
    """
    sensors = [sensor.id for sensor in model.sensors]
    strangers: dict[str, list[Log]] = {}
    for log in logs:
        for name in log.ranges:
            if name not in sensors:
                strangers.setdefault(name, []).append(log)
    for name, own in strangers.items():
        first, more = own[0], len(own) - 1
        at = first.place(f"range {name}")
        meant = alike(name, [sensor for sensor in sensors if sensor not in first.ranges])
        if SequenceMatcher(None, name[:80].lower(), meant).ratio() < _MISSPELT:
            meant = ""
        too = f", nor in {counted(more, 'log')} more" if more else ""
        words = f"'range {shorten(name, 40)}' belongs to no sensor of {robot.name}{too}: it is not used"
        advice = f"did you mean '{meant}'?" if meant else _known_sensors(sensors)
        level: Level = "error" if meant else "warning"
        findings.append(Finding(at.path, at.line, at.column, "DG616", words, level, advice, at.excerpt))


def _known_sensors(sensors: Sequence[str]) -> str:
    return f"its sensors: {listed(sensors)}" if sensors else "it has no range sensors"


def refuse_several_robots(logs: Iterable[Log]) -> None:
    """Refuse logs of several robots where one model is fitted on all.

    Raises
    ------
    InputError
        If they name more than one.
    """
    robots = {log.robot for log in logs if log.robot is not None}
    if len(robots) > 1:
        raise InputError(f"the logs are of {len(robots)} robots: {', '.join(sorted(robots))}")
