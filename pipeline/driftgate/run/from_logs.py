"""`driftgate calibrate LOG...`: logs, a robot and a field map to what the runs show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from driftgate.calibrate.doubted import Doubted
from driftgate.calibrate.driven_steps import Wanted, wanted_of
from driftgate.calibrate.from_logs import LogsFit, fit_logs
from driftgate.core.errors import ModelError
from driftgate.core.findings import Finding
from driftgate.load.project import find_root, load_project
from driftgate.load.single import load_single
from driftgate.logs.values import Log
from driftgate.report.robot_section import Origin
from driftgate.run.edited import edited_text
from driftgate.run.log_columns import check_columns, fields_of
from driftgate.run.log_files import (
    all_runs,
    once,
    refuse_twice,
)
from driftgate.run.log_origins import check_origins
from driftgate.run.log_robots import check_robots, check_sensors, refuse_several_robots
from driftgate.run.log_steps import check_steps
from driftgate.run.named_files import check_named, named_file, places
from driftgate.run.read_run import read_run
from driftgate.run.run_parts import joined_by_name, say_parts
from driftgate.run.same_runs import ReadRun, refuse_copies
from driftgate.run.status import Exit, InputError, counted, findings_status
from driftgate.schema.case import Case
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.robot import Robot


@dataclass(frozen=True)
class LogsRun:
    """What came of some logs.

    Attributes
    ----------
    findings : tuple of Finding
        What is wrong with the files, or worth knowing.
    logs : tuple of Log
        The runs; none with errors.
    fit : LogsFit or None
        What they show; None with errors.
    origin : Origin
        Days and files.
    edited : str
        The robot file with what was found; empty unless asked for.
    status, why
        Exit status and why.
    """

    findings: tuple[Finding, ...]
    logs: tuple[Log, ...]
    fit: LogsFit | None
    origin: Origin
    edited: str
    status: Exit
    why: str


def calibrate_logs(
    paths: Sequence[str], robot: Path, field: Path | None, confidence: float, edit: bool
) -> LogsRun:
    """Read logs and fit the error sources of their robot.

    Parameters
    ----------
    paths : sequence of str
        Runs, as `driftgate.run.log_files.runs_of` takes them.
    robot : Path
        The robot file.
    field : Path, optional
        The map of the field as it really was; by default the one that the logs name.
    confidence : float
        Of the intervals.
    edit : bool
        Whether to work out the changed robot file.

    Raises
    ------
    InputError
        If the logs do not go together, or say too little.
    EditError
        If the robot file cannot be changed.
    """
    findings: list[Finding] = []
    runs = joined_by_name(all_runs(paths))
    refuse_twice(runs)
    say_parts(runs, findings)
    logs = [read_run(files, findings) for files in runs]
    single = load_single(robot, "robot")
    findings += single.findings
    read = [log for log in logs if log is not None]
    roots = [places(files, robot) for files in runs]
    whole = len(read) == len(logs)
    fields = _fields(field, list(zip(read, roots, strict=True)), findings) if whole else []
    status, why = findings_status(findings)
    document = single.document
    if status is not Exit.PASS or document is None or not isinstance(document.model, Robot):
        return LogsRun(tuple(findings), (), None, Origin(), "", Exit.BAD_INPUT, why)
    _together(read)
    check_robots(list(zip(read, runs, strict=True)), robot, document.model, findings)
    check_sensors(read, robot, document.model, findings)
    placed = list(zip(read, roots, strict=True))
    maps, elsewhere = check_origins(placed, findings)
    # (A map given on the command line is nothing that a log says.)
    said = maps if field is None else None
    doubted = Doubted()
    findings += check_columns(read, fields, document.model, said, elsewhere, doubted)
    findings[:] = once(findings)
    status, why = findings_status(findings)
    if status is not Exit.PASS:
        return LogsRun(tuple(findings), (), None, Origin(), "", Exit.BAD_INPUT, why)
    refuse_copies(ReadRun(log, files) for log, files in zip(read, runs, strict=True))
    check_named(placed, findings, ("routine",))
    read = check_steps(placed, findings)
    routines = {named_file(log.routine, own) for log, own in placed if log.routine}
    try:
        wanted = _planned(routines, document.model)
        own = [None if log.path in doubted.fields else its for log, its in zip(read, fields, strict=True)]
        kept = [doubted.without(log) for log in read]
        fit = fit_logs(kept, document.model, own, wanted, confidence, _no_field(read, fields, doubted))
    except ModelError as error:
        raise InputError(str(error)) from error
    days = sorted(log.day for log in read if log.day is not None)
    origin = Origin(
        days[0] if days else None,
        days[-1] if days else None,
        tuple(dict.fromkeys(log.path for log in read)),
        simulated=read[0].origin == "simulated",
    )
    edited = edited_text(document, fit.sources, origin, confidence, "the logs") if edit else ""
    why = f"{counted(len(fit.sources), 'error source')} found in {counted(len(read), 'run')}"
    if fit.missing:
        why += f"; {len(fit.missing)} more named under 'Not found'"
    return LogsRun(tuple(findings), tuple(read), fit, origin, edited, Exit.PASS, why)


def _together(logs: Sequence[Log]) -> None:
    if len({log.origin for log in logs}) > 1:
        raise InputError("measured and simulated logs are not mixed: simulated ones are invented data")
    refuse_several_robots(logs)


def _fields(
    path: Path | None, placed: Sequence[tuple[Log, Sequence[Path]]], findings: list[Finding]
) -> list[FieldMap | None]:
    """Return the field map named on the command line, or for each log its own: the one it names.

    Where all logs that name one name the same, it is that of the others, too.
    """
    if path is None:
        named = [(log, roots) for log, roots in placed if log.field is not None]
        if len({log.field for log, _ in named}) != 1:
            check_named(named, findings, ("field",), "error")
            return fields_of((named_file(log.field, roots) for log, roots in placed), findings)
        files = (named_file(log.field, roots) for log, roots in named)
        path = next((file for file in files if file is not None), None)
        if path is None:
            check_named(named, findings, ("field",), "error")
            return [None] * len(placed)
    single = load_single(path, "field map")
    findings += single.findings
    model = single.document.model if single.document is not None else None
    return [model if isinstance(model, FieldMap) else None] * len(placed)


def _no_field(logs: Sequence[Log], fields: Sequence[FieldMap | None], doubted: Doubted) -> str:
    """Return which logs have no field that they were driven on, in words; nothing without any."""
    odd = [log.path for log in logs if log.path in doubted.fields]
    none = [log.path for log, its in zip(logs, fields, strict=True) if its is None]
    words = []
    if odd:
        words.append(f"{_those(odd)}, hardly driven on the field named (DG623): name the right one")
    if none and len(none) < len(logs):
        words.append(f"{_those(none)}: name the map of the field as it really was")
    return "; and of ".join(words)


def _those(paths: Sequence[str]) -> str:
    return paths[0] if len(paths) == 1 else f"{len(paths)} logs ({paths[0]} and others)"


def _planned(routines: set[Path | None], robot: Robot) -> dict[str, Wanted]:
    """Return what the plan has for each step; nothing if the logs name no single routine."""
    path = routines.pop() if len(routines) == 1 else None
    if path is None:
        return {}
    project = load_project([path], find_root(path))
    if not project.routines:
        return {}
    from driftgate.plan import plan_case

    loaded = project.routines[0]
    field = loaded.field.field_map
    plan = plan_case(Case(loaded.document.routine, robot, field, field))
    return wanted_of(plan.steps)
