"""Reports that a command writes beside its output: the option, and whether they can be written."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final, TypeVar

import click
from click.shell_completion import CompletionItem

_FORMATS: Final = {"xml": "junit", "md": "markdown", "htm": "html"}
_EXAMPLES: Final = {"junit": "junit=report.xml", "markdown": "markdown=report.md", "svg": "svg=pictures"}
F = TypeVar("F", bound=Callable[..., Any])

# What these write is several files, into the folder that is named.
FOLDER_FORMATS = ("svg",)


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
            words = f"'{value}' is not FORMAT=FILE with FORMAT one of {', '.join(self._formats)}"
            self.fail(f"{words}{self._meant(str(value))}", param, ctx)
        return form, Path(file)

    def _meant(self, value: str) -> str:
        """Return what was probably meant by a file without its format."""
        suffix = value.rpartition(".")[2].lower()
        form = _FORMATS.get(suffix, suffix)
        return f"; write {form}={value}" if "=" not in value and form in self._formats else ""

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Return a whole report for each format: a name that one may keep."""
        names = [_EXAMPLES.get(form, f"{form}=report.{form}") for form in self._formats]
        return [CompletionItem(name) for name in names if name.startswith(incomplete)]


def report_option(formats: tuple[str, ...], what: str = "a report") -> Callable[[F], F]:
    """Return what adds --report to a command, for the formats that it can write."""
    *most, last = formats
    words = f"{', '.join(most)} or {last}" if most else last
    if set(formats) & set(FOLDER_FORMATS):
        words += f" ({', '.join(FOLDER_FORMATS)}: several files, FILE is their folder)"

    def add(function: F) -> F:
        return click.option(
            "--report",
            "reports",
            type=ReportTarget(formats),
            multiple=True,
            metavar="FORMAT=FILE",
            help=f"Also write {what}: {words}. May be given several times.",
        )(function)

    return add


def check_targets(targets: Sequence[tuple[str, Path]]) -> None:
    """Refuse, before the work begins, files that cannot be written, and two reports to one file.

    Raises
    ------
    click.UsageError
        If two go to one file.
    WriteError
        If a file cannot be written there.
    """
    from driftgate.report.write import check_folder, check_target

    seen: set[Path] = set()
    for _, path in targets:
        full = path.absolute()
        if full in seen:
            raise click.UsageError(f"two reports cannot go to one file: {path}")
        seen.add(full)
    for form, path in targets:
        (check_folder if form in FOLDER_FORMATS else check_target)(path)
