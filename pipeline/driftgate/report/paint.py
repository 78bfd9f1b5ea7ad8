"""Colour for terminals, or none."""

from __future__ import annotations

from dataclasses import dataclass

_CODES = {"red": "31", "yellow": "33", "green": "32", "dim": "2", "bold": "1"}
_BY_LEVEL = {
    "error": "red",
    "warning": "yellow",
    "note": "dim",
    "fail": "red",
    "undecided": "yellow",
    "pass": "green",
}


@dataclass(frozen=True)
class Paint:
    """Wraps text in colour when `on`."""

    on: bool = False

    def __call__(self, text: str, colour: str) -> str:
        """Return the text in a colour of the terminal's own palette."""
        return f"\x1b[{_CODES[colour]}m{text}\x1b[0m" if self.on else text

    def level(self, text: str, level: str) -> str:
        """Return the text in the colour of a finding's level or of a verdict."""
        return self(text, _BY_LEVEL[level])
