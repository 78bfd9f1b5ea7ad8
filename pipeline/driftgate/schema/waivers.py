"""Waivers: changes after a code freeze that are let through, by whom, why, and until when."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Final, Literal

from pydantic import Field

from driftgate.schema.accepted import NOT_BLANK, Day
from driftgate.schema.base import Model, Text
from driftgate.schema.freeze import RepositoryPath

# What a waiver names in place of a file when the tool itself has changed, and the state of a file that
# is no longer there.
TOOL: Final = "driftgate"
GONE: Final = "gone"
STATE: Final = rf"^([0-9a-f]{{12,64}}|{GONE})$"

WaivedVerdict = Literal["none", "pass", "undecided", "fail"]


class Waiver(Model):
    """One change that is let through until a day, that day included.

    It holds for one state of one file: a further edit of the file, or a worse verdict on what it
    leads to, is not covered. 'driftgate verify' prints an entry for each change that needs one.
    """

    file: Annotated[
        RepositoryPath, Field(description=f"the changed file; '{TOOL}' for another version of the tool")
    ]
    state: Annotated[
        str,
        Field(
            pattern=STATE,
            description=f"first 12 digits or more of what the file is now, or '{GONE}'",
        ),
    ]
    verdict: Annotated[
        WaivedVerdict, Field(description="the worst verdict on routines that read it, at the time")
    ]
    who: Annotated[Text, Field(pattern=NOT_BLANK, description="who lets it through")]
    why: Annotated[Text, Field(pattern=NOT_BLANK, description="why it may be")]
    until: Annotated[date, Day()]


class Waivers(Model):
    """The waivers of a code freeze."""

    kind: Literal["waivers"]
    format: Literal[1]
    waivers: Annotated[list[Waiver], Field(max_length=500)]
