"""`driftgate check`."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import click

from driftgate.cli import options
from driftgate.cli.out import emit, say_status
from driftgate.cli.targets import ReportTarget, refuse_same_file

FORMATS = ("json", "junit", "markdown")


@click.command(
    epilog="""
    \b
    Examples:
      driftgate check
      driftgate check routines/dash.yaml --trials 100000
      driftgate check routines/dash.yaml --sample fixed --trials 4000
      driftgate check --field fieldmaps/as-measured.yaml
      driftgate check --report json=out.json --report junit=out.xml

    \b
    Reading the output:
      pot-a  x  10.8 of 25 mm (43 %)  pass  p >= 99.3 % (need 99 %)
    says: at checkpoint pot-a the tolerance is tightest on x; in the required share of runs, at the
    stated confidence, the error is at most 43 % of the 25 mm allowed; the probability of being
    inside is at least 99.3 %, and 99 % were asked for. 'undecided' does not pass: more trials, or a
    better routine, decide it.

    \b
    Exit statuses: 0 all pass, 1 a tolerance breaks or is undecided or a plan is infeasible,
    2 bad input or usage, 3 a fault in driftgate, 5 nothing matched, 130 interrupted.
    """
)
@click.argument("paths", nargs=-1, type=click.Path(path_type=Path))
@options.trials_options
@options.seed_option
@options.confidence_option
@options.workers_option
@options.field_options
@options.today_option
@options.cache_options
@click.option(
    "--report",
    "reports",
    type=ReportTarget(FORMATS),
    multiple=True,
    metavar="FORMAT=FILE",
    help="Also write a report: json, junit or markdown. May be given several times.",
)
@options.colour_option
@click.option("--quiet", "-q", is_flag=True, help="Print only what does not pass, and no progress.")
def command(
    paths: tuple[Path, ...],
    trials: int | None,
    sample: Any,
    seed: int,
    confidence: float,
    workers: int | None,
    field: Path | None,
    carry_field: bool,
    today: date,
    cache_folder: Path | None,
    no_cache: bool,
    reports: tuple[tuple[str, Path], ...],
    colour: str,
    quiet: bool,
) -> int:
    """Predict routines and judge every tolerance.

    PATHS are routine files or folders; by default the folder routines/. A routine is judged on its
    own field map and on each further one that it names, on both sides of the field if it says
    mirror.
    """
    from driftgate.cli.progress import ProgressLine
    from driftgate.report.terminal import render_terminal
    from driftgate.report.text import plain
    from driftgate.report.write import check_target
    from driftgate.run.check import CheckSettings, check_routines

    if carry_field and field is None:
        raise click.UsageError("--carry-field needs --field")
    refuse_same_file(reports)
    for _, path in reports:
        check_target(path)
    cache = options.opened_cache(cache_folder, no_cache)
    settings = CheckSettings(
        tuple(paths),
        options.usable_trials(trials, sample),
        seed,
        confidence,
        options.usable_workers(workers),
        field,
        carry_field,
        today,
        sample,
        cache,
    )
    with ProgressLine(quiet) as progress:
        report = check_routines(settings, progress)
    if cache is not None and cache.trouble and not quiet:
        click.echo(f"driftgate: no cache: {plain(cache.trouble)}", err=True)
    for form, path in reports:
        _write(form, path, report)
    emit(render_terminal(report, colour=options.wants_colour(colour), quiet=quiet))
    say_status(report.status, report.why)
    return report.status


def _write(form: str, path: Path, report: Any) -> None:
    from driftgate.report.write import write_whole

    if form == "json":
        from driftgate.report.as_json import render_json as render
    elif form == "junit":
        from driftgate.report.as_junit import render_junit as render
    else:
        from driftgate.report.as_markdown import render_markdown as render
    write_whole(path, render(report))
