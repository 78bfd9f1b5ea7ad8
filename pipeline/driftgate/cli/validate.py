"""`driftgate validate`."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from driftgate.cli import options
from driftgate.cli.complete import Documents
from driftgate.cli.out import emit, say_status
from driftgate.cli.targets import check_targets, report_option

if TYPE_CHECKING:
    from driftgate.run.validate import Validation


@click.command(
    epilog="""
    \b
    Examples:
      driftgate validate
      driftgate validate routines/dash.yaml fieldmaps/
      driftgate validate logs/
      driftgate validate --report sarif=files.sarif

    Exit statuses: 0 every file is sound, 2 something is wrong, 5 nothing matched.
    """
)
@click.argument("paths", nargs=-1, type=Documents("routine", "robot", "field map"))
@report_option(("sarif",))
@options.annotate_option
@options.colour_option
def command(
    paths: tuple[Path, ...], reports: tuple[tuple[str, Path], ...], annotate: str, colour: str
) -> int:
    """Read files and report everything that is wrong with them, with its place.

    PATHS are files or folders; by default the folder routines/ and all that its routines refer to.
    Logged runs and lists of beacons (*.csv) are read where they, their folder or a pattern is named; files of
    one run may be joined by '+', and NAME.csv and NAME-poses.csv of a folder are.
    """
    from driftgate.report.findings import render_findings
    from driftgate.report.paint import Paint
    from driftgate.run.validate import validate_files

    check_targets(reports)
    found = validate_files(paths)
    for _, path in reports:
        _write_sarif(path, paths, found)
    lines = render_findings(found.findings, Paint(options.wants_colour(colour)))
    if lines:
        emit("\n".join(lines) + "\n")
    if options.wants_annotations(annotate):
        from driftgate.report.located_findings import findings_annotations

        emit(findings_annotations(found.findings))
    say_status(int(found.status), found.why)
    return int(found.status)


def _write_sarif(path: Path, paths: tuple[Path, ...], found: Validation) -> None:
    from driftgate import __version__
    from driftgate.report.located_findings import findings_sarif
    from driftgate.report.write import write_whole

    command = shlex.join(["driftgate", "validate", *(each.as_posix() for each in paths)])
    write_whole(path, findings_sarif(found.findings, __version__, command, int(found.status), found.why))
