"""A doubt about a tape sheet, and how sure one has to be of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from driftgate.calibrate.found import FoundSource
from driftgate.core.findings import DocPath

# Confidence at which a contradiction is recognised, and at which it is suspected.
SURE: Final = 0.999
SUSPECTED: Final = 0.99

About = Literal["square", "straights"]


@dataclass(frozen=True)
class Doubt:
    """Something that speaks against a sheet.

    Attributes
    ----------
    place : tuple
        Where in the sheet.
    about : {"square", "straights"}
        Which numbers it touches.
    message : str
        What is wrong.
    advice : str
        What to look for, or to change.
    short : str
        A few words that go with the numbers.
    sure : bool
        Whether the sheet contradicts itself, so that nothing may be handed out.
    """

    place: DocPath
    about: About
    message: str
    advice: str
    short: str
    sure: bool = False


def each_of(tests: int, confidence: float) -> float:
    """Return the confidence of each of several tests that holds for all of them together (Bonferroni)."""
    return 1.0 - (1.0 - confidence) / tests


def with_doubts(sources: Sequence[FoundSource], doubts: Sequence[Doubt]) -> tuple[FoundSource, ...]:
    """Return error sources whose notes carry what is suspected of the measurements they come from."""
    found = []
    for source in sources:
        about = "straights" if source.path[-1] == "distance_scale" else "square"
        words = "; ".join(doubt.short for doubt in doubts if doubt.about == about)
        found.append(replace(source, note=f"DOUBTFUL ({words}): {source.note}") if words else source)
    return tuple(found)
