"""Types of the options of `driftgate new`, and of the answers to its questions."""

from __future__ import annotations

import difflib
import re
from typing import TYPE_CHECKING, Any, Final

import click
from click.shell_completion import CompletionItem

if TYPE_CHECKING:
    from driftgate.first.values import Side, Typed

# What pip may be told. No blank, quote, dollar or brace: the text stands in a workflow file.
_INSTALL: Final = re.compile(r"[A-Za-z0-9./~][A-Za-z0-9._/+:@=~#&?%,!<>-]{0,199}", re.ASCII)


class AsTyped(click.ParamType[Any]):
    """A quantity with its unit, kept as it was typed."""

    def __init__(self, dimension: str, low: float, high: float) -> None:
        self.name = dimension
        self._low, self._high = low, high

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Typed:
        """Return text and number; a message says what is missing."""
        from driftgate.core.errors import UnitError
        from driftgate.core.units import parse_quantity
        from driftgate.first.values import Typed
        from driftgate.load.wording import quantity_fault
        from driftgate.schema.quantity import Quantity

        if isinstance(value, Typed):
            return value
        text = " ".join(str(value).split())
        try:
            number = parse_quantity(text, self.name)
        except UnitError:
            number = None
        if number is None or not self._low <= number <= self._high:
            _, message, advice = quantity_fault(text, [Quantity(self.name, self._low, self._high)])
            self.fail(f"{message}; {advice}" if advice else message, param, ctx)
        return Typed(text, number)


class Sides(click.ParamType[Any]):
    """Sides of the robot, separated by commas; or none."""

    name = "sides"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[Side, ...]:
        """Return the sides in the order of a robot file."""
        from driftgate.first.values import SIDES

        if isinstance(value, tuple):
            return value
        words = [word for word in re.split(r"[,\s]+", str(value).lower()) if word]
        if words == ["none"]:
            return ()
        for word in words:
            if word not in SIDES:
                close = difflib.get_close_matches(word, SIDES, n=1)
                hint = f"did you mean '{close[0]}'?" if close else f"write any of {', '.join(SIDES)}, or none"
                self.fail(f"a robot has no side '{word}'; {hint}", param, ctx)
        if not words:
            self.fail(f"write any of {', '.join(SIDES)}, or none", param, ctx)
        return tuple(side for side in SIDES if side in words)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Return the list with one side more."""
        from driftgate.first.values import SIDES

        before, comma, word = incomplete.rpartition(",")
        more = [side for side in SIDES if side not in before.split(",")]
        names = [f"{before}{comma}{side}" for side in more if side.startswith(word)]
        return [CompletionItem(name) for name in [*names, "none"] if name.startswith(incomplete)]


class Install(click.ParamType[str]):
    """What pip installs from."""

    name = "what"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return it if it can stand in a workflow file."""
        if not _INSTALL.fullmatch(str(value)):
            self.fail(
                f"'{value}' is no folder or address that can stand in a workflow: no blanks, quotes, braces",
                param,
                ctx,
            )
        return str(value)
