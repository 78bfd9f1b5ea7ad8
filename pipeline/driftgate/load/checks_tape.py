"""What a tape sheet's models cannot say alone: keys that go together, and slips of a unit or a digit."""

from __future__ import annotations

import re
from statistics import median
from typing import Final

from driftgate.core.errors import UnitError
from driftgate.core.findings import Finding
from driftgate.core.units import DIMENSIONS, parse_quantity
from driftgate.load.document import KEY, DocPath, Document
from driftgate.schema.tape import Square, TapeSheet

# An end further off than this share of the side is no small error: a slip of the unit or of the axes.
MOST_OF_SIDE: Final = 0.25
# A count that differs by more than this share from the tape is a slip, too.
MOST_SCALE: Final = 0.2
# Sides, straights and track widths that a robot on the floor of a room can have. [m]
LEAST_SIDE_M: Final = 0.3
USUAL_SIDES_M: Final = (0.4, 5.0)
LEAST_STRAIGHT_M: Final = 0.3
USUAL_STRAIGHTS_M: Final = (0.5, 10.0)
LEAST_TRACK_M: Final = 0.05
USUAL_TRACKS_M: Final = (0.08, 1.0)
# Mean speed over a whole square, turns and stops included. [m/s]
SPEEDS_M_S: Final = (0.02, 3.0)
USUAL_SPEEDS_M_S: Final = (0.08, 1.5)
# Of a slip that all straights share, the unit is named if the ratio comes this near to that of two units.
_NEAR_UNIT: Final = 0.06
_QUANTITY: Final = re.compile(r"[\"']?\s*([0-9.]+)\s*([a-z]+)")


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
    elif sheet.track_width is not None and sheet.track_width < LEAST_TRACK_M:
        message = f"no robot's wheels stand {sheet.track_width:.3g} m apart: a slip of the unit or a digit?"
        meant = _other_spellings(document, ("track_width",), USUAL_TRACKS_M)
        findings.append(document.finding("DG112", ("track_width",), message, meant))
    if sheet.square is not None:
        if sheet.heading_from == "gyro" and sheet.square.lap_time is None:
            message = "a gyro drifts with time: 'lap_time' says how long one drive took"
            findings.append(document.finding("DG133", ("square", KEY), message, "add 'lap_time:'"))
        findings += _square(document, sheet.square)
    return findings + _straights(document, sheet)


def _square(document: Document, square: Square) -> list[Finding]:
    ends = [
        (("square", way, i), max(abs(a - b) for a, b in zip(end.tape, end.robot, strict=True)))
        for way, ends in (("right", square.right), ("left", square.left))
        for i, end in enumerate(ends)
    ]
    far = [(place, off) for place, off in ends if off > MOST_OF_SIDE * square.side]
    # What most of the ends contradict is the side, and then nothing that is derived from it is of use.
    if square.side < LEAST_SIDE_M or 2 * len(far) > len(ends):
        largest = max(off for _, off in ends)
        low = max(USUAL_SIDES_M[0], largest / MOST_OF_SIDE)
        meant = _other_spellings(document, ("square", "side"), (low, USUAL_SIDES_M[1]))
        message = (
            f"no square to drive has a side of {square.side:.3g} m: a slip of the unit or a digit?"
            if square.side < LEAST_SIDE_M
            else f"in {len(far)} of {len(ends)} drives tape and robot are more than a quarter of the side "
            "apart: a slip in the side, or in the unit of the ends?"
        )
        return [document.finding("DG112", ("square", "side"), message, meant)]
    message = (
        "tape and robot are {:.3g} m apart, more than a quarter of the side: "
        "both are measured from the mark at the start, x ahead, y to the left"
    )
    findings = [document.finding("DG112", place, message.format(off)) for place, off in far]
    return findings + _lap_time(document, square)


def _lap_time(document: Document, square: Square) -> list[Finding]:
    if square.lap_time is None:
        return []
    way_m = 4.0 * square.side
    speed = way_m / square.lap_time
    if SPEEDS_M_S[0] <= speed <= SPEEDS_M_S[1]:
        return []
    message = (
        f"a square of {way_m:.3g} m in {square.lap_time:.3g} s is {speed:.3g} m/s on the whole: "
        "a slip of the unit? 'lap_time' is the time of one whole drive"
    )
    between = (way_m / USUAL_SPEEDS_M_S[1], way_m / USUAL_SPEEDS_M_S[0])
    meant = _other_spellings(document, ("square", "lap_time"), between, "time")
    return [document.finding("DG112", ("square", "lap_time"), message, meant)]


def _straights(document: Document, sheet: TapeSheet) -> list[Finding]:
    straights = sheet.straights or []
    off = [i for i, s in enumerate(straights) if abs(s.robot / s.tape - 1.0) > MOST_SCALE]
    if len(off) > 1 and 2 * len(off) > len(straights):
        ratio = median(s.robot / s.tape for s in straights)
        message = f"the robot counts {ratio:.3g} times what the tape says: a slip of a unit or a digit?"
        return [document.finding("DG112", ("straights", off[0]), message, _units_of(ratio))]
    findings = []
    for i in off:
        message = f"tape and robot differ by more than {100.0 * MOST_SCALE:g} %: a slip of a unit or a digit?"
        findings.append(document.finding("DG112", ("straights", i), message))
    short = [i for i, s in enumerate(straights) if s.tape < LEAST_STRAIGHT_M and i not in off]
    if short:
        place = ("straights", short[0], "tape")
        message = (
            f"a straight of {straights[short[0]].tape:.3g} m says nothing of a distance scale: "
            "a slip of the unit? About 2 m are wanted"
        )
        meant = _other_spellings(document, place, USUAL_STRAIGHTS_M)
        findings.append(document.finding("DG112", place, message, meant))
    return findings


def _units_of(ratio: float) -> str:
    """Return which two units give a ratio, as a question; empty if none do."""
    units = {unit: float(factor) for unit, factor in DIMENSIONS["length"].units.items()}
    for counted, a in units.items():
        for measured, b in units.items():
            # What is 2 in one unit was written as 2 in another: the count is a / b of what it should be.
            if counted != measured and abs(ratio * b / a - 1.0) < _NEAR_UNIT:
                return f"is one column in '{counted}' and the other in '{measured}'? Write each as it is"
    return ""


def _other_spellings(
    document: Document, place: DocPath, between: tuple[float, float], dimension: str = "length"
) -> str:
    """Return what was probably meant by a quantity: its number in another unit, or ten times as much."""
    line, column, text = document.where(place)
    match = _QUANTITY.match(text, max(column - 1, 0)) if line else None
    if match is None:
        return ""
    number, unit = match.groups()
    tens = [f"{float(number) * factor:g} {unit}" for factor in (10, 0.1) if _is_number(number)]
    meant = []
    for spelling in [*(f"{number} {other}" for other in DIMENSIONS[dimension].units if other != unit), *tens]:
        try:
            value = parse_quantity(spelling, dimension)
        except UnitError:
            continue
        if between[0] <= value <= between[1]:
            meant.append(f"'{spelling}'")
    return f"did you mean {' or '.join(meant[:3])}?" if meant else ""


def _is_number(text: str) -> bool:
    return text.count(".") <= 1 and any(c.isdigit() for c in text)
