"""`driftgate freeze`."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from driftgate.cli import options
from driftgate.cli.complete import Documents
from driftgate.cli.out import emit, say_status
from driftgate.cli.targets import check_targets, report_option

if TYPE_CHECKING:
    from driftgate.run.workers import Crew

FORMATS = ("json", "junit", "markdown")
DEFAULT = Path("routines/code.freeze")


@click.command(
    epilog="""
    \b
    Examples:
      driftgate freeze
      driftgate freeze --out routines/spring.freeze
      driftgate freeze routines/dash.yaml routines/round.yaml

    The manifest holds the files themselves, hashes of what they mean and of their bytes, hashes of
    the files generated for the robot, this driftgate's version, and every verdict with its margin.
    Its last line is its digest: note it down, and hand it to 'driftgate verify --expect'.

    Exit statuses: 0 everything passes and is frozen; nothing is written otherwise: 1 a tolerance
    breaks or is undecided or a plan is infeasible, 2 bad input or usage, 5 nothing matched.
    """
)
@click.argument("paths", nargs=-1, type=Documents("routine"))
@click.option(
    "--out",
    "out",
    type=options.FILE,
    default=DEFAULT,
    show_default=True,
    metavar="FILE",
    help="The manifest. No YAML file: it must not be taken for one of the routines beside it.",
)
@options.trials_options
@options.seed_option
@options.confidence_option
@options.workers_option
@options.today_option
@options.cache_options
@report_option(FORMATS, "the report of check")
@options.colour_option
@click.option("--quiet", "-q", is_flag=True, help="Print only what does not pass, and no progress.")
def command(
    paths: tuple[Path, ...],
    out: Path,
    trials: int | None,
    sample: Any,
    seed: int,
    confidence: float,
    workers: Crew,
    today: date,
    cache_folder: Path | None,
    no_cache: bool,
    reports: tuple[tuple[str, Path], ...],
    colour: str,
    quiet: bool,
) -> int:
    """Judge routines, and write the manifest of a code freeze if everything passes.

    PATHS are routine files or folders; by default the folder routines/.
    """
    from driftgate.cli.progress import ProgressLine
    from driftgate.report.terminal import render_terminal
    from driftgate.report.text import plain
    from driftgate.report.with_comparison import with_comparison
    from driftgate.report.write import write_whole
    from driftgate.run.check import CheckSettings
    from driftgate.run.freeze import freeze_routines, frozen_words

    check_targets((("the manifest", out), *reports))
    cache = options.opened_cache(cache_folder, no_cache)
    settings = CheckSettings(
        paths,
        options.usable_trials(trials, sample),
        seed,
        confidence,
        workers,
        today=today,
        sample=sample,
        cache=cache,
    )
    with ProgressLine(quiet) as progress:
        frozen = freeze_routines(settings, progress)
    report = frozen.report
    if frozen.text:
        write_whole(out, frozen.text)
    for form, path in reports:
        write_whole(path, with_comparison(form, report, None))
    emit(render_terminal(report, colour=options.wants_colour(colour), quiet=quiet))
    if not frozen.text:
        say_status(report.status, f"{report.why}: nothing was frozen")
        return report.status
    emit(f"frozen in {plain(out.as_posix())}, digest {frozen.digest}\n")
    say_status(report.status, frozen_words(frozen))
    return report.status
