"""What a night found out: how often every tolerance holds, as the routines are and under each fault.

Plain values, small enough to be kept for years.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from driftgate.judge.sampling import beyond_plain
from driftgate.judge.values import Status, worst

# What a fault does to a routine at a place; where that fails as it is, a fault can only break more.
Effect = Literal["breaks", "open", "survives", "already fails"]
# The cell of a routine as it is, without a fault.
AS_IT_IS: Final = ""
CONTACT: Final = "contact"


@dataclass(frozen=True)
class Counted:
    """One tolerance over the trials of a night.

    Attributes
    ----------
    name : str
        The checkpoint, "end" or "contact".
    required : float
        Probability required; for contact one minus what is allowed.
    trials, successes : int
        How many plain trials, and how many of them succeed, whatever kind of trial the verdict is from
        (`Cell.by_weights`): nights are compared by them.
    half : int
        Those that succeed and use at most half of the tolerance: they tell early that a spread has grown.
    status : {"pass", "fail", "undecided"}
        At the night's confidence.
    lower, upper : float
        One-sided bounds of the probability of success.
    used : float or None
        Share of the tolerance used at the required probability, an upper bound; None where the trials are too
        few to bound it, or those that fail do so for no matter of distance.
    axis : str
        The axis that uses the most; empty for contact.
    """

    name: str
    required: float
    trials: int
    successes: int
    half: int
    status: Status
    lower: float
    upper: float
    used: float | None
    axis: str

    @property
    def share(self) -> float:
        """Share of the plain trials that succeed."""
        return self.successes / self.trials


@dataclass(frozen=True)
class Cell:
    """A routine on one field and side, as it is or under one fault.

    Attributes
    ----------
    fault, title : str
        Key and words of the fault; empty as it is.
    way : str
        Which of its ways was the worst, in words; empty where there is only one.
    tried : int
        How many ways, or places, were tried for it.
    trials, together : int
        Trials of the verdict, and those in which everything succeeds.
    points : float
        Expected points.
    tolerances : tuple of Counted
        In order of time, contact last.
    """

    fault: str
    title: str
    way: str
    tried: int
    trials: int
    together: int
    points: float
    tolerances: tuple[Counted, ...]

    @property
    def status(self) -> Status:
        """Whether it survives: the worst of its tolerances."""
        return worst([one.status for one in self.tolerances])

    @property
    def share(self) -> float:
        """Share of the trials in which everything succeeds."""
        return self.together / self.trials

    @property
    def by_weights(self) -> frozenset[str]:
        """The tolerances whose verdict, bounds and `used` weighted trials have decided, never under a fault.

        Of contact where none is allowed, what they see decides too, but how rare it is plain ones tell.
        """
        if self.fault != AS_IT_IS:
            return frozenset()
        high = {one.name for one in self.tolerances if beyond_plain([one.required])}
        closed = {one.name for one in self.tolerances if one.name == CONTACT and one.required >= 1.0}
        return frozenset(high | closed if high else high)

    @property
    def used(self) -> float | None:
        """The largest share of a tolerance that is used; None where one is unknown."""
        shares = [one.used for one in self.tolerances if one.name != CONTACT]
        known = [share for share in shares if share is not None]
        return max(known, default=None) if len(known) == len(shares) else None


def place_words(field: str, side: str) -> str:
    """Return how people name a true field and a side of it."""
    return f"on {field}" + (", mirrored" if side == "mirrored" else "")


@dataclass(frozen=True)
class NightCase:
    """A routine on one true field and one side, with everything a night found out about it.

    Attributes
    ----------
    routine, title, robot, carried, field, side : str
        File and title of the routine, files of the robot, of the map that it carries and of the true field.
    inputs : tuple of (str, str)
        Fingerprint of the content of "routine", "robot", "carried map" and "field".
    cells : tuple of Cell
        As it is, then each fault; none where the plan is infeasible.
    """

    routine: str
    title: str
    robot: str
    carried: str
    field: str
    side: str
    inputs: tuple[tuple[str, str], ...]
    cells: tuple[Cell, ...]

    @property
    def place(self) -> str:
        """Field and side, for people."""
        return place_words(self.field, self.side)

    @property
    def as_it_is(self) -> Cell | None:
        """The cell without a fault."""
        return next((cell for cell in self.cells if cell.fault == AS_IT_IS), None)

    @property
    def already(self) -> frozenset[str]:
        """The tolerances that fail as it is."""
        cell = self.as_it_is
        return frozenset(one.name for one in cell.tolerances if one.status == "fail") if cell else frozenset()

    def effect(self, cell: Cell) -> Effect:
        """Return what a fault does: it breaks what fails under it and does not fail as it is."""
        status = worst([one.status for one in cell.tolerances if one.name not in self.already])
        if status == "fail":
            return "breaks"
        if self.already:
            return "already fails"
        return "open" if status == "undecided" else "survives"

    def breaks_first(self, cell: Cell) -> str:
        """Return the first tolerance in time that a fault breaks or leaves open; empty if there is none.

        It is contact where that makes half of that tolerance's failures. What fails as it is does not count.
        """
        open_ = [one for one in cell.tolerances if one.status != "pass" and one.name not in self.already]
        if not open_ or open_[-1].name != CONTACT:
            return open_[0].name if open_ else ""
        first, contact = open_[0], open_[-1]
        touched = contact.trials - contact.successes
        return CONTACT if 2 * touched >= first.trials - first.successes else first.name

    @property
    def key(self) -> tuple[str, str, str, str]:
        """What names it from night to night."""
        return self.routine, self.carried, self.field, self.side


@dataclass(frozen=True)
class Night:
    """One night.

    Attributes
    ----------
    night : str
        Its day, such as "2026-11-26".
    seed : int
        Of its trials.
    version, software : str
        driftgate's version, and a fingerprint of it and what it computes with.
    run : str
        Fingerprint of everything that the night depends on.
    trials, fault_trials, scout_trials : int
        Of each case as it is, under each fault, and of a coarse search.
    confidence : float
        Of every verdict.
    cases : tuple of NightCase
        In the order of the routines.
    """

    night: str
    seed: int
    version: str
    software: str
    run: str
    trials: int
    fault_trials: int
    scout_trials: int
    confidence: float
    cases: tuple[NightCase, ...]
