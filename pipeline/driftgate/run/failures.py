"""Why the trials of a case fail: the failing ones run again and grouped by cause."""

from __future__ import annotations

from dataclasses import replace

from driftgate.judge.causes import MOST_REPLAYED, CauseFinder, failing_at, failing_trials, group_causes
from driftgate.predict.story import replay
from driftgate.run.facts import JudgedFacts, step_mark
from driftgate.run.tasks import Answer, Planned

# Readings times trials that are kept at a time: some 70 bytes each.
_MOST_KEPT = 2_000_000


def with_causes(planned: Planned, answer: Answer, facts: JudgedFacts) -> JudgedFacts:
    """Return the facts with the causes of failing trials, if any fails.

    The first failing trials by number are run again, so many that time and memory stay bounded.
    """
    prepared = planned.prepared
    assert prepared is not None
    failing = failing_trials(prepared, answer.trials, facts.verdict)
    if not failing.size:
        return facts
    readings = len(prepared.plan.timeline.readings.knot)
    most = min(MOST_REPLAYED, max(1, _MOST_KEPT // max(1, readings)))
    again = replay(prepared, failing[:most], answer.trials.seed)
    finder = CauseFinder(prepared, answer.covariance, again, step_mark, planned.dark)
    causes = group_causes(finder, failing_at(facts.verdict), len(failing))
    return replace(facts, verdict=replace(facts.verdict, causes=causes))
