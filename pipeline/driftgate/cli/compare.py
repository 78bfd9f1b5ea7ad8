"""`driftgate compare`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from driftgate.cli import options
from driftgate.cli.complete import Documents
from driftgate.cli.out import emit, say_status
from driftgate.cli.targets import check_targets, report_option

if TYPE_CHECKING:
    from driftgate.report.compare_model import SideBySide
    from driftgate.run.workers import Crew

FORMATS = ("json", "markdown")


@click.command(
    epilog="""
    \b
    Examples:
      driftgate compare routines/dash.yaml --without-correction
      driftgate compare routines/dash.yaml \\
          --variant "wide gate: correction.gate.sigmas=4"
      driftgate compare routines/dash.yaml \\
          --variant "no gate: correction.gate=null" \\
          --variant "practice floor: field=fieldmaps/practice.yaml" \\
          --variant "better gyro: errors.heading_bias.spread=0.02 deg/s"

    \b
    A variant is "NAME: CHANGE; CHANGE". A change is
      robot=FILE          another robot
      field=FILE          another true field; the robot keeps the map it carries
      carried-field=FILE  another field, and the robot carries its map
      PATH=VALUE          a setting of the robot: the keys of its file joined by
                          dots, and the value as it would stand there; null
                          takes a key away. An item of a list goes by its id:
                          sensors.front.rate=20 Hz

    Trial by trial every variant has the same luck, so that small differences show.

    Exit statuses: 0 all variants were predicted, 1 the plan of one is infeasible, 2 bad input or usage.
    """
)
@click.argument("routine", type=Documents("routine"))
@click.option(
    "--variant",
    "variants",
    multiple=True,
    metavar="'NAME: CHANGES'",
    help="A variant, as described below; may be given several times.",
)
@click.option("--without-correction", is_flag=True, help="Add the variant that never takes a fix.")
@click.option("--mirrored", is_flag=True, help="Take the other side of the field.")
@options.trials_option
@options.seed_option
@options.confidence_option
@options.workers_option
@report_option(FORMATS)
@options.colour_option
def command(
    routine: Path,
    variants: tuple[str, ...],
    without_correction: bool,
    mirrored: bool,
    trials: int,
    seed: int,
    confidence: float,
    workers: Crew,
    reports: tuple[tuple[str, Path], ...],
    colour: str,
) -> int:
    """Put variants of one ROUTINE side by side: settings, robots, true fields."""
    from driftgate.cli.progress import ProgressLine
    from driftgate.report.compare_terminal import render_side_by_side
    from driftgate.run.compare import CompareSettings, compare_variants
    from driftgate.run.variants import read_variant
    from driftgate.run.variants import without_correction as off

    if not variants and not without_correction:
        raise click.UsageError("nothing to compare: give --variant or --without-correction")
    check_targets(reports)
    specs = (*((off(),) if without_correction else ()), *(read_variant(text) for text in variants))
    settings = CompareSettings(routine, specs, trials, seed, confidence, workers, mirrored)
    with ProgressLine() as progress:
        found = compare_variants(settings, progress)
    for form, path in reports:
        _write(form, path, found)
    emit(render_side_by_side(found, colour=options.wants_colour(colour)))
    say_status(found.status, found.why)
    return found.status


def _write(form: str, path: Path, found: SideBySide) -> None:
    from driftgate.report.write import write_whole

    if form == "json":
        from driftgate.report.compare_json import render_side_by_side_json as render
    else:
        from driftgate.report.compare_markdown import render_side_by_side_markdown as render
    write_whole(path, render(found))
