"""The codes of findings about the history of nights."""

from __future__ import annotations

from typing import Final

from driftgate.core.rule import Rule

HISTORY: Final = (
    Rule(
        "DG801",
        "history cannot be used",
        "The database of the nights is damaged, belongs to another program or was written by a later "
        "driftgate. It is left as it is. 'driftgate nightly --rebuild' makes a new one from the files of the "
        "nights and keeps the old one beside it.",
    ),
    Rule(
        "DG802",
        "file of a night is damaged",
        "A night's file is written once; this one cannot be read, or was changed since. Bring it back from a "
        "backup, or move it away to do without this night.",
    ),
    Rule(
        "DG803",
        "file of a night is gone",
        "The history holds a night whose file is not there. Its figures are still used, but could not be "
        "made again. Bring the file back.",
        usual="warning",
    ),
)
