"""`driftgate nightly`."""

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
    from driftgate.report.night_model import NightReport
    from driftgate.run.workers import Crew

FORMATS = ("json", "csv", "markdown", "html")


@click.command(
    epilog="""
    \b
    Examples:
      driftgate nightly --history nights --report markdown=night.md
      driftgate nightly routines/dash.yaml --no-faults --trials 100000
      driftgate nightly --history nights --kept --report csv=trend.csv
      driftgate nightly --history nights --rebuild

    Faults: each sensor dead, stuck, knocked askew; gyro drift doubled; a bumpy floor; a low battery; the
    robot put down off its mark; the field built at the edge of its tolerance; an element strayed to the worst
    place, searched. They decide nothing: the exit status is that of the routines as they are.
    """
)
@click.argument("paths", nargs=-1, type=Documents("routine"))
@click.option(
    "--night",
    type=options.Day(),
    envvar=options.DAY_VARIABLE,
    default=date.today,
    help="The night's name: its trials' seed hangs on it, and accepted exceptions are looked at on it. A day "
    "to come is not kept (DRIFTGATE_TODAY stands for a clock that is wrong).  [default: the day it is]",
)
@click.option(
    "--history",
    type=click.Path(path_type=Path, file_okay=False),
    default=None,
    metavar="FOLDER",
    help="Folder in which nights are kept, made if it is not there; a night that was interrupted goes on "
    "from it. Without it nothing is kept.",
)
@click.option(
    "--rebuild", is_flag=True, help="Make the history's database anew from the files of its nights."
)
@click.option(
    "--kept",
    is_flag=True,
    help="Run nothing: report the latest night that is kept, or that of --night, and the nights up to it.",
)
@click.option(
    "--trials",
    type=options.Count(1, options.MOST_EVER),
    default=40_000,
    show_default=True,
    help="Trials of each case as it is.",
)
@click.option(
    "--fault-trials",
    type=options.Count(1, options.MOST_EVER),
    default=1000,
    show_default=True,
    help="Trials of each case under each fault.",
)
@click.option(
    "--scout-trials",
    type=options.Count(1, 4096),
    default=250,
    show_default=True,
    help="Trials of each place or way that a search for the worst tries; so many places are tried at first.",
)
@click.option("--no-faults", is_flag=True, help="Only the routines as they are.")
@click.option(
    "--seed",
    type=options.Count(0, 2**63 - 1),
    default=None,
    help="Seed of the random streams. Nights with one seed are no independent samples.  "
    "[default: made from the night's day]",
)
@options.confidence_option
@options.workers_option
@report_option(FORMATS)
@options.colour_option
def command(
    paths: tuple[Path, ...],
    night: date,
    history: Path | None,
    rebuild: bool,
    kept: bool,
    trials: int,
    fault_trials: int,
    scout_trials: int,
    no_faults: bool,
    seed: int | None,
    confidence: float,
    workers: Crew,
    reports: tuple[tuple[str, Path], ...],
    colour: str,
) -> int:
    """Run every routine on every field and side, as it is and under faults, and look back over the nights."""
    from driftgate.report.night_terminal import render_night
    from driftgate.report.write import write_whole

    check_targets(reports)
    if rebuild:
        if history is None or paths or reports or kept:
            raise click.UsageError("--rebuild goes with --history and nothing else")
        from driftgate.run.nightly import rebuild as rebuild_history

        report = rebuild_history(history)
    elif kept:
        if history is None or paths:
            raise click.UsageError("--kept goes with --history, --night and --report")
        from driftgate.run.nightly import look_back

        report = look_back(history, "" if not _is_given("night") else night.isoformat())
    else:
        from driftgate.cli.progress import ProgressLine
        from driftgate.run.night import NightSettings
        from driftgate.run.nightly import nightly

        if history is not None:
            _check_come(night)
        settings = NightSettings(
            day=night,
            paths=paths,
            trials=trials,
            fault_trials=fault_trials,
            scout_trials=scout_trials,
            faults=not no_faults,
            confidence=confidence,
            seed=seed,
            workers=workers,
            history=history,
        )
        with ProgressLine() as progress:
            report = nightly(settings, progress)
    for form, path in reports:
        write_whole(path, _rendered(form, report))
    emit(render_night(report, options.wants_colour(colour)))
    say_status(report.status, report.why)
    return report.status


def _check_come(night: date) -> None:
    """Refuse to keep a night of a day to come: it would stand last, before nights that are still to be run.

    Raises
    ------
    BadParameter
        If the day has not come in any time zone.
    """
    if night > options.last_day():
        raise click.BadParameter(
            f"{night.isoformat()} has not come yet, and nights are kept in the order of their days: name a "
            f"day up to today, or leave out --history. If the clock is wrong, set {options.DAY_VARIABLE}",
            param_hint="'--night'",
        )


def _is_given(name: str) -> bool:
    from click.core import ParameterSource

    return click.get_current_context().get_parameter_source(name) is ParameterSource.COMMANDLINE


def _rendered(form: str, report: NightReport) -> str:
    from driftgate.report.night_export import render_night_csv, render_night_json
    from driftgate.report.night_html import render_night_html
    from driftgate.report.night_markdown import render_night_markdown

    renderers = {
        "json": render_night_json,
        "csv": render_night_csv,
        "markdown": render_night_markdown,
        "html": render_night_html,
    }
    return renderers[form](report)
