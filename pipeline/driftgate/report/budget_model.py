"""What the budget command reports: plain, frozen, as `driftgate.report.model`."""

from __future__ import annotations

from dataclasses import dataclass

from driftgate.core.findings import Finding
from driftgate.judge.budget import MomentBudget
from driftgate.judge.growth import Growth
from driftgate.judge.improve import Improvement
from driftgate.report.model import CaseReport


@dataclass(frozen=True)
class BudgetReport:
    """The error budget of one case.

    Attributes
    ----------
    version : str
        Of driftgate.
    findings : tuple of Finding
        Of the load stage.
    case : CaseReport or None
        The case; None where the files do not load.
    moments : tuple of MomentBudget
        Checkpoints in order of time, then the end; empty where the plan is infeasible.
    growths : tuple of Growth or None
        How much each source may grow, the tightest first; None if not asked for.
    broken : tuple of str
        Tolerances that are broken as it is, which growth does not look at.
    improvements : tuple of Improvement or None
        What single changes would buy, the most first; None if not asked for.
    trials, redraws, seed : int
        Trials of the verdicts, trials of each run with a source redrawn or switched off, seed.
    confidence : float
        Of the verdicts.
    status : int
        Exit status.
    why : str
        Why, in one line.
    command : str
        What to type to get the same numbers.
    """

    version: str
    findings: tuple[Finding, ...]
    case: CaseReport | None
    moments: tuple[MomentBudget, ...]
    growths: tuple[Growth, ...] | None
    broken: tuple[str, ...]
    improvements: tuple[Improvement, ...] | None
    trials: int
    redraws: int
    seed: int
    confidence: float
    status: int
    why: str
    command: str
