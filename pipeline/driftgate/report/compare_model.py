"""The records that the reports of comparisons read: plain, frozen, free of clocks and of the machine."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from driftgate.core.findings import Finding
from driftgate.judge.paired_values import Change, Difference, Loosening

Policy = Literal["off", "warn", "fail"]


@dataclass(frozen=True)
class Figure:
    """A figure of a variant and how it differs from the first variant's; None for the first itself."""

    value: float
    difference: Difference | None


@dataclass(frozen=True)
class AxisFigure:
    """What 95 % of the runs stay within on one axis of a tolerance. [m or rad]"""

    axis: str
    error: Figure


@dataclass(frozen=True)
class MomentFigures:
    """One checkpoint, or the end, of one variant.

    Attributes
    ----------
    name : str
        The checkpoint, or "end".
    success : Figure
        Probability of success.
    axes : tuple of AxisFigure
        In the order of the tolerance.
    """

    name: str
    success: Figure
    axes: tuple[AxisFigure, ...]


@dataclass(frozen=True)
class VariantReport:
    """One variant.

    Attributes
    ----------
    name : str
        Of the variant.
    changes : str
        What it changes, as the command line says it; empty for the first.
    robot, believed_map, true_map : str
        The files.
    findings : tuple of Finding
        Of its plan; an error among them means that nothing is predicted.
    success : Figure or None
        Everything together, contact included; None when nothing is predicted.
    contact : Figure or None
        Probability of unintended contact.
    fixes, wrongly_accepted, wrongly_refused : Figure or None
        Readings a run, all sensors together.
    moments : tuple of MomentFigures
        In order of time, the end last.
    same : bool
        Every trial came out as that of the first variant, its errors included.
    """

    name: str
    changes: str
    robot: str
    believed_map: str
    true_map: str
    findings: tuple[Finding, ...]
    success: Figure | None = None
    contact: Figure | None = None
    fixes: Figure | None = None
    wrongly_accepted: Figure | None = None
    wrongly_refused: Figure | None = None
    moments: tuple[MomentFigures, ...] = ()
    same: bool = False


@dataclass(frozen=True)
class SideBySide:
    """Variants of one case beside each other.

    Attributes
    ----------
    version : str
        Of driftgate.
    path, title, side : str
        The routine and the side of the field.
    seed, trials : int
        Common to all variants.
    confidence : float
        Of each interval by itself.
    variants : tuple of VariantReport
        The first is what the others are held against.
    findings : tuple of Finding
        Of the load stage.
    status : int
        Exit status.
    why : str
        Why, in one line.
    command : str
        What to type to get the same numbers.
    strict : int
        How many tolerances require so much that plain trials hardly show a failure.
    """

    version: str
    path: str
    title: str
    side: str
    seed: int
    trials: int
    confidence: float
    variants: tuple[VariantReport, ...]
    findings: tuple[Finding, ...]
    status: int
    why: str
    command: str
    strict: int = 0


@dataclass(frozen=True)
class CaseChange:
    """What became of one case since the baseline.

    Attributes
    ----------
    path, title : str
        The routine.
    label : str
        True map and side.
    was_path : str
        The routine's file in the baseline, where it had another name; else empty.
    changes : tuple of Change
        Every tolerance that both have, then contact, then all together.
    renamed : tuple of (str, str)
        Checkpoints that had another name, and the name they have.
    new, gone : tuple of str
        Checkpoints that only one of the two has.
    note : str
        Why nothing is compared; empty otherwise.
    broke : bool
        The plan was feasible and is no longer.
    unchanged : bool
        Everything that the trials depend on is as it was, so every trial comes out as it did; none was run.
    """

    path: str
    title: str
    label: str
    was_path: str = ""
    changes: tuple[Change, ...] = ()
    renamed: tuple[tuple[str, str], ...] = ()
    new: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    note: str = ""
    broke: bool = False
    unchanged: bool = False


@dataclass(frozen=True)
class Comparison:
    """Everything that a comparison with a baseline has to say.

    Attributes
    ----------
    baseline : str
        What it is: revision and commit, or file.
    seed, trials : int
        Common to both sides.
    confidence : float
        Of all words and intervals together.
    tolerances : int
        Over how many comparisons it is shared.
    allowed : float
        Loss of success, or of margin as a share of the tolerance, that is let through.
    policy : {"off", "warn", "fail"}
        What erosion does to the exit status.
    loosenings : tuple of Loosening
        Changes of the documents that make a pass easier.
    cases : tuple of CaseChange
        In order of path, map and side.
    new, gone : tuple of str
        Cases that only one of the two has.
    unread : tuple of Finding
        What the present tool finds wrong with the baseline's files.
    tool : tuple of str
        Where the present tool judges a kept baseline otherwise than when it was kept.
    strict : int
        How many tolerances require so much that plain trials hardly show a failure.
    """

    baseline: str
    seed: int
    trials: int
    confidence: float
    tolerances: int
    allowed: float
    policy: Policy
    loosenings: tuple[Loosening, ...] = ()
    cases: tuple[CaseChange, ...] = ()
    new: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    unread: tuple[Finding, ...] = ()
    tool: tuple[str, ...] = ()
    strict: int = 0

    @property
    def lost(self) -> tuple[tuple[CaseChange, Change], ...]:
        """Every tolerance that is shown to have lost more than is allowed."""
        return tuple(
            (case, change)
            for case in self.cases
            for change in case.changes
            if change.word == "worse" and change.shown_loss > self.allowed
        )

    @property
    def eroded(self) -> tuple[str, ...]:
        """Why this counts as erosion, in short; empty: it does not."""
        broke = sum(case.broke for case in self.cases)
        parts = (
            (len(self.loosenings), "loosening", "loosenings"),
            (broke, "plan no longer feasible", "plans no longer feasible"),
            (len(self.lost), "loss beyond what is allowed", "losses beyond what is allowed"),
            (len(self.gone), "case gone", "cases gone"),
            (len(self.unread), "error in the baseline's files", "errors in the baseline's files"),
        )
        return tuple(f"{number} {one if number == 1 else many}" for number, one, many in parts if number)
