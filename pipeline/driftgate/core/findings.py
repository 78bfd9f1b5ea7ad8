"""One record for all that a user must see; reports only format it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Level = Literal["error", "warning", "note"]

DocPath = tuple[str | int, ...]
"""Where something stands in a document, such as ("steps", 3, "to")."""


@dataclass(frozen=True, order=True)
class Finding:
    """A statement about one place in one file.

    Attributes
    ----------
    path : str
        The file, relative to the repository root, with forward slashes.
    line, column : int
        Where in the file, counted from 1, columns in characters; 0 when the statement is about
        the whole file.
    code : str
        Stable code, a key of `driftgate.core.rules.RULES`.
    message : str
        What is wrong, what was expected, in one line.
    level : {"error", "warning", "note"}
        Errors decide the exit status.
    suggestion : str
        What to write instead; may be empty.
    excerpt : str
        The offending line of the file without its line end; may be empty.
    """

    path: str
    line: int
    column: int
    code: str
    message: str
    level: Level = "error"
    suggestion: str = ""
    excerpt: str = ""
