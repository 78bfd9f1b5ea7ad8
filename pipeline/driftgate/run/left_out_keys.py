"""What a key that is left out stands for, where that is something: another key's value, or a rule."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pydantic import BaseModel

from driftgate.judge.value_words import value_words
from driftgate.schema.drift import ErrorSources
from driftgate.schema.fieldmap import Presence, Stray
from driftgate.schema.robot import Controller
from driftgate.schema.sensor import FalseReturn, RandomReturn, ShortReturn


@dataclass(frozen=True)
class StandIn:
    """What acts in place of a key that is left out.

    Attributes
    ----------
    same_as : str
        The key of the same section whose value it takes; empty if it takes none.
    words : str
        What it then is, in words, if it takes no other key's value.
    """

    same_as: str = ""
    words: str = ""


# Every key that may be left out and then has no default of its own, but acts all the same. Of the others
# `none` is the truth: without them nothing acts, no test is made, no limit holds.
STAND_INS: Final[dict[tuple[type[BaseModel], str], StandIn]] = {
    (Controller, "distance_time_constant"): StandIn(same_as="time_constant"),
    (ErrorSources, "sideways_scale"): StandIn(same_as="distance_scale"),
    (FalseReturn, "distance"): StandIn(words="anywhere behind the surface, in reach"),
    (ShortReturn, "distance"): StandIn(words="anywhere before the surface, in reach"),
    (RandomReturn, "at"): StandIn(words="anywhere in reach"),
    (Stray, "region"): StandIn(words="anywhere inside the walls"),
    (Presence, "end"): StandIn(words="to the end"),
}


def stand_in(holder: BaseModel, name: str) -> tuple[str, str] | None:
    """Return what acts in place of a key that is left out, and what it is from; None: nothing acts.

    Parameters
    ----------
    holder : BaseModel
        The section.
    name : str
        Its key, which has no value there.
    """
    found = STAND_INS.get((type(holder), name))
    if found is None:
        return None
    if not found.same_as:
        return found.words, ""
    if getattr(holder, found.same_as) is None:
        return None
    return value_words(holder, found.same_as), f"from {found.same_as}"
