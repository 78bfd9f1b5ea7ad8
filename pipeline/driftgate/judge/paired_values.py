"""What a comparison gives: plain numbers and words, nothing that needs an array library to read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Word = Literal["worse", "no difference seen", "better"]

# Worst first.
WORDS: tuple[Word, ...] = ("worse", "no difference seen", "better")


@dataclass(frozen=True)
class Difference:
    """A difference, now minus before, with its interval; None where the trials are too few for one."""

    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class ErrorChange:
    """How the error on one axis, or the share of the tolerance, changed at the 95 % quantile.

    Attributes
    ----------
    axis : str
        The axis that uses the most of its tolerance on either side.
    error_before, error_now : float
        95 % of the runs err by no more. [m or rad]
    error : Difference or None
        Their difference. [m or rad]
    axis_used_before, axis_used_now : float
        What those errors are of this axis' own tolerance. [share]
    used_before, used_now : float
        95 % of the runs use no more of the tolerance, all axes together. [share]
    used : Difference or None
        Their difference: what the margin loses. [share]
    visible : float or None
        Smallest loss of margin that would have been seen; None where that cannot be told. [share]
    """

    axis: str
    error_before: float
    error_now: float
    error: Difference | None
    axis_used_before: float
    axis_used_now: float
    used_before: float
    used_now: float
    used: Difference | None
    visible: float | None

    @property
    def steady(self) -> bool:
        """Whether every section of the trials gives the same difference of the share used."""
        return self.used is not None and self.used.low is not None and self.used.low == self.used.high


@dataclass(frozen=True)
class Change:
    """What became of one tolerance.

    Attributes
    ----------
    name : str
        The checkpoint, "end", "contact", or "all together".
    word : {"worse", "no difference seen", "better"}
        What the trials show.
    trials, worse, better : int
        Pairs of trials; those that succeed only before, only now.
    before, now : float
        Share of the trials that succeed.
    success : Difference
        Their difference.
    p_value : float
        Of the exact test on discordant pairs, unadjusted.
    visible : float or None
        Smallest loss of success that would have been seen; None: none at all.
    errors : ErrorChange or None
        None for what is no matter of distance.
    same : bool
        Every trial came out the same, its errors included: there is no difference to be seen, unless
        in rarer trials than these.
    decided_by : {"success", "margin", ""}
        Which of the two makes it worse or better; empty where no difference is seen.
    """

    name: str
    word: Word
    trials: int
    worse: int
    better: int
    before: float
    now: float
    success: Difference
    p_value: float
    visible: float | None
    errors: ErrorChange | None
    same: bool = False
    decided_by: Literal["success", "margin", ""] = ""

    @property
    def shown_loss(self) -> float:
        """The loss of success or of margin, whichever is larger, that is shown with confidence."""
        losses = [0.0]
        if self.success.high is not None and self.word == "worse":
            losses.append(-self.success.high)
        used = None if self.errors is None else self.errors.used
        if used is not None and used.low is not None and self.word == "worse":
            losses.append(used.low)
        return max(losses)

    @property
    def blind_to(self) -> float | None:
        """The smallest loss, of success and of margin, that would surely have been seen; None: none."""
        if self.errors is None or self.same or self.errors.steady:
            return self.visible
        if self.visible is None or self.errors.visible is None:
            return None
        return max(self.visible, self.errors.visible)


@dataclass(frozen=True)
class Loosening:
    """A change of a document that makes a pass easier, or takes away what was judged.

    Attributes
    ----------
    path : str
        The file.
    line : int
        There, in the present version (for what is gone: where it would be); 0: unknown.
    where : str
        Place in the document: "steps.pot-a.within.x".
    before, now : str
        What it said and says, with units.
    why : str
        What kind of loosening it is.
    """

    path: str
    line: int
    where: str
    before: str
    now: str
    why: str
