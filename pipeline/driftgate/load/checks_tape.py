"""What a tape sheet's models cannot say alone."""

from __future__ import annotations

from typing import Final

from driftgate.core.findings import Finding
from driftgate.load.document import KEY, DocPath, Document
from driftgate.schema.tape import SquareEnd, TapeSheet

# An end further off than this share of the side is no small error: a slip of the unit or of the axes.
MOST_OF_SIDE: Final = 0.25
# A count that differs by more than this share from the tape is a slip, too.
MOST_SCALE: Final = 0.2


def check_tape(document: Document) -> list[Finding]:
    """Return every fault of a tape sheet that its models let through."""
    sheet = document.model
    assert isinstance(sheet, TapeSheet)
    findings = []
    if sheet.square is None and sheet.straights is None:
        message = "there is nothing to work out: neither 'square' nor 'straights' is given"
        findings.append(document.finding("DG133", (), message, "'driftgate calibrate --guide' shows both"))
    if sheet.heading_from == "wheels" and sheet.track_width is None:
        message = "a heading from the wheels needs the 'track_width' that the robot's code uses"
        findings.append(document.finding("DG133", ("heading_from",), message, "add 'track_width:'"))
    if sheet.heading_from == "gyro" and sheet.track_width is not None:
        message = "'track_width' says how wheels make a heading; this one comes from a gyro"
        findings.append(document.finding("DG133", ("track_width", KEY), message, "delete it"))
    if sheet.square is not None:
        if sheet.heading_from == "gyro" and sheet.square.lap_time is None:
            message = "a gyro drifts with time: 'lap_time' says how long one drive took"
            findings.append(document.finding("DG133", ("square", KEY), message, "add 'lap_time:'"))
        for way, ends in (("right", sheet.square.right), ("left", sheet.square.left)):
            for i, end in enumerate(ends):
                findings += _far_off(document, ("square", way, i), end, sheet.square.side)
    for i, straight in enumerate(sheet.straights or ()):
        if abs(straight.robot / straight.tape - 1.0) > MOST_SCALE:
            message = (
                f"tape and robot differ by more than {100.0 * MOST_SCALE:g} %: a slip of a unit or a digit?"
            )
            findings.append(document.finding("DG112", ("straights", i), message))
    return findings


def _far_off(document: Document, place: DocPath, end: SquareEnd, side_m: float) -> list[Finding]:
    off = max(abs(end.tape[axis] - end.robot[axis]) for axis in (0, 1))
    if off <= MOST_OF_SIDE * side_m:
        return []
    message = (
        f"tape and robot are {off:.3g} m apart, more than a quarter of the side: "
        "both are measured from the mark at the start, x ahead, y to the left"
    )
    return [document.finding("DG112", place, message)]
