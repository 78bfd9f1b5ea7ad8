"""The records that the reports of comparisons read: plain, frozen, free of clocks and of the machine."""

from __future__ import annotations

from dataclasses import dataclass

from driftgate.core.findings import Finding
from driftgate.judge.paired_values import Difference


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
