"""`driftgate calibrate --tape`: a sheet to its report."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from driftgate.calibrate.doubts import Doubt, with_doubts
from driftgate.calibrate.tape import TapeResult, missing_sideways, tape_result
from driftgate.calibrate.tape_after import after_doubts
from driftgate.calibrate.tape_doubts import fastest_lap, tape_doubts
from driftgate.core.findings import Finding
from driftgate.load.document import KEY, Document
from driftgate.load.single import load_single
from driftgate.report.robot_section import Origin
from driftgate.run.edited import edited_text
from driftgate.run.status import Exit, counted, findings_status
from driftgate.schema.robot import Robot
from driftgate.schema.tape import TapeSheet


@dataclass(frozen=True)
class TapeRun:
    """What came of a sheet.

    Attributes
    ----------
    findings : tuple of Finding
        What is wrong with the files, or doubtful of the sheet.
    sheet, result
        The sheet and what it shows; None if a file cannot be used.
    doubts : tuple of Doubt
        What speaks against the sheet.
    edited : str
        The robot file with what was found; empty unless asked for.
    status, why
        Exit status and why; with any but PASS nothing is for the robot file.
    """

    findings: tuple[Finding, ...]
    sheet: TapeSheet | None
    result: TapeResult | None
    doubts: tuple[Doubt, ...]
    edited: str
    status: Exit
    why: str


def calibrate_tape(
    path: Path,
    confidence: float,
    corrected: bool,
    robot: Path | None = None,
    after: Path | None = None,
    edit: bool = False,
) -> TapeRun:
    """Read a tape sheet and work it out.

    Parameters
    ----------
    path : Path
        The sheet.
    confidence, corrected
        As in `calibrate.tape.tape_result`.
    robot : Path, optional
        The robot's file.
    after : Path, optional
        The sheet of the first pass, whose corrections the robot has had since.
    edit : bool
        Whether to work out the robot file with what was found.

    Raises
    ------
    InputError, EditError
        If the robot file cannot be changed.
    """
    first = None if after is None else _sheet(after)
    second = _sheet(path)
    driver = None if robot is None else load_single(robot, "robot")
    findings = [*(first[1] if first else ()), *second[1], *(driver.findings if driver else ())]
    status, why = findings_status(findings)
    document = driver.document if driver is not None else None
    if status is not Exit.PASS or second[0] is None:
        return TapeRun(tuple(findings), None, None, (), "", Exit.BAD_INPUT, why)
    sheet = second[0].model
    assert isinstance(sheet, TapeSheet)
    result = tape_result(sheet, confidence, corrected)
    fastest_s = None
    if document is not None and sheet.square is not None:
        fastest_s = fastest_lap(sheet.square.side, document.robot.drive.limits)
    doubts = tape_doubts(sheet, result, fastest_s)
    if first is not None and first[0] is not None:
        before = first[0].model
        assert isinstance(before, TapeSheet)
        doubts += after_doubts(tape_result(before, confidence, corrected), result, confidence)
    findings += [_finding(second[0], doubt) for doubt in doubts]
    drive = None if document is None else document.robot.drive.type
    result = replace(
        result,
        sources=with_doubts(result.sources, doubts),
        missing=(*result.missing, *missing_sideways(drive)),
    )
    if any(doubt.sure for doubt in doubts):
        why = "the sheet contradicts itself: nothing worked out"
        return TapeRun(tuple(findings), sheet, result, doubts, "", Exit.BAD_INPUT, why)
    drives = len(sheet.straights or ())
    if sheet.square is not None:
        drives += len(sheet.square.right) + len(sheet.square.left)
    why = f"worked out from {counted(drives, 'drive')}"
    if doubts:
        why += f", {counted(len(doubts), 'doubt')}"
    edited = ""
    if edit and document is not None:
        origin = Origin(sheet.day, sheet.day, (path.as_posix(),))
        edited = edited_text(document, result.sources, origin, confidence, "the sheet")
    return TapeRun(tuple(findings), sheet, result, doubts, edited, Exit.PASS, why)


def _sheet(path: Path) -> tuple[Document | None, tuple[Finding, ...]]:
    loaded = load_single(path, "tape sheet")
    return loaded.document, loaded.findings


def _finding(document: Document, doubt: Doubt) -> Finding:
    place = doubt.place
    if (*place, KEY) in document.positions:
        place = (*place, KEY)
    if doubt.sure:
        return document.finding("DG631", place, doubt.message, doubt.advice)
    return document.finding("DG632", place, doubt.message, doubt.advice, "warning")


def load_robot(path: Path) -> tuple[Robot | None, tuple[Finding, ...]]:
    """Read a robot named on the command line."""
    loaded = load_single(path, "robot")
    model = loaded.document.model if loaded.document is not None else None
    return (model if isinstance(model, Robot) else None), loaded.findings
