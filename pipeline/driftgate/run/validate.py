"""Read files and say what is wrong with them: documents and logs, before any other stage."""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from driftgate.core.findings import Finding
from driftgate.load.project import visible_files
from driftgate.run.inputs import load_inputs, nothing_words
from driftgate.run.log_files import LOG_SUFFIX, once, runs_of, says_it_is
from driftgate.run.status import Exit, InputError, counted, findings_status

if TYPE_CHECKING:
    from driftgate.logs import Log
    from driftgate.schema.fieldmap import FieldMap

_OTHER: Final = "sound file that is no routine"
_LACKING: Final = "log that calibrate can do nothing with"
_PLURALS: Final = {
    _LACKING: "logs that calibrate can do nothing with",
    "sound list of beacons": "sound lists of beacons",
    _OTHER: "sound files that are no routines",
}


@dataclass(frozen=True)
class Validation:
    """Findings, exit status and why."""

    findings: tuple[Finding, ...]
    status: Exit
    why: str


def validate_files(paths: Sequence[Path]) -> Validation:
    """Read routines, robots, field maps and logs, and return every finding.

    Parameters
    ----------
    paths : sequence of Path
        Files and folders; none: the folder `routines`. Logs and lists of beacons (`*.csv`) are read as
        `driftgate.run.log_files` says: files, files of one run joined by '+', patterns, and those in a folder
        that is named or below it. Where there are documents too, only those count whose first line says what
        they are.

    Raises
    ------
    InputError
        If a folder holds neither.
    """
    documents, logs = _sorted_out(paths)
    findings: list[Finding] = []
    sound: dict[str, int] = {}
    if documents or not paths:
        inputs = load_inputs(documents)
        findings += inputs.findings
        sound["sound routine"] = len(inputs.routines)
        if inputs.others and not inputs.routines:
            sound[_OTHER] = inputs.others
    if logs:
        _read_logs(logs, findings, sound)
    found = tuple(findings)
    status, why = findings_status(found)
    if status is Exit.PASS and not paths and not sound["sound routine"]:
        return Validation(found, Exit.NOTHING, nothing_words(paths))
    if status is Exit.PASS:
        counts = [counted(number, what, _PLURALS.get(what, "")) for what, number in sound.items() if number]
        why = f"{', '.join(counts) or 'no document of driftgate'}, {why}"
    return Validation(found, status, why)


def _sorted_out(paths: Sequence[Path]) -> tuple[list[Path], list[tuple[Path, ...]]]:
    """Return the documents and folders of documents among paths, and the logs."""
    documents: list[Path] = []
    logs: list[tuple[Path, ...]] = []
    for path in paths:
        text = os.fspath(path)
        if path.is_dir():
            documented = next(visible_files(path), None) is not None
            inside = [file for file in visible_files(path, LOG_SUFFIX) if file.is_file()]
            if documented:
                # Beside documents lie tables of other kinds, below them logs of a team's own.
                inside = [file for file in inside if says_it_is(file) is not None]
            if not inside and not documented:
                raise InputError(
                    f"{text}: there is no document (*.yaml) and no log (*{LOG_SUFFIX}) in this folder"
                )
            logs += [(file,) for file in inside]
            if documented:
                documents.append(path)
        elif path.suffix.lower() == LOG_SUFFIX:
            logs += runs_of(text)
        else:
            documents.append(path)
    if not logs:
        return documents, []
    from driftgate.run.run_parts import joined_by_name

    return documents, joined_by_name(dict.fromkeys(logs))


def _read_logs(runs: Sequence[tuple[Path, ...]], findings: list[Finding], sound: dict[str, int]) -> None:
    """Read logs and lists of beacons, and ask of the logs of one robot what calibrate asks."""
    from driftgate.logs import Log
    from driftgate.run.log_origins import check_origins
    from driftgate.run.log_steps import check_steps
    from driftgate.run.named_files import check_named, named_file, places
    from driftgate.run.read_run import read_any_run
    from driftgate.run.run_parts import say_parts

    of_robot: dict[Path | None, list[tuple[Log, Path | None]]] = {}
    found: list[Finding] = []
    lacking = beacons = 0
    with_roots: list[tuple[Log, list[Path]]] = []
    say_parts(runs, found)
    for files in {tuple(map(os.path.realpath, files)): files for files in runs}.values():
        read = read_any_run(files, found)
        if isinstance(read, Log):
            own = places(files)
            with_roots.append((read, own))
            field = named_file(read.field, own)
            of_robot.setdefault(named_file(read.robot, own), []).append((read, field))
        elif read is not None:
            beacons += 1
    maps, elsewhere = check_origins(with_roots, found)
    for robot, logs in of_robot.items():
        lacks = _check_together(robot, logs, found, maps, elsewhere)
        lacking += lacks
        if lacks < len(logs):
            sound["sound log"] = sound.get("sound log", 0) + len(logs) - lacks
    check_named(with_roots, found)
    check_steps(with_roots, found)
    sound |= {_LACKING: lacking, "sound list of beacons": beacons}
    findings += once(found)


def _check_together(
    path: Path | None,
    named: Sequence[tuple[Log, Path | None]],
    found: list[Finding],
    maps: Mapping[str, FieldMap],
    elsewhere: Collection[str],
) -> int:
    """Add what calibrate would say of logs of one robot; return how many of them it can do nothing with.

    What a log lacks is a warning here: it may be a file of several of one run, or there to be looked at.
    """
    from driftgate.run.log_columns import check_of_robot

    checked = check_of_robot(path, named, found, maps, elsewhere)
    missing = [f for f in checked if f.code == "DG617"]
    found += [f for f in checked if f.code != "DG617"]
    found += [replace(f, level="warning", message=f"calibrate refuses this: {f.message}") for f in missing]
    alone = {f.path for f in missing}
    _say_copies([log for log, _ in named if log.path not in alone], found)
    return len(alone)


def _say_copies(logs: Sequence[Log], found: list[Finding]) -> None:
    from driftgate.run.same_runs import WHOSE_POSES, ReadRun, copies_among, shared_poses

    runs = [ReadRun(log, ()) for log in logs]
    copies: set[int] = set()
    for again, first in copies_among(runs):
        copies.add(again)
        if logs[first].path == logs[again].path:
            continue
        words = f"holds the same rows as {logs[first].path}: one run under two names counts once"
        at = logs[again].place("time")
        found.append(Finding(at.path, at.line, at.column, "DG619", words, "error", "leave one out"))
    for again, first, count in shared_poses(runs):
        if again in copies:
            continue
        words = f"has the same {count} reference poses at the same times as {logs[first].path}, another run"
        at = logs[again].place("reference x")
        found.append(Finding(at.path, at.line, at.column, "DG619", words, "error", WHOSE_POSES))
