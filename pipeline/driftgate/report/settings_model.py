"""The settings that a case is made of, each with where it comes from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from driftgate.core.findings import Finding

Origin = Literal["file", "default", "derived", "environment", "command line"]
ORIGINS: Final[tuple[Origin, ...]] = ("file", "default", "derived", "environment", "command line")


@dataclass(frozen=True)
class Setting:
    """One value that is in force.

    Attributes
    ----------
    group : str
        What it belongs to: "files", "robot", "map carried", "true map", "routine", "step 3 'approach'",
        "filter", "run".
    key : str
        Its path in the document, items of a list by their names; or the name of an option.
    value : str
        As the file has it, else as it might stand there; "none" for what does not act.
    origin : Origin
        Which of them had the last word.
    file : str
        Where it is written; empty if it is not.
    line, column : int
        There, counted from 1; 0 if it is not written.
    note : str
        What it is derived from, or what it overrules.
    """

    group: str
    key: str
    value: str
    origin: Origin
    file: str = ""
    line: int = 0
    column: int = 0
    note: str = ""

    def where(self) -> str:
        """Return where it comes from, for people."""
        place = f"{self.file}:{self.line}" if self.file else self.origin
        return f"{place}, {self.note}" if self.note else place


@dataclass(frozen=True)
class SettingsReport:
    """Everything that is in force for one routine.

    Attributes
    ----------
    version : str
        Of driftgate.
    path, title : str
        Of the routine; empty if its files are not sound.
    settings : tuple of Setting
        In the order of the files.
    findings : tuple of Finding
        Of the files.
    status : int
        Exit status.
    why : str
        Why, in one line.
    """

    version: str
    path: str
    title: str
    settings: tuple[Setting, ...]
    findings: tuple[Finding, ...]
    status: int
    why: str
