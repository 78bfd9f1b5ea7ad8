"""Read files and say what is wrong with them: the load stage alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from driftgate.core.findings import Finding
from driftgate.run.inputs import load_inputs, nothing_words
from driftgate.run.status import Exit, counted, findings_status


@dataclass(frozen=True)
class Validation:
    """Findings, exit status and why."""

    findings: tuple[Finding, ...]
    status: Exit
    why: str


def validate_files(paths: Sequence[Path]) -> Validation:
    """Read routines, robots and field maps, and return every finding.

    Parameters
    ----------
    paths : sequence of Path
        Files and folders; none: the folder `routines`.
    """
    inputs = load_inputs(paths)
    status, why = findings_status(inputs.findings)
    if status is Exit.PASS and not inputs.routines and not paths:
        return Validation(inputs.findings, Exit.NOTHING, nothing_words(paths))
    if status is Exit.PASS:
        why = f"{counted(len(inputs.routines), 'sound routine')}, {why}"
    return Validation(inputs.findings, status, why)
