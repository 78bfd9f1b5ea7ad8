"""`driftgate check`."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from driftgate.cli import options
from driftgate.cli.against import (
    Against,
    affected_paths,
    against_options,
    compared,
    final_status,
    keep,
)
from driftgate.cli.complete import Documents
from driftgate.cli.out import emit, say_status
from driftgate.cli.targets import check_targets, report_option

if TYPE_CHECKING:
    from driftgate.report.compare_model import Comparison
    from driftgate.report.model import RunReport
    from driftgate.report.picture import CasePicture
    from driftgate.run.check import CheckSettings
    from driftgate.run.workers import Crew

    Pictures = Sequence[CasePicture | None]

FORMATS = ("json", "junit", "sarif", "markdown", "html", "svg")
# These show pictures, for which a few hundred trials of each case are run again.
PICTURED = ("html", "svg")


@click.command(
    epilog="""
    \b
    Examples:
      driftgate check
      driftgate check routines/dash.yaml --trials 100000
      driftgate check routines/dash.yaml --sample fixed --trials 4000
      driftgate check --field fieldmaps/as-measured.yaml
      driftgate check --report json=out.json --report junit=out.xml
      driftgate check --report html=dash.html --report svg=pictures
      driftgate check --changed-since origin/main
      driftgate check --baseline season-start --erosion fail

    \b
    Reading the output:
      pot-a  x  10.8 of 25 mm (43 %)  pass  p >= 99.3 % (need 99 %)

    says: at checkpoint pot-a the tolerance is tightest on x; in the required share of runs, at the
    stated confidence, the error is at most 43 % of the 25 mm allowed; the probability of being
    inside is at least 99.3 %, and 99 % were asked for. 'undecided' does not pass: more trials, or a
    better routine, decide it.

    Exit statuses: 0 all pass, 1 a tolerance breaks or is undecided or a plan is infeasible,
    2 bad input or usage, 3 a fault in driftgate, 5 nothing matched, 130 interrupted.
    """
)
@click.argument("paths", nargs=-1, type=Documents("routine"))
@options.trials_options
@options.seed_option
@options.confidence_option
@options.workers_option
@options.field_options
@options.today_option
@options.cache_options
@report_option(FORMATS)
@against_options
@options.annotate_option
@options.colour_option
@click.option("--quiet", "-q", is_flag=True, help="Print only what does not pass, and no progress.")
def command(
    paths: tuple[Path, ...],
    trials: int | None,
    sample: Any,
    seed: int,
    confidence: float,
    workers: Crew,
    field: Path | None,
    carry_field: bool,
    today: date,
    cache_folder: Path | None,
    no_cache: bool,
    reports: tuple[tuple[str, Path], ...],
    annotate: str,
    colour: str,
    quiet: bool,
    against: Against,
) -> int:
    """Predict routines and judge every tolerance.

    PATHS are routine files or folders; by default the folder routines/. A routine is judged on its
    own field map and on each further one that it names, on both sides of the field if it says
    mirror.
    """
    from driftgate.cli.progress import ProgressLine
    from driftgate.report.terminal import render_terminal
    from driftgate.report.text import plain
    from driftgate.run.check import CheckSettings, check_routines, unchanged_report
    from driftgate.run.inputs import load_inputs

    if carry_field and field is None:
        raise click.UsageError("--carry-field needs --field")
    check_targets(reports if against.keep is None else (*reports, ("a baseline", against.keep)))
    affected = affected_paths(against, paths, field)
    chosen = tuple(paths) if affected is None else affected.paths
    most = options.usable_trials(trials, sample)
    cache = options.opened_cache(cache_folder, no_cache)
    settings = CheckSettings(
        chosen, most, seed, confidence, workers, field, carry_field, today, sample, cache
    )
    found = None
    _check_rooms(reports, settings)
    with ProgressLine(quiet) as progress:
        if affected is not None and not affected.paths:
            report = unchanged_report(settings, affected.words)
        else:
            report = check_routines(settings, progress)
        if report.status in (0, 1) and (against.baseline is not None or against.keep is not None):
            inputs = load_inputs(paths, field, carry_field)
            found = compared(against, settings, paths, inputs, affected, progress)
            keep(against, inputs, seed, workers, progress)
        pictures = _pictures(reports, settings, report, progress)
    if cache is not None and cache.trouble and not quiet:
        click.echo(f"driftgate: no cache: {plain(cache.trouble)}", err=True)
    status, why = final_status(report.status, report.why, found)
    if affected is not None and affected.paths:
        why = f"{why}; {affected.words}"
    # With the paths as typed: which routines a change affects is found anew.
    options_again = report.command.removeprefix(_begun(chosen))
    again = f"{_begun(paths)}{options_again}{against.words()}"
    report = replace(report, status=status, why=why, command=again)
    for form, path in reports:
        _write(form, path, report, pictures, found)
    wanted = options.wants_colour(colour)
    emit(render_terminal(report, colour=wanted, quiet=quiet))
    if found is not None:
        from driftgate.report.erosion import render_comparison

        emit(render_comparison(found, colour=wanted, quiet=quiet))
    if options.wants_annotations(annotate):
        from driftgate.report.as_annotations import render_annotations

        emit(render_annotations(report, found))
    say_status(report.status, report.why)
    return report.status


def _begun(paths: tuple[Path, ...]) -> str:
    return shlex.join(["driftgate", "check", *(path.as_posix() for path in paths)])


def _check_rooms(reports: tuple[tuple[str, Path], ...], settings: CheckSettings) -> None:
    """Refuse folders in which pictures would replace somebody else's files, before the work begins."""
    for form, path in reports:
        if form == "svg":
            from driftgate.run.pictures import check_room

            check_room(path, settings)


def _pictures(
    reports: tuple[tuple[str, Path], ...],
    settings: CheckSettings,
    report: RunReport,
    progress: Callable[[int, int, str], None],
) -> Pictures:
    """Return what the pictures show where a report shows any; nothing is gathered for the others."""
    if not any(form in PICTURED for form, _ in reports):
        return ()
    from driftgate.run.pictures import pictures_of

    return pictures_of(settings, report, progress)


def _write(form: str, path: Path, report: RunReport, pictures: Pictures, found: Comparison | None) -> None:
    from driftgate.report.with_comparison import with_comparison
    from driftgate.report.write import write_folder, write_whole

    if form == "html":
        from driftgate.report.as_html import render_html

        write_whole(path, render_html(report, pictures, found))
    elif form == "svg":
        from driftgate.report.as_svg import render_svg
        from driftgate.report.svg import MARK

        write_folder(path, render_svg(report, pictures), (MARK,))
    else:
        write_whole(path, with_comparison(form, report, found))
