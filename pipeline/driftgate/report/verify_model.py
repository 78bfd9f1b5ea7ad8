"""What a verification has to say: plain, frozen, free of clocks and of the machine."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from driftgate.core.findings import Finding
from driftgate.judge.values import Status


@dataclass(frozen=True)
class WaivedFinding:
    """A finding that a waiver lets through: listed apart, without effect on the status.

    Attributes
    ----------
    finding : Finding
        The finding.
    who, why, until : str
        From the waiver; the last day as "2026-12-01".
    """

    finding: Finding
    who: str
    why: str
    until: str


@dataclass(frozen=True)
class NeededWaiver:
    """What a waiver would say that lets a change through; who, why and until when is for people.

    Attributes
    ----------
    file, state, verdict : str
        As in `driftgate.schema.waivers.Waiver`.
    """

    file: str
    state: str
    verdict: str


@dataclass(frozen=True)
class MarginNow:
    """A tolerance of a changed routine, as frozen and as judged now.

    Attributes
    ----------
    path, label : str
        The routine, and on which field and side.
    name : str
        The checkpoint, or "end".
    verdict : {"pass", "fail", "undecided"}
        Now.
    margin_then, margin_now : float or None
        Share of the tolerance that is left; None where there is none, or the trials do not show it.
    """

    path: str
    label: str
    name: str
    verdict: Status
    margin_then: float | None
    margin_now: float | None


@dataclass(frozen=True)
class Risk:
    """How close one side of a routine comes to failing on the field of the day.

    Attributes
    ----------
    path, title, side : str
        The routine and its side.
    verdict : {"pass", "fail", "undecided"}
        The worst of its tolerances and contact.
    tolerance, axis : str
        What is tightest: a checkpoint or "end", with its axis; "contact"; "plan" where it cannot be driven.
    line : int
        Where that stands in the routine.
    margin_then, margin_now : float or None
        Share of that tolerance that is left: as frozen, on the map that the robot carries, and now.
    trials : int
        That it took.
    reason : str
        Why, in a sentence or two.
    failing : tuple of Finding
        Each of its tolerances that does not hold, contact, or what makes the plan infeasible.
    """

    path: str
    title: str
    side: str
    verdict: Status
    tolerance: str
    axis: str
    line: int
    margin_then: float | None
    margin_now: float | None
    trials: int
    reason: str
    failing: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class FieldOfTheDay:
    """The frozen routines on the field as taped out; the robot keeps the map that it carries.

    Attributes
    ----------
    path, title : str
        The map.
    differences : tuple of str
        The first few values in which it differs from the maps that robots carry, each with file and line.
    differing : int
        How many there are.
    risks : tuple of Risk
        Closest to failing first.
    """

    path: str
    title: str
    differences: tuple[str, ...]
    differing: int
    risks: tuple[Risk, ...]


@dataclass(frozen=True)
class Verification:
    """Everything that one verification has to say.

    Attributes
    ----------
    version : str
        Of this driftgate.
    manifest, digest, frozen_version : str
        The manifest, what it says its digest is, and the driftgate that wrote it; empty where it
        cannot be used.
    files, routines : int
        How many were frozen.
    seed, trials, sample, confidence
        Of every verdict, as frozen.
    findings : tuple of Finding
        What counts.
    waived : tuple of WaivedFinding
        What does not.
    needed : tuple of NeededWaiver
        For each change without a waiver, what one would say.
    rejudged : tuple of MarginNow
        Tolerances of the routines that were judged again.
    field : FieldOfTheDay or None
        The field of the day, if one was given.
    status : int
        Exit status.
    why : str
        Why, in one line.
    command : str
        What to type to get the same.
    waivers : str
        The file of the waivers.
    waivers_there : bool
        Whether there is one.
    """

    version: str
    manifest: str
    digest: str
    frozen_version: str
    files: int
    routines: int
    seed: int
    trials: int
    sample: Literal["sequential", "fixed"]
    confidence: float
    findings: tuple[Finding, ...]
    waived: tuple[WaivedFinding, ...]
    needed: tuple[NeededWaiver, ...]
    rejudged: tuple[MarginNow, ...]
    field: FieldOfTheDay | None
    status: int
    why: str
    command: str
    waivers: str = ""
    waivers_there: bool = True
