"""What the judge says of single trials: plain numbers and words."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class FailureGroup:
    """Failing trials that have one main cause.

    Attributes
    ----------
    kind : str
        "contact", "late", "missed before", "strayed target", "wrong surface", "gate", "obstructed",
        "start placement", "drift" or "combined".
    cause : str
        In plain words.
    trials : int
        How many of the trials looked at.
    example : int
        Number of the lowest of them.
    """

    kind: str
    cause: str
    trials: int
    example: int


@dataclass(frozen=True)
class FailureCauses:
    """Why the trials of a case fail, by main cause.

    Attributes
    ----------
    failing : int
        Trials that fail at a tolerance that does not pass (where all pass: at any).
    looked_at : int
        Of these the first so many, by number, were run again; the groups' trials add up to it.
    groups : tuple of FailureGroup
        Largest first.
    """

    failing: int
    looked_at: int
    groups: tuple[FailureGroup, ...]
