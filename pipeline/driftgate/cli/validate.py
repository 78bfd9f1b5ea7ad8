"""`driftgate validate`."""

from __future__ import annotations

from pathlib import Path

import click

from driftgate.cli import options
from driftgate.cli.out import emit, say_status


@click.command(
    epilog="""
    \b
    Examples:
      driftgate validate
      driftgate validate routines/dash.yaml fieldmaps/
      driftgate validate logs/2026-11-03-no-4.csv

    \b
    Exit statuses: 0 every file is sound, 2 something is wrong, 5 nothing matched.
    """
)
@click.argument("paths", nargs=-1, type=click.Path(path_type=Path))
@options.colour_option
def command(paths: tuple[Path, ...], colour: str) -> int:
    """Read files and report everything that is wrong with them, with its place.

    PATHS are files or folders; by default the folder routines/ and all that its routines refer to.
    Logged runs and lists of beacons (*.csv) are read where they are named themselves.
    """
    from driftgate.report.findings import render_findings
    from driftgate.report.paint import Paint
    from driftgate.run.validate import validate_files

    found = validate_files(paths)
    lines = render_findings(found.findings, Paint(options.wants_colour(colour)))
    if lines:
        emit("\n".join(lines) + "\n")
    say_status(int(found.status), found.why)
    return int(found.status)
