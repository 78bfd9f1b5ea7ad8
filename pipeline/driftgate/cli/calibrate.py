"""`driftgate calibrate`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from driftgate.cli import options
from driftgate.cli.out import emit, say_status

if TYPE_CHECKING:
    from driftgate.core.findings import Finding


@click.command(
    epilog="""
    \b
    Examples:
      driftgate calibrate --guide --robot routines/robots/wren.yaml
      driftgate calibrate --tape routines/calibration/wren-tape.yaml
      driftgate calibrate --tape second.yaml --after first.yaml --corrected \\
          --robot routines/robots/wren.yaml --out routines/robots/wren-2.yaml
      driftgate calibrate logs/ --robot routines/robots/wren.yaml
      driftgate calibrate logs/ --robot routines/robots/wren.yaml \\
          --out routines/robots/wren-2.yaml

    Each LOG is one run: a file, or several files of one run joined by '+'. A folder, or a pattern like
    'logs/*.csv', stands for all the runs in it; NAME.csv and NAME-poses.csv are one run. What is found
    goes with how well it is known, so that a prediction from six runs is wider than one from sixty;
    what the runs cannot tell is named, with the drive that would.

    With --tape, what is found of the sheet itself comes first: a sheet that contradicts itself gives
    no numbers (DG631), one with something doubtful gives numbers that carry the doubt (DG632).

    Exit statuses: 0 worked out, 2 something is wrong with the files, or they say too little.
    """
)
@click.argument("logs", nargs=-1, metavar="[LOG]...")
@click.option(
    "--guide", is_flag=True, help="Print what to drive and measure with a tape, and a sheet to fill in."
)
@click.option(
    "--tape",
    type=options.FILE,
    default=None,
    metavar="SHEET",
    help="Work out a filled-in sheet of square drives and straights (YAML).",
)
@click.option(
    "--corrected",
    is_flag=True,
    help="With --tape: the corrections go into the robot's code, so print the section without means.",
)
@click.option(
    "--after",
    type=options.FILE,
    default=None,
    metavar="SHEET",
    help="With --tape: the sheet of the first pass, to see whether its corrections did what they should.",
)
@click.option(
    "--robot",
    type=options.ROBOT_FILE,
    default=None,
    metavar="FILE",
    help="The robot file: for logs, what is constant over what, and its sensors; for --out; for a guide "
    "that fits.",
)
@click.option(
    "--field",
    type=options.FIELD_FILE,
    default=None,
    metavar="FILE",
    help="With logs: the map of the field as it really was, for range sensors; by default the logs name it.",
)
@click.option(
    "--out",
    type=options.FILE,
    default=None,
    metavar="FILE",
    help="Write the robot file with what was found to this new file, comments kept.",
)
@click.option(
    "--confidence",
    type=options.Share(),
    default=0.95,
    show_default=True,
    help="Confidence of every interval.",
)
@options.colour_option
def command(
    logs: tuple[str, ...],
    guide: bool,
    tape: Path | None,
    corrected: bool,
    after: Path | None,
    robot: Path | None,
    field: Path | None,
    out: Path | None,
    confidence: float,
    colour: str,
) -> int:
    """Fit the error sources of a robot from measured drives: by tape, or from logged runs."""
    if [guide, tape is not None, bool(logs)].count(True) != 1:
        raise click.UsageError("give either LOGs of runs, or --tape SHEET, or --guide")
    if tape is None and (corrected or after is not None):
        raise click.UsageError("--corrected and --after go with --tape")
    if not logs and field is not None:
        raise click.UsageError("--field goes with logs")
    if guide and out is not None:
        raise click.UsageError("--out goes with logs or --tape")
    if out is not None and robot is None:
        raise click.UsageError("--out needs --robot FILE: the robot file to put the numbers into")
    if logs:
        if robot is None:
            raise click.UsageError("logs need --robot FILE: what is constant over what, and its sensors")
        return _logs(logs, robot, field, out, confidence, colour)
    if tape is None:
        return _guide(robot, colour)
    return _tape(tape, after, robot, out, confidence, corrected, colour)


def _logs(
    logs: tuple[str, ...],
    robot: Path,
    field: Path | None,
    out: Path | None,
    confidence: float,
    colour: str,
) -> int:
    from driftgate.report.logs_fit import render_logs_fit
    from driftgate.report.robot_edit import EditError
    from driftgate.report.write import check_new, write_new
    from driftgate.run.from_logs import calibrate_logs
    from driftgate.run.status import InputError

    if out is not None:
        check_new(out)
    try:
        run = calibrate_logs(logs, robot, field, confidence, out is not None)
    except EditError as error:
        raise InputError(f"{robot}: {error}") from error
    if not _sound(run.findings, colour) or run.fit is None:
        return 2
    if out is not None:
        write_new(out, run.edited)
    emit(render_logs_fit(robot.as_posix(), run.logs, run.fit, run.origin, confidence, out is None))
    why = run.why if out is None else f"{run.why}, written to {out.as_posix()}"
    say_status(int(run.status), why)
    return int(run.status)


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


def _tape(
    tape: Path,
    after: Path | None,
    robot: Path | None,
    out: Path | None,
    confidence: float,
    corrected: bool,
    colour: str,
) -> int:
    from driftgate.report.robot_edit import EditError
    from driftgate.report.tape import render_refused, render_tape
    from driftgate.report.write import check_new, write_new
    from driftgate.run.status import Exit, InputError
    from driftgate.run.tape import calibrate_tape

    if out is not None:
        check_new(out)
    try:
        run = calibrate_tape(tape, confidence, corrected, robot, after, out is not None)
    except EditError as error:
        raise InputError(f"{robot}: {error}") from error
    _show(run.findings, colour)
    why = run.why
    if run.sheet is not None and run.result is not None:
        if run.status is not Exit.PASS:
            emit(render_refused(tape.as_posix(), run.sheet, run.result))
        else:
            if out is not None:
                write_new(out, run.edited)
                why += f", written to {out.as_posix()}"
            emit(
                render_tape(
                    *(tape.as_posix(), run.sheet, run.result, run.doubts, confidence, corrected),
                    None if out is None else (out.as_posix(), run.edited),
                )
            )
    say_status(int(run.status), why)
    return int(run.status)


def _sound(findings: tuple[object, ...], colour: str) -> bool:
    """Print findings; return whether there is no error among them."""
    from driftgate.run.status import Exit, findings_status

    status, why = findings_status(_show(findings, colour))
    if status is not Exit.PASS:
        say_status(int(status), why)
    return status is Exit.PASS


def _show(findings: tuple[object, ...], colour: str) -> tuple[Finding, ...]:
    """Print findings, and return them."""
    from driftgate.core.findings import Finding
    from driftgate.report.findings import render_findings
    from driftgate.report.paint import Paint

    known = tuple(f for f in findings if isinstance(f, Finding))
    lines = render_findings(known, Paint(options.wants_colour(colour)))
    if lines:
        emit("\n".join(lines) + "\n")
    return known
