"""`driftgate export`."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from driftgate.cli import options
from driftgate.cli.complete import Documents
from driftgate.cli.out import emit, say_status

if TYPE_CHECKING:
    from driftgate.run.export import ExportedCase


@click.command(
    epilog="""
    \b
    Examples:
      driftgate export routines/dash.yaml --out robot/generated
      driftgate export --out robot/generated
      driftgate export --out robot/generated \\
          --field fieldmaps/as-measured.yaml --carry-field

    \b
    What it writes, for each routine and side:
      NAME.h             the routine and its correction as C constants, SI units
      NAME.json          the same
      NAME.vectors.h     test vectors: what the robot's code gets and must give
      NAME.vectors.json  the same
      NAME.host.c        a program for a computer: the steps, and the vectors

    And once: driftgate_types.h, the correction itself as C (driftgate_correction.*), and what the
    programs need. C11, C++17 as well; nothing but <math.h>.

    Exit statuses: 0 written, 1 a plan is infeasible (nothing is written), 2 bad input or usage,
    5 nothing matched.
    """
)
@click.argument("paths", nargs=-1, type=Documents("routine"))
@click.option(
    "--out",
    "folder",
    type=click.Path(path_type=Path),
    required=True,
    metavar="FOLDER",
    help="Where to write; made if need be. Files that driftgate did not write are never replaced.",
)
@options.handed_field_options
@options.today_option
@options.colour_option
def command(
    paths: tuple[Path, ...], folder: Path, field: Path | None, carry_field: bool, today: date, colour: str
) -> int:
    """Hand routines over to the robot's own code: the very numbers that are predicted with.

    PATHS are routine files or folders; by default the folder routines/. The robot carries the
    routine's own field map, or with --carry-field that of --field.
    """
    from driftgate.report.caution import SHORT
    from driftgate.report.explain import render_infeasible
    from driftgate.report.findings import render_findings
    from driftgate.report.paint import Paint
    from driftgate.run.export import check_room, export_routines, write_export

    if carry_field != (field is not None):
        raise click.UsageError(
            "a robot's code knows the map that it carries: --field and --carry-field go together"
        )
    check_room(folder)
    found = export_routines(paths, field, carry_field, today)
    wanted = options.wants_colour(colour)
    lines = render_findings(found.findings, Paint(wanted))
    text = "\n".join(lines) + "\n" if lines else ""
    for report in found.infeasible:
        text += render_infeasible(report, wanted)
    why = found.why
    if found.cases:
        count = write_export(folder, found.cases)
        text += "".join(_told(case) for case in found.cases) + f"{SHORT}\n"
        why = f"{count} files of {why} written"
    emit(text)
    say_status(int(found.status), why)
    return int(found.status)


def _told(case: ExportedCase) -> str:
    from driftgate.report.text import plain

    return (
        f"{plain(case.path)}  {plain(case.title)}, {case.side}\n"
        f"  fingerprint {case.short_fingerprint}  {case.vectors} test vectors\n"
        f"  {case.name} {', '.join(file.removeprefix(case.name) for file in case.files)}\n"
    )
