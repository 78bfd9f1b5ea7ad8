"""The one record that every report format reads: plain, frozen, free of clocks and of the machine."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from driftgate.core.findings import Finding
from driftgate.judge.values import CaseVerdict, MomentVerdict, Status, worst


@dataclass(frozen=True)
class StepPlace:
    """A planned step for people: number from 1, what it does, its line in the file (0: unknown)."""

    number: int
    label: str
    line: int

    def words(self) -> str:
        """Return "step 3 (advance 0.30 m), line 14"."""
        where = f", line {self.line}" if self.line else ""
        return f"step {self.number} ({self.label}){where}"


@dataclass(frozen=True)
class DarkTime:
    """A time in which no sensor can give a fix on one coordinate; steps are indices from 0."""

    axis: str
    begin_s: float
    end_s: float
    first_step: int
    last_step: int


@dataclass(frozen=True)
class ReadingRow:
    """What became of one sensor's readings over all trials.

    Attributes
    ----------
    sensor : str
        Id of the sensor.
    outcomes : tuple of (str, int)
        Outcome in words and how many readings; outcomes without any are left out.
    wrongly_accepted, wrongly_refused : int
        Accepted though the echo came from elsewhere; refused though it came from the expected surface.
    mean_move_m : float
        Mean distance by which an accepted fix moved the belief. [m]
    """

    sensor: str
    outcomes: tuple[tuple[str, int], ...]
    wrongly_accepted: int
    wrongly_refused: int
    mean_move_m: float


@dataclass(frozen=True)
class AcceptedFinding:
    """A finding that the routine accepts: listed apart, without effect on any status.

    Attributes
    ----------
    finding : Finding
        The finding.
    reason : str
        Why it is accepted, from the routine.
    until : str
        The last day on which it is, as "2026-12-01".
    entry : int
        Which of the routine's exceptions accepts it, from 0.
    """

    finding: Finding
    reason: str
    until: str
    entry: int


@dataclass(frozen=True)
class CaseReport:
    """One routine on one pair of maps and one side.

    Attributes
    ----------
    path, title : str
        The routine's file, relative to the repository root, and its title.
    robot, believed_map, true_map : str
        Paths of the robot file, of the map that the robot carries, of the map that is true.
    true_title : str
        Title of the true map.
    side : str
        "as written" or "mirrored".
    duration_s, time_limit_s : float
        Planned duration and limit. [s]
    energy_j : float
        Largest kinetic energy on the plan, m v^2 / 2: what a hand or a foot in the way meets. [J]
    steps : tuple of StepPlace
        The planned steps.
    findings : tuple of Finding
        What the plan stage found.
    verdict : CaseVerdict or None
        None when the plan is infeasible: nothing is predicted then.
    places : tuple of (int, int)
        Line and column of each moment of the verdict.
    dark : tuple of DarkTime
        When no sensor can give a fix.
    readings : tuple of ReadingRow
        What became of the readings.
    accepted : tuple of AcceptedFinding
        What the plan stage found and the routine accepts; none of them is among the findings.
    tell : str
        The command that tells a trial of this case, without the trial and the seed.
    contact_place : tuple of (int, int)
        Line and column of what the routine says about contact; 0: unknown.
    at_fault : tuple of tuple of int
        For each moment of the verdict the planned steps that its reason names, from 0.
    """

    path: str
    title: str
    robot: str
    believed_map: str
    true_map: str
    true_title: str
    side: str
    duration_s: float
    time_limit_s: float
    energy_j: float
    steps: tuple[StepPlace, ...]
    findings: tuple[Finding, ...]
    verdict: CaseVerdict | None
    places: tuple[tuple[int, int], ...]
    dark: tuple[DarkTime, ...]
    readings: tuple[ReadingRow, ...]
    accepted: tuple[AcceptedFinding, ...] = ()
    tell: str = ""
    contact_place: tuple[int, int] = (0, 0)
    at_fault: tuple[tuple[int, ...], ...] = ()

    @property
    def feasible(self) -> bool:
        """Whether the plan stage found no error."""
        return not any(finding.level == "error" for finding in self.findings)

    @property
    def status(self) -> Status:
        """The worst verdict; an infeasible plan fails."""
        if not self.feasible or self.verdict is None:
            return "fail"
        return self.verdict.status

    @property
    def label(self) -> str:
        """Which case of the routine it is: "fieldmaps/hall.yaml, mirrored"."""
        return self.true_map if self.side == "as written" else f"{self.true_map}, {self.side}"


@dataclass(frozen=True)
class RunReport:
    """Everything that one run has to say.

    Attributes
    ----------
    version : str
        Of driftgate.
    seed, trials : int
        What reproduces the run.
    confidence : float
        Of every verdict.
    tolerances : int
        How many tolerances were judged, contact included: failing is judged at an error rate shared
        out over them.
    cases : tuple of CaseReport
        In order of path, map and side.
    findings : tuple of Finding
        Of the load stage, and of exceptions that are out of date.
    status : int
        Exit status.
    why : str
        Why, in one line.
    command : str
        What to type to get the same numbers.
    sample : {"sequential", "fixed"}
        Whether each case ended as soon as everything was decided, after at most `trials`, or took
        exactly so many.
    """

    version: str
    seed: int
    trials: int
    confidence: float
    tolerances: int
    cases: tuple[CaseReport, ...]
    findings: tuple[Finding, ...]
    status: int
    why: str
    command: str
    sample: Literal["sequential", "fixed"] = "sequential"

    @property
    def verdict(self) -> Status | None:
        """The worst verdict of all cases; None where nothing was judged."""
        return worst([case.status for case in self.cases]) if self.cases else None


def by_routine(cases: tuple[CaseReport, ...]) -> list[tuple[str, list[CaseReport]]]:
    """Return the cases of each routine, routines with the worst verdict first, then by path."""
    grouped: dict[str, list[CaseReport]] = {}
    for case in cases:
        grouped.setdefault(case.path, []).append(case)
    order = {"fail": 0, "undecided": 1, "pass": 2}
    return sorted(grouped.items(), key=lambda item: (order[worst([c.status for c in item[1]])], item[0]))


def worst_first(verdict: CaseVerdict) -> list[tuple[int, MomentVerdict]]:
    """Return the moments with their index: failing, undecided, passing; in order of time within."""
    order = {"fail": 0, "undecided": 1, "pass": 2}
    return sorted(enumerate(verdict.moments), key=lambda item: (order[item[1].status], item[0]))


def tightest(verdict: CaseVerdict) -> MomentVerdict:
    """Return the moment that uses the most of its tolerance; one whose use is unknown comes first."""
    return max(verdict.moments, key=lambda m: float("inf") if m.used is None else m.used)
