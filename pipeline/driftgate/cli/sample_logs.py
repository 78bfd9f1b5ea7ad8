"""`driftgate sample-logs`."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import click

from driftgate.cli import options
from driftgate.cli.complete import Documents
from driftgate.cli.out import emit, say_status
from driftgate.cli.written import Quantities

MOST_RUNS: Final = 1000


@click.command(
    epilog="""
    \b
    Examples:
      driftgate sample-logs routines/dash.yaml --out made/
      driftgate sample-logs routines/dash.yaml --runs 12 --out made/ \\
          --reference camera --reference-spread "3 mm, 3 mm, 0.3 deg"

    What it is for: to see what a log looks like, and to try a calibration on numbers that are known.
    One file is written for each run, and one (NAME-sim-drawn.json) with the constants that were drawn.
    By default one robot drives all runs on one field, as on a practice day; what is constant over a run
    is drawn for each. Everything is invented and marked so: never mix it with measured logs.
    Readings that the robot does not listen to (in a square-up, or by 'fixes') are left out.

    Exit statuses: 0 written, 1 the plan is infeasible, 2 bad input files or bad usage.
    """
)
@click.argument("routine", type=Documents("routine"))
@click.option(
    "--out",
    "folder",
    type=click.Path(path_type=Path, file_okay=False, allow_dash=True),
    required=True,
    metavar="FOLDER",
    help="Where the logs go; made if it is not there. Measured logs are never written over. '-' prints the "
    "log of a single run.",
)
@click.option("--runs", type=options.Count(1, MOST_RUNS), default=6, show_default=True, help="How many runs.")
@click.option(
    "--reference",
    type=click.Choice(["tape", "camera"]),
    default="tape",
    show_default=True,
    help="How the true place is measured. tape: at the start, at the end of every step in which the robot "
    "stands, and at the end. camera: all the time.",
)
@click.option(
    "--reference-spread",
    "spread",
    type=Quantities("length", "length", "angle"),
    default="2 mm, 2 mm, 0.5 deg",
    show_default=True,
    metavar="X,Y,HEADING",
    help="Standard deviations of one measurement.",
)
@click.option(
    "--camera-rate",
    "rate",
    type=Quantities("frequency"),
    default="20 Hz",
    show_default=True,
    metavar="RATE",
    help="How often the camera measures.",
)
@click.option(
    "--jitter",
    type=Quantities("length", "angle"),
    default="0 mm, 0 deg",
    show_default=True,
    metavar="WAY,HEADING",
    help="Noise of the odometry's own readings, of the way rolled so far and of the heading; it does not "
    "add up.",
)
@click.option(
    "--other-robots",
    is_flag=True,
    help="Another robot on another field in each run: run N is then what 'explain --trial N-1' tells.",
)
@options.seed_option
@options.one_field_options
@options.colour_option
def command(
    routine: Path,
    folder: Path,
    runs: int,
    reference: str,
    spread: tuple[float, float, float],
    rate: tuple[float],
    jitter: tuple[float, float],
    other_robots: bool,
    seed: int,
    field: Path | None,
    carry_field: bool,
    colour: str,
) -> int:
    """Drive one ROUTINE in simulation and write what the robot would log."""
    if carry_field and field is None:
        raise click.UsageError("--carry-field needs --field")
    if min(spread) <= 0.0 or not 0.1 <= rate[0] <= 1000.0:
        raise click.UsageError("--reference-spread is more than 0, --camera-rate 0.1 Hz to 1 kHz")
    printed = folder == Path("-")
    if printed and runs != 1:
        raise click.UsageError("--out - prints one log: give --runs 1")
    from driftgate.predict.logged import Jitter, Reference
    from driftgate.report.findings import render_findings
    from driftgate.report.paint import Paint
    from driftgate.run.explain import ExplainSettings
    from driftgate.run.sample import SampleSettings, sample_logs

    settings = SampleSettings(
        ExplainSettings(routine, seed=seed, field=field, carry_field=carry_field),
        runs,
        None if printed else folder,
        Reference("camera" if reference == "camera" else "tape", spread, rate[0]),
        Jitter(*jitter),
        not other_robots,
    )
    found = sample_logs(settings)
    wanted = options.wants_colour(colour)
    lines = render_findings(found.findings, Paint(wanted))
    text = "\n".join(lines) + "\n" if lines else ""
    if found.report is not None:
        from driftgate.report.explain import render_infeasible

        text += render_infeasible(found.report, wanted)
    text += found.text + "".join(f"{file.as_posix()}\n" for file in found.files)
    emit(text)
    say_status(int(found.status), found.why)
    return int(found.status)
