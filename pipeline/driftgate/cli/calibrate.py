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
      driftgate calibrate logs/ --robot routines/robots/wren.yaml
      driftgate calibrate logs/ --robot routines/robots/wren.yaml \\
          --out routines/robots/wren-2.yaml

    Each LOG is one run: a file, or several files of one run joined by '+'. A folder, or a pattern like
    'logs/*.csv', stands for all the runs in it. What is found goes with how well it is known, so that a
    prediction from six runs is wider than one from sixty; what the runs cannot tell is named, with the
    drive that would.

    Exit statuses: 0 worked out, 2 something is wrong with the files, or they say too little.
    """
)
@click.argument("logs", nargs=-1, metavar="[LOG]...")
@click.option(
    "--guide", is_flag=True, help="Print what to drive and measure with a tape, and an empty sheet."
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
    "--robot",
    type=options.ROBOT_FILE,
    default=None,
    metavar="FILE",
    help="The robot file: for logs, what is constant over what, and its sensors; for a guide that fits.",
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
    help="With logs: write the robot file with what was found to this new file, comments kept.",
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
    robot: Path | None,
    field: Path | None,
    out: Path | None,
    confidence: float,
    colour: str,
) -> int:
    """Fit the error sources of a robot from measured drives: by tape, or from logged runs."""
    if [guide, tape is not None, bool(logs)].count(True) != 1:
        raise click.UsageError("give either LOGs of runs, or --tape SHEET, or --guide")
    if corrected and tape is None:
        raise click.UsageError("--corrected goes with --tape")
    if not logs and (field is not None or out is not None):
        raise click.UsageError("--field and --out go with logs")
    if logs:
        if robot is None:
            raise click.UsageError("logs need --robot FILE: what is constant over what, and its sensors")
        return _logs(logs, robot, field, out, confidence, colour)
    return _guide(robot, colour) if tape is None else _tape(tape, confidence, corrected, colour)


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
    from driftgate.report.write import WriteError, write_new
    from driftgate.run.from_logs import calibrate_logs
    from driftgate.run.status import InputError

    if out is not None and (out.exists() or out.is_symlink()):
        raise WriteError(f"{out}: is there already; name a new file")
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
