"""What a tape sheet shows, for people."""

from __future__ import annotations

from collections.abc import Sequence

from driftgate.calibrate.doubts import Doubt
from driftgate.calibrate.estimate import Estimate
from driftgate.calibrate.square import SquareResult
from driftgate.calibrate.tape import TapeResult
from driftgate.report.quantities import interval_words, quantity
from driftgate.report.robot_section import Origin, robot_section
from driftgate.report.text import plain, table
from driftgate.schema.tape import TapeSheet

SAFE = "Keep clear of a moving robot, power it down before you reach in, and have someone at the stop."
# Lengths are shown to a tenth of a millimetre: a tape shows no more. [m]
_TAPE_M = 1e-3


def render_refused(path: str, sheet: TapeSheet, result: TapeResult) -> str:
    """Return what is shown of a sheet that contradicts itself: what was measured, to look for the slip."""
    lines = [f"{plain(path)}  {plain(sheet.title)}"]
    if result.square is not None and sheet.square is not None:
        lines += ["", *_ends(sheet.square.side, result.square)]
    lines += ["", "No corrections and nothing for the robot file: correct the sheet first, as said above."]
    return "\n".join(lines) + "\n"


def render_tape(
    path: str,
    sheet: TapeSheet,
    result: TapeResult,
    doubts: Sequence[Doubt],
    confidence: float,
    corrected: bool,
    written: tuple[str, str] | None,
) -> str:
    """Return the report of a tape sheet.

    Parameters
    ----------
    path : str
        The sheet's file.
    sheet, result
        What was measured and what it shows.
    doubts : sequence of Doubt
        What is suspected of it.
    confidence : float
        Of the intervals.
    corrected : bool
        Whether the section for the robot file goes with the corrections.
    written : tuple of str or None
        The robot file that it was written to, and its text; None shows the section.
    """
    lines = [f"{plain(path)}  {plain(sheet.title)}"]
    if result.square is not None and sheet.square is not None:
        lines += ["", *_ends(sheet.square.side, result.square)]
    lines += ["", *_corrections(sheet, result, confidence)]
    if result.square is not None:
        lines += [_then(result, confidence)]
    if result.sources:
        origin = Origin(sheet.day, sheet.day, (path,))
        now = "with the corrections in the robot's code" if corrected else "as it drives now, uncorrected"
        doubtful = [f"# doubtful: {plain(doubt.short)}" for doubt in doubts]
        if written is None:
            lines += ["", f"For the robot file, {now} (--robot FILE --out FILE writes the whole file):"]
            lines += [*doubtful, *robot_section(result.sources, origin, confidence)]
        else:
            lines += ["", f"Written to {plain(written[0])}, {now}", *_where(result, written[1]), *doubtful]
        if not corrected:
            lines.append("# once the corrections are in the robot's code: --corrected")
    lines += ["", "Not known from this sheet", *(f"  {words}" for words in result.missing), "", SAFE]
    return "\n".join(lines) + "\n"


def _where(result: TapeResult, text: str) -> list[str]:
    """Return at which lines of a robot file's text the error sources stand."""
    lines = text.splitlines()
    start = next((i for i, line in enumerate(lines) if line.startswith("errors:")), 0)
    found = []
    for source in result.sources:
        key = f"{source.path[-1]}:"
        at = (i for i, line in enumerate(lines) if i > start and line.strip().startswith(key))
        found.append(f"  line {next(at, start) + 1}: {source.path[-1]}")
    return found


def _ends(side_m: float, square: SquareResult) -> list[str]:
    rows = []
    for way, ends in (("right", square.right), ("left", square.left)):
        x, y, sx, sy = (quantity(m, "length", _TAPE_M) for m in (*ends.mean_m, *ends.sd_m))
        rows.append((way, str(ends.drives), x, y, sx, sy))
    header = ("turning", "drives", "ahead", "to the left", "scatter ahead", "scatter to the left")
    largest, noise = (quantity(size, "length", _TAPE_M) for size in (square.largest_m, square.noise_m))
    words = (
        f"  Largest systematic error {largest}; what is smaller than {noise} would not show in this scatter."
    )
    return [
        f"Square of {side_m:g} m: where the drives ended, tape less robot",
        *table(header, rows),
        words,
    ]


def _corrections(sheet: TapeSheet, result: TapeResult, confidence: float) -> list[str]:
    rows: list[tuple[str, str, str, str]] = []
    if result.distance is not None:
        scale = result.distance.scale
        rows.append(
            _row("distance scale", scale, "ratio", confidence, _multiply("counted distance", scale.value))
        )
    if result.square is not None:
        if result.gyro is not None:
            scale, bias = result.gyro.scale, result.gyro.bias
            rows.append(
                _row("heading scale", scale, "ratio", confidence, _multiply("the gyro's turn", scale.value))
            )
            verb, side = ("subtract", "from") if bias.value > 0.0 else ("add", "to")
            take = f"{verb} {quantity(abs(bias.value), 'turn rate', bias.error)} {side} the gyro's rate"
            rows.append(_row("heading bias", bias, "turn rate", confidence, take))
        if result.wheels is not None and sheet.track_width is not None:
            wheels, alpha, beta = result.wheels, result.square.alpha_rad, result.square.beta_rad
            track = f"track width {wheels.track_m:.5g} m in place of {sheet.track_width:g} m"
            rows.append(_row("turn short of 90 deg", alpha, "angle", confidence, track))
            factors = f"multiply distance of left wheel by {wheels.left:.6f}, right by {wheels.right:.6f}"
            rows.append(_row("bend of a side, left", beta, "angle", confidence, factors))
    header = ("what", "found", f"{100.0 * confidence:g} % interval", "in the robot's code")
    return ["Corrections", *table(header, rows)]


def _then(result: TapeResult, confidence: float) -> str:
    """Return what comes after the table of corrections."""
    found: list[Estimate] = []
    if result.distance is not None:
        found.append(result.distance.scale)
    if result.square is not None:
        found += [result.square.alpha_rad, result.square.beta_rad]
    if any(estimate.clear(confidence) for estimate in found):
        return "  Enter them and drive the squares again: a second pass takes out what is left over."
    return "  Nothing to enter: what is left does not show in this scatter."


def _row(
    name: str, estimate: Estimate, dimension: str, confidence: float, action: str
) -> tuple[str, str, str, str]:
    low, high = estimate.interval(confidence)
    found = quantity(estimate.value, dimension, estimate.error)
    if not estimate.clear(confidence):
        action = "leave it: not told from zero"
    return name, found, interval_words(low, high, dimension), action


def _multiply(what: str, scale: float) -> str:
    return f"multiply {what} by {1.0 / (1.0 + scale):.5f}"
