"""A checked document that remembers where everything stood in its file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from driftgate.core.findings import DocPath as DocPath
from driftgate.core.findings import Finding, Level
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.freeze import Freeze
from driftgate.schema.robot import Robot
from driftgate.schema.routine import Routine
from driftgate.schema.tape import TapeSheet
from driftgate.schema.waivers import Waivers

Kind = Literal["routine", "field map", "robot", "tape sheet", "waivers", "freeze"]
AnyModel = Routine | FieldMap | Robot | TapeSheet | Waivers | Freeze

# Appended to the path of a value it gives the place of the key. No key in a file can equal it.
KEY: Final = "\0key"


@dataclass(frozen=True, eq=False)
class Source:
    """A file's lines and the place of every value and key in it.

    Attributes
    ----------
    path : str
        Relative to the repository root, with forward slashes.
    lines : tuple of str
        The file without line ends.
    positions : mapping
        From path in the document, such as ("steps", 3, "to"), to line and column, counted from 1;
        with `KEY` appended, those of the key.
    """

    path: str
    lines: tuple[str, ...]
    positions: Mapping[DocPath, tuple[int, int]]

    def where(self, doc_path: DocPath) -> tuple[int, int, str]:
        """Return line, column and text of the line of a value, or of its nearest known ancestor."""
        rest = tuple(doc_path)
        place = self.positions.get(rest)
        while place is None and rest:
            rest = rest[:-1]
            place = self.positions.get(rest)
        if place is None:
            return 0, 0, ""
        return place[0], place[1], self.line_text(place[0])

    def line_text(self, line: int) -> str:
        """Return the line's text; empty outside the file."""
        return self.lines[line - 1] if 0 < line <= len(self.lines) else ""

    def finding(
        self, code: str, doc_path: DocPath, message: str, suggestion: str = "", level: Level = "error"
    ) -> Finding:
        """Return a finding at a value, or at its nearest known ancestor."""
        line, column, excerpt = self.where(doc_path)
        return Finding(self.path, line, column, code, message, level, suggestion, excerpt)


@dataclass(frozen=True, eq=False)
class Document(Source):
    """A document free of faults of its own.

    Attributes
    ----------
    kind : str
        Which of them.
    model : AnyModel
        What it says, in SI.
    """

    kind: Kind
    model: AnyModel

    @property
    def routine(self) -> Routine:
        """The model of a routine document; TypeError for another kind."""
        if not isinstance(self.model, Routine):
            raise TypeError(f"{self.path} is a {self.kind}, not a routine")
        return self.model

    @property
    def field_map(self) -> FieldMap:
        """The model of a field map document; TypeError for another kind."""
        if not isinstance(self.model, FieldMap):
            raise TypeError(f"{self.path} is a {self.kind}, not a field map")
        return self.model

    @property
    def robot(self) -> Robot:
        """The model of a robot document; TypeError for another kind."""
        if not isinstance(self.model, Robot):
            raise TypeError(f"{self.path} is a {self.kind}, not a robot")
        return self.model
