"""`driftgate calibrate`."""

from __future__ import annotations

from pathlib import Path

import click

from driftgate.cli import options
from driftgate.cli.out import emit, say_status


@click.command(
    epilog="""
    \b
    Examples:
      driftgate calibrate --guide --robot routines/robots/wren.yaml
      driftgate calibrate --tape routines/calibration/wren-tape.yaml

    \b
    Exit statuses: 0 worked out, 2 something is wrong with the files.
    """
)
@click.option(
    "--guide", is_flag=True, help="Print what to drive and measure with a tape, and an empty sheet."
)
@click.option(
    "--tape",
    type=click.Path(path_type=Path, dir_okay=False),
    default=None,
    metavar="SHEET",
    help="Work out a filled-in sheet of square drives and straights (YAML).",
)
@click.option(
    "--corrected",
    is_flag=True,
    help="The corrections go into the robot's code: print the robot file's section without means.",
)
@click.option(
    "--robot",
    type=click.Path(path_type=Path, dir_okay=False),
    default=None,
    metavar="FILE",
    help="The robot file, for a guide that fits the robot.",
)
@options.confidence_option
@options.colour_option
def command(
    guide: bool, tape: Path | None, corrected: bool, robot: Path | None, confidence: float, colour: str
) -> int:
    """Fit the error sources of a robot from measured drives."""
    if guide == (tape is not None):
        raise click.UsageError("give either --guide or --tape SHEET")
    if guide and corrected:
        raise click.UsageError("--corrected goes with --tape")
    return _guide(robot, colour) if tape is None else _tape(tape, confidence, corrected, colour)


def _guide(robot: Path | None, colour: str) -> int:
    from driftgate.report.tape_guide import render_guide

    model = None
    if robot is not None:
        from driftgate.run.tape import load_robot

        model, findings = load_robot(robot)
        if not _sound(findings, colour):
            return 2
    emit(render_guide(model))
    say_status(0, "drive, measure, fill in")
    return 0


def _tape(tape: Path, confidence: float, corrected: bool, colour: str) -> int:
    from driftgate.report.tape import render_tape
    from driftgate.run.tape import calibrate_tape

    run = calibrate_tape(tape, confidence, corrected)
    if not _sound(run.findings, colour) or run.sheet is None or run.result is None:
        return 2
    emit(render_tape(tape.as_posix(), run.sheet, run.result, confidence, corrected))
    say_status(int(run.status), run.why)
    return int(run.status)


def _sound(findings: tuple[object, ...], colour: str) -> bool:
    """Print findings; return whether there is no error among them."""
    from driftgate.core.findings import Finding
    from driftgate.report.findings import render_findings
    from driftgate.report.paint import Paint
    from driftgate.run.status import Exit, findings_status

    known = tuple(f for f in findings if isinstance(f, Finding))
    lines = render_findings(known, Paint(options.wants_colour(colour)))
    if lines:
        emit("\n".join(lines) + "\n")
    status, why = findings_status(known)
    if status is not Exit.PASS:
        say_status(int(status), why)
    return status is Exit.PASS
