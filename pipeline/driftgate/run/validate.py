"""Read files and say what is wrong with them: documents and logs, before any other stage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from driftgate.core.findings import Finding
from driftgate.load.project import find_root
from driftgate.run.inputs import load_inputs, nothing_words
from driftgate.run.status import Exit, counted, findings_status

LOG_SUFFIX: Final = ".csv"
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
        Files and folders; none: the folder `routines`. Logs and lists of beacons (`*.csv`) are read where
        they are named themselves, each by itself.
    """
    logs = [path for path in paths if path.suffix.lower() == LOG_SUFFIX and not path.is_dir()]
    documents = [path for path in paths if path not in logs]
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


def _read_logs(paths: Sequence[Path], findings: list[Finding], sound: dict[str, int]) -> None:
    from driftgate.logs import Log, read_any

    for path in dict.fromkeys(paths):
        read = read_any(path, findings, find_root(path))
        if read is not None:
            what = "sound log" if isinstance(read, Log) else "sound list of beacons"
            sound[what] = sound.get(what, 0) + 1
