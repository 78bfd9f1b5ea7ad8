"""`driftgate schema`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final, cast

import click

from driftgate.cli.out import emit

DOCUMENTS: Final = ("routine", "field-map", "robot", "tape-sheet", "waivers")
REPORTS: Final = ("report", "budget", "side-by-side", "verification", "night", "settings")
KINDS: Final = (*DOCUMENTS, *REPORTS, "freeze", "hand-over", "test-vectors")


@click.command(
    epilog="""
    \b
    Examples:
      driftgate schema routine -o routine.schema.json
      driftgate schema report
      driftgate schema robot --keys

    \b
    To have an editor use one, name it in the first line of a file:
      # yaml-language-server: $schema=routine.schema.json
    """
)
@click.argument("kind", type=click.Choice(KINDS))
@click.option(
    "--output", "-o", type=click.Path(path_type=Path), default=None, help="Write to this file, not to stdout."
)
@click.option("--keys", is_flag=True, help="A table of all keys, for people; for kinds of document.")
def command(kind: str, output: Path | None, keys: bool) -> int:
    """Write the JSON Schema of a kind of document, or of a JSON report.

    report is that of check, with what --baseline adds; side-by-side that of compare, verification that
    of verify, night and settings those of nightly and settings; freeze is the manifest that freeze writes;
    hand-over and test-vectors are what export writes.
    """
    text = _keys(kind) if keys else json.dumps(_schema(kind), indent=2, ensure_ascii=False) + "\n"
    if output is None:
        emit(text)
        return 0
    from driftgate.report.write import write_whole

    write_whole(output, text)
    return 0


def _keys(kind: str) -> str:
    from driftgate.load.document import Kind
    from driftgate.load.key_list import key_text

    if kind not in DOCUMENTS:
        raise click.UsageError(f"--keys is for {', '.join(DOCUMENTS)}; a {kind} is written, not read")
    return key_text(cast("Kind", kind.replace("-", " ")))


def _schema(kind: str) -> dict[str, Any]:
    if kind == "report":
        from driftgate.report.record_schema import report_schema

        return report_schema()
    if kind == "budget":
        from driftgate.report.budget_schema import SCHEMA

        return SCHEMA
    if kind == "night":
        from driftgate.report.night_schema import SCHEMA as NIGHT_SCHEMA

        return NIGHT_SCHEMA
    if kind == "side-by-side":
        from driftgate.report.record_schema import side_by_side_schema

        return side_by_side_schema()
    if kind == "settings":
        from driftgate.report.record_schema import settings_schema

        return settings_schema()
    if kind in ("hand-over", "test-vectors"):
        from driftgate.export.json_schema import schema_of

        return schema_of(kind)
    if kind == "verification":
        from driftgate.report.record_schema import verification_schema

        return verification_schema()
    from driftgate.load.document import Kind
    from driftgate.load.json_schema import json_schema

    return json_schema(cast("Kind", kind.replace("-", " ")))
