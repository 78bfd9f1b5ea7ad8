"""Types of options that hold quantities, and what they parse to."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import click

from driftgate.core.errors import UnitError
from driftgate.core.units import article, parse_quantity


def one_quantity(option: str, text: str, dimension: str) -> float:
    """Return a quantity in SI; a usage error says what was expected."""
    try:
        return parse_quantity(text, dimension)
    except UnitError as error:
        raise click.UsageError(f"{option}: {error}") from error


def optional_length(option: str, text: str) -> float | None:
    """Return a length, or None for 'none'."""
    return None if text == "none" else one_quantity(option, text, "length")


def known(option: str, name: str, names: Iterable[str]) -> None:
    """Refuse a name that is not among those given."""
    names = list(names)
    if name not in names:
        close = difflib.get_close_matches(name, names, n=1)
        hint = f"did you mean '{close[0]}'?" if close else "one of " + ", ".join(names)
        raise click.UsageError(f"{option}: there is no '{name}'; {hint}")


class Quantity(click.ParamType[float]):
    """A quantity with its unit."""

    def __init__(self, dimension: str, above: float | None = None) -> None:
        self.name = dimension
        self._above = above

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return it in SI."""
        if isinstance(value, float):
            return value
        try:
            number = parse_quantity(value, self.name)
        except UnitError as error:
            self.fail(str(error), param, ctx)
        if self._above is not None and number <= self._above:
            self.fail(f"'{value}' must be more than {self._above:g}", param, ctx)
        return number


class RunFiles(click.ParamType[tuple[tuple[Path, ...], ...]]):
    """Runs: a file, files of one run joined by '+', a folder of runs, or a pattern."""

    name = "files"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[tuple[Path, ...], ...]:
        """Return the runs, each as its files."""
        if isinstance(value, tuple):
            return value
        from driftgate.run.log_files import runs_of
        from driftgate.run.status import InputError

        try:
            return tuple(runs_of(str(value)))
        except InputError as error:
            self.fail(str(error), param, ctx)


class Pair(click.ParamType[tuple[str, str]]):
    """KEY=VALUE."""

    name = "key=value"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, str]:
        """Return both, without blanks round them."""
        if isinstance(value, tuple):
            return value
        first, found, second = str(value).partition("=")
        if not found or not first.strip() or not second.strip():
            self.fail(f"'{value}' is not of the form KEY=VALUE", param, ctx)
        return first.strip(), second.strip()


class Quantities(click.ParamType[tuple[float, ...]]):
    """Quantities with their units, separated by commas."""

    name = "quantities"

    def __init__(self, *dimensions: str, negative: bool = False) -> None:
        self._dimensions = dimensions
        self._negative = negative

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, ...]:
        """Return the values in SI; none is negative unless that is allowed."""
        if isinstance(value, tuple):
            return value
        parts = str(value).split(",")
        if len(parts) != len(self._dimensions):
            words = ", ".join(article(dimension) for dimension in self._dimensions)
            self.fail(f"'{value}' should be {words}, separated by commas", param, ctx)
        try:
            found = tuple(parse_quantity(p.strip(), d) for p, d in zip(parts, self._dimensions, strict=True))
        except UnitError as error:
            self.fail(str(error), param, ctx)
        if min(found) < 0.0 and not self._negative:
            self.fail(f"'{value}' has a negative part", param, ctx)
        return found


class WayBackText(click.ParamType[Any]):
    """Refusals, factor, lost after; or none."""

    name = "way back"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the rule, None for 'none'."""
        from pydantic import ValidationError

        from driftgate.schema.correction import WayBack

        if isinstance(value, WayBack) or value == "none":
            return None if value == "none" else value
        parts = [part.strip() for part in str(value).split(",")]
        try:
            refusals, factor, lost_after = int(parts[0]), float(parts[1]), int(parts[2])
            return WayBack(refusals=refusals, factor=factor, lost_after=lost_after)
        except (ValueError, IndexError, ValidationError):
            self.fail(
                f"'{value}' is not 'refusals, factor, lost after' such as '4, 10, 10', or 'none'", param, ctx
            )
