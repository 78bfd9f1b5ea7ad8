"""`driftgate calibrate --tape`: a sheet to its report."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from driftgate.calibrate.tape import TapeResult, tape_result
from driftgate.core.findings import Finding
from driftgate.load.single import load_single
from driftgate.run.status import Exit, counted, findings_status
from driftgate.schema.robot import Robot
from driftgate.schema.tape import TapeSheet


@dataclass(frozen=True)
class TapeRun:
    """What came of a sheet.

    Attributes
    ----------
    findings : tuple of Finding
        What is wrong with the file.
    sheet, result
        The sheet and what it shows; None with findings.
    status, why
        Exit status and why.
    """

    findings: tuple[Finding, ...]
    sheet: TapeSheet | None
    result: TapeResult | None
    status: Exit
    why: str


def calibrate_tape(path: Path, confidence: float, corrected: bool) -> TapeRun:
    """Read a tape sheet and work it out; arguments as in `calibrate.tape.tape_result`."""
    loaded = load_single(path, "tape sheet")
    status, why = findings_status(loaded.findings)
    if loaded.document is None or not isinstance(loaded.document.model, TapeSheet):
        return TapeRun(loaded.findings, None, None, Exit.BAD_INPUT, why)
    sheet = loaded.document.model
    result = tape_result(sheet, confidence, corrected)
    drives = len(sheet.straights or ())
    if sheet.square is not None:
        drives += len(sheet.square.right) + len(sheet.square.left)
    return TapeRun(loaded.findings, sheet, result, status, f"worked out from {counted(drives, 'drive')}")


def load_robot(path: Path) -> tuple[Robot | None, tuple[Finding, ...]]:
    """Read a robot named on the command line."""
    loaded = load_single(path, "robot")
    model = loaded.document.model if loaded.document is not None else None
    return (model if isinstance(model, Robot) else None), loaded.findings
