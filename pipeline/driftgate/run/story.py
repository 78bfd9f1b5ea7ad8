"""One trial of one case, told step by step."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from driftgate.core.findings import Finding
from driftgate.report.model import CaseReport
from driftgate.run.explain import ExplainSettings, chosen_case
from driftgate.run.status import Exit, judged_status

if TYPE_CHECKING:
    from driftgate.judge.story import Story


@dataclass(frozen=True)
class Telling:
    """What there is to tell: findings alone, an infeasible case, or a trial's story."""

    findings: tuple[Finding, ...]
    report: CaseReport | None
    story: Story | None
    status: Exit
    why: str


def tell_trial(settings: ExplainSettings, number: int) -> Telling:
    """Run one trial of a case again and return its story.

    Parameters
    ----------
    settings : ExplainSettings
        Which case, and the seed; the trial does not depend on the other settings.
    number : int
        The trial, from 0.

    Raises
    ------
    InputError
        If the path holds not exactly one routine, or the side does not exist.
    """
    findings, named, status, why = chosen_case(settings)
    if named is None:
        return Telling(findings, None, None, status, why)

    import numpy as np

    from driftgate.judge.causes import CauseFinder
    from driftgate.judge.story import story_of
    from driftgate.predict import covariance
    from driftgate.predict.story import replay
    from driftgate.run.gather import report_of
    from driftgate.run.tasks import plan_one

    planned = plan_one((named.case, named.written))
    report = report_of(named, planned)
    if planned.prepared is None:
        return Telling(findings, report, None, *judged_status([report]))
    again = replay(planned.prepared, np.array([number], dtype=np.intp), settings.seed)
    predicted = covariance(planned.prepared)

    def describe(index: int) -> str:
        return report.steps[index].words()

    story = story_of(CauseFinder(planned.prepared, predicted, again, describe, planned.dark))
    end = f"fails at {story.fails_at}" if story.fails_at else "keeps every tolerance"
    return Telling(findings, report, story, Exit.PASS, f"told trial {number}, which {end}")
