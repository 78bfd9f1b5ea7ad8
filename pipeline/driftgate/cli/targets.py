"""Where reports are written to: FORMAT=FILE."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import click


class ReportTarget(click.ParamType[tuple[str, Path]]):
    """FORMAT=FILE, the format one of those given."""

    name = "format=file"

    def __init__(self, formats: tuple[str, ...]) -> None:
        self._formats = formats

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, Path]:
        """Return format and file."""
        if isinstance(value, tuple):
            return value
        form, found, file = str(value).partition("=")
        if not found or form not in self._formats or not file:
            self.fail(
                f"'{value}' is not FORMAT=FILE with FORMAT one of {', '.join(self._formats)}", param, ctx
            )
        return form, Path(file)


def refuse_same_file(reports: Iterable[tuple[str, Path]]) -> None:
    """Refuse two reports that would go to one file."""
    seen: set[Path] = set()
    for _, path in reports:
        full = path.absolute()
        if full in seen:
            raise click.UsageError(f"two reports cannot go to one file: {path}")
        seen.add(full)
