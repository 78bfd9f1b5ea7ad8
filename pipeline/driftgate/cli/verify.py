"""`driftgate verify`."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from driftgate.cli import options
from driftgate.cli.freeze import DEFAULT
from driftgate.cli.out import emit, say_status
from driftgate.cli.targets import check_targets, report_option

if TYPE_CHECKING:
    from driftgate.run.workers import Crew


FORMATS = ("json", "junit", "sarif", "markdown")


class Digest(click.ParamType[str]):
    """The first digits of a digest, 12 or more."""

    name = "digest"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the digits."""
        text = str(value).strip().lower().removeprefix("sha256:")
        if not re.fullmatch(r"[0-9a-f]{12,64}", text, re.ASCII):
            self.fail("a digest is 12 to 64 of the digits 0-9 and a-f, as 'driftgate freeze' prints it")
        return text


@click.command(
    epilog="""
    \b
    Examples:
      driftgate verify
      driftgate verify --expect 3f2a9c01d4e5
      driftgate verify --field fieldmaps/taped-out.yaml
      driftgate verify routines/spring.freeze --report junit=freeze.xml

    What has changed is named, file by file and value by value; comments, titles and spacing are
    only noted. Routines that a change can affect are judged again. A change may be let through by a
    waiver, in a YAML file that 'driftgate schema waivers' describes; for each change that needs
    one, its entry is printed, to be completed.

    Exit statuses: 0 everything is as frozen, or let through, and holds on the field of the day;
    1 something is not; 2 the manifest is damaged or not the one expected, bad input, bad usage.
    """
)
@click.argument("manifest", type=options.FILE, default=DEFAULT)
@click.option(
    "--expect",
    type=Digest(),
    default=None,
    help="First digits, 12 or more, of the digest that the manifest must have.",
)
@click.option(
    "--field",
    type=options.FIELD_FILE,
    default=None,
    metavar="FILE",
    help="The field as taped out: judge every routine on it too, as the true field; robots keep their maps.",
)
@click.option(
    "--robot-files",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    default=None,
    metavar="FOLDER",
    help="Where 'driftgate export' wrote: is that what the present routines give?",
)
@click.option(
    "--waivers",
    type=options.FILE,
    default=None,
    metavar="FILE",
    help="Changes that are let through.  [default: waivers.yaml beside the manifest]",
)
@click.option(
    "--trials",
    type=options.Count(1, options.MOST_EVER),
    default=None,
    help="Most trials of each case that is judged.  [default: as frozen]",
)
@options.workers_option
@options.today_option
@options.cache_options
@report_option(FORMATS)
@options.annotate_option
@options.colour_option
@click.option("--quiet", "-q", is_flag=True, help="Print only what is not as frozen, and no progress.")
def command(
    manifest: Path,
    expect: str | None,
    field: Path | None,
    robot_files: Path | None,
    waivers: Path | None,
    trials: int | None,
    workers: Crew,
    today: date,
    cache_folder: Path | None,
    no_cache: bool,
    reports: tuple[tuple[str, Path], ...],
    annotate: str,
    colour: str,
    quiet: bool,
) -> int:
    """Hold everything against the MANIFEST of a code freeze; call it in the repository's own folder.

    With --field also name the routines that are at risk on the field as taped out that morning, the
    closest to failing first, and why.
    """
    from driftgate.cli.progress import ProgressLine
    from driftgate.report.verify_formats import render_as
    from driftgate.report.verify_text import render_verification
    from driftgate.report.write import write_whole
    from driftgate.run.verify import VerifySettings, verify

    check_targets(reports)
    settings = VerifySettings(
        manifest,
        today,
        expect or "",
        waivers,
        field,
        robot_files,
        trials,
        workers,
        options.opened_cache(cache_folder, no_cache),
    )
    with ProgressLine(quiet) as progress:
        found = verify(settings, progress)
    for form, path in reports:
        write_whole(path, render_as(form, found))
    emit(render_verification(found, colour=options.wants_colour(colour), quiet=quiet))
    if options.wants_annotations(annotate):
        from driftgate.report.located_findings import verification_annotations

        emit(verification_annotations(found))
    say_status(found.status, found.why)
    return found.status
