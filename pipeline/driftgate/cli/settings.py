"""`driftgate settings`."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click
from click.core import ParameterSource

from driftgate.cli import options
from driftgate.cli.complete import Documents, complete_keys
from driftgate.cli.out import emit, say_status
from driftgate.cli.targets import check_targets, report_option

if TYPE_CHECKING:
    from driftgate.report.settings_model import Setting

# As in driftgate.report.settings_model, which is too dear to import for a list of words.
ORIGINS: Final = ("file", "default", "derived", "environment", "command-line")
# Options of check that decide numbers or where they are kept, in the order of its help.
_RUN: Final = ("trials", "sample", "seed", "confidence", "today", "cache")


@click.command(
    epilog="""
    \b
    Examples:
      driftgate settings routines/dash.yaml
      driftgate settings routines/dash.yaml correction filter
      driftgate settings routines/dash.yaml errors.heading_bias drive.limits.speed
      driftgate settings routines/dash.yaml map --field fieldmaps/measured.yaml
      driftgate settings routines/dash.yaml --from default --from derived

    What it shows, group by group: which robot and maps are used and who says so; every value of these
    files and of the routine, with file and line, or as a default; the filter's own numbers, where they are
    derived from error sources; for each step the limits that it keeps, whose they are, and which sensors
    may give fixes; and what 'driftgate check' with these options would run with.

    Exit statuses: 0 shown, 2 bad input or usage, 5 nothing matched.
    """
)
@click.argument("routine", type=Documents("routine"))
@click.argument("keys", nargs=-1, metavar="[KEY]...", shell_complete=complete_keys)
@click.option(
    "--from",
    "origins",
    type=click.Choice(ORIGINS),
    multiple=True,
    help="Only what comes from there; may be given several times.",
)
@click.option("--all", "everything", is_flag=True, help="Also keys that are left out and stand for nothing.")
@options.one_field_options
@options.trials_options
@options.seed_option
@options.confidence_option
@options.today_option
@options.cache_options
@report_option(("json",))
@options.colour_option
def command(
    routine: Path,
    keys: tuple[str, ...],
    origins: tuple[str, ...],
    everything: bool,
    field: Path | None,
    carry_field: bool,
    reports: tuple[tuple[str, Path], ...],
    colour: str,
    **given: Any,
) -> int:
    """Show every setting that is in force for one ROUTINE, and where it comes from.

    A KEY is a group (files, robot, filter, map, routine, checkpoint, step, run), the name of a step
    or a checkpoint, or the beginning of a key, such as correction.gate; without one all are shown.
    """
    from driftgate.report.settings import render_settings, render_settings_json
    from driftgate.report.write import write_whole
    from driftgate.run.settings import effective_settings

    if carry_field and field is None:
        raise click.UsageError("--carry-field needs --field")
    check_targets(reports)
    words = [origin.replace("-", " ") for origin in origins]
    found = effective_settings(routine, field, carry_field, keys, words, _run_settings(given))
    for _, path in reports:
        write_whole(path, render_settings_json(found))
    emit(render_settings(found, everything, options.wants_colour(colour)))
    say_status(found.status, found.why)
    return found.status


def _run_settings(given: dict[str, Any]) -> list[Setting]:
    """Return what a run with these options takes, with where each comes from."""
    from driftgate.report.settings_model import Setting

    ctx = click.get_current_context()
    origins = {
        ParameterSource.COMMANDLINE: "command line",
        ParameterSource.ENVIRONMENT: "environment",
    }
    cache = options.opened_cache(given["cache_folder"], given["no_cache"])
    values = {
        "trials": options.usable_trials(given["trials"], given["sample"]),
        "sample": given["sample"],
        "seed": given["seed"],
        "confidence": given["confidence"],
        "today": _day(given["today"]),
        "cache": "off" if cache is None else cache.folder,
    }
    names = {"cache": "no_cache" if given["no_cache"] else "cache_folder"}
    found = []
    for key in _RUN:
        source = ctx.get_parameter_source(names.get(key, key))
        origin: Any = origins.get(source, "default") if source is not None else "default"
        found.append(Setting("run", f"--{key}", str(values[key]), origin))
    return found


def _day(today: date) -> str:
    return today.isoformat()
