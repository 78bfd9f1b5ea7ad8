"""Read files and say what is wrong with them: documents and logs, before any other stage."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from driftgate.core.findings import Finding
from driftgate.load.project import find_root
from driftgate.run.inputs import load_inputs, nothing_words
from driftgate.run.log_files import LOG_SUFFIX, csv_files, folder_of, runs_of, says_it_is
from driftgate.run.status import Exit, counted, findings_status

_OTHER: Final = "sound file that is no routine"
_PLURALS: Final = {
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
        that is named. Beside documents only those count there whose first line says what they are.
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
            inside = csv_files(path)
            said = [file for file in inside if says_it_is(file) is not None]
            alone = bool(inside) and not _holds_documents(path)
            logs += [(file,) for file in (inside if alone else said)]
            if not alone:
                documents.append(path)
        elif path.suffix.lower() == LOG_SUFFIX:
            logs += runs_of(text)
        else:
            documents.append(path)
    return documents, list(dict.fromkeys(logs))


def _holds_documents(folder: Path) -> bool:
    return any(name.endswith((".yaml", ".yml")) for _, _, names in os.walk(folder) for name in names)


def _read_logs(runs: Sequence[tuple[Path, ...]], findings: list[Finding], sound: dict[str, int]) -> None:
    from driftgate.logs import Log, read_any, read_log

    for files in runs:
        read: object
        if len(files) == 1:
            read = read_any(files[0], findings, find_root(files[0]))
        else:
            read = read_log(files, findings, folder_of(files))
        if read is not None:
            what = "sound log" if isinstance(read, Log) else "sound list of beacons"
            sound[what] = sound.get(what, 0) + 1
