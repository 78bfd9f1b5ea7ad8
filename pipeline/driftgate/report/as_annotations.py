"""Workflow commands: lines of a log that a build server shows beside the lines of a change.

A command is `::error file=...,line=...::message`. The rules of escaping are those of the servers that read
them, from memory: "%", carriage return and line feed in the message, and ":" and "," as well in a property.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from driftgate.core.rules import RULES
from driftgate.report.compare_model import Comparison
from driftgate.report.located import Located, located
from driftgate.report.model import RunReport
from driftgate.report.text import plain

# Servers show the first ten of a level and silently drop the others.
MOST: Final = 10
_LONGEST: Final = 2000  # characters of a message; nobody reads more beside a line
_COMMANDS: Final = {"error": "error", "warning": "warning", "note": "notice"}


def render_annotations(report: RunReport, found: Comparison | None = None) -> str:
    """Return workflow commands for what does not pass and for findings, worst first; may be empty.

    Parameters
    ----------
    report : RunReport
        The run. What its routines accept is left out.
    found : Comparison, optional
        What has become of it since a baseline.

    Returns
    -------
    str
        At most `MOST` commands, and one more that says how many are left out.
    """
    return annotations_of(located(report, found))


def annotations_of(found: Sequence[Located]) -> str:
    """Return workflow commands for what is not let through, in the order given; may be empty."""
    items = [item for item in found if not item.accepted]
    lines = [_command(item) for item in items[:MOST]]
    if len(items) > MOST:
        lines.append(f"::notice title=driftgate::+{len(items) - MOST} more: the report above has them all")
    return "".join(f"{line}\n" for line in lines)


def _command(item: Located) -> str:
    properties = {"title": f"{item.code} {RULES[item.code].title}"}
    if item.path:
        place = {"file": plain(item.path), "line": str(max(item.line, 1))}
        if item.line and item.column:
            place["col"] = str(item.column)
        properties = {**place, **properties}
    shown = ",".join(f"{name}={escape_property(value)}" for name, value in properties.items())
    text = "\n".join((item.message, *item.more))
    if len(text) > _LONGEST:
        text = text[: _LONGEST - 1] + "…"
    return f"::{_COMMANDS[item.level]} {shown}::{escape_data(text)}"


def escape_data(text: str) -> str:
    """Return a text as the message of a workflow command, from which it reads back the same."""
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def escape_property(text: str) -> str:
    """Return a text as the value of a property of a workflow command."""
    return escape_data(text).replace(":", "%3A").replace(",", "%2C")
