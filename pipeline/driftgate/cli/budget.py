"""`driftgate budget`."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from driftgate.cli import options
from driftgate.cli.complete import Documents
from driftgate.cli.out import emit, say_status
from driftgate.cli.targets import check_targets, report_option

if TYPE_CHECKING:
    from driftgate.run.workers import Crew

FORMATS = ("json", "markdown")


@click.command(
    epilog="""
    \b
    Examples:
      driftgate budget routines/dash.yaml
      driftgate budget routines/dash.yaml --redraws 8000 --all
      driftgate budget routines/dash.yaml --grow --improve

    What it shows: for each checkpoint and the end, along each axis of the tolerance, how much each
    error source makes of the variance, by both engines, and what a run with that source switched off
    would give. It takes two runs of --redraws trials for each error source; --grow takes up to seven
    more for each, --improve some fifteen runs of --trials. The exit status is that of the case shown.
    """
)
@click.argument("routine", type=Documents("routine"))
@click.option("--mirrored", is_flag=True, help="Take the other side of the field.")
@click.option("--all", "everything", is_flag=True, help="Show every source, however small its share.")
@options.trials_option
@click.option(
    "--redraws",
    type=options.Count(100, 1_000_000),
    default=2000,
    show_default=True,
    help="Trials of each run with a source redrawn, switched off or grown; at most --trials.",
)
@click.option(
    "--grow", is_flag=True, help="Also find out how much each source may grow before a tolerance breaks."
)
@click.option("--improve", is_flag=True, help="Also run single changes and say which buys the most margin.")
@options.seed_option
@options.confidence_option
@options.workers_option
@options.one_field_options
@options.today_option
@report_option(FORMATS)
@options.colour_option
def command(
    routine: Path,
    mirrored: bool,
    everything: bool,
    trials: int,
    redraws: int,
    grow: bool,
    improve: bool,
    seed: int,
    confidence: float,
    workers: Crew,
    field: Path | None,
    carry_field: bool,
    today: date,
    reports: tuple[tuple[str, Path], ...],
    colour: str,
) -> int:
    """Show which error source makes how much of the error of one ROUTINE."""
    if carry_field and field is None:
        raise click.UsageError("--carry-field needs --field")
    from driftgate.cli.progress import ProgressLine
    from driftgate.report.budget import render_budget
    from driftgate.report.budget_json import render_budget_json
    from driftgate.report.budget_markdown import render_budget_markdown
    from driftgate.report.write import write_whole
    from driftgate.run.budget import BudgetSettings, budget_routine

    check_targets(reports)
    settings = BudgetSettings(
        routine,
        trials,
        redraws,
        seed,
        confidence,
        workers,
        field,
        carry_field,
        mirrored,
        today,
        grow,
        improve,
    )
    with ProgressLine() as progress:
        report = budget_routine(settings, progress)
    for form, path in reports:
        write_whole(path, render_budget_json(report) if form == "json" else render_budget_markdown(report))
    emit(render_budget(report, options.wants_colour(colour), everything))
    say_status(report.status, report.why)
    return report.status
