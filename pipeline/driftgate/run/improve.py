"""Which single change buys the most margin: every candidate planned again and run."""

from __future__ import annotations

from driftgate.judge.improve import Improvement, improvement, tightest
from driftgate.run.candidates import AsItIs, candidates
from driftgate.run.redraws import Progress, Variant, run_variants
from driftgate.run.spread import Spread
from driftgate.run.tasks import plan_one


def improvements(
    workers: Spread, as_it_is: AsItIs, confidence: float, seed: int, progress: Progress
) -> tuple[Improvement, ...]:
    """Return what single changes would gain on the tightest tolerance, the most first.

    Changed cases are planned again as if the files said so: numbers of the filter that follow from an
    error source follow it. Those whose plan is infeasible are left out. All are run over the trials of
    the case as it is.

    Parameters
    ----------
    workers : Spread
        Who does it.
    as_it_is : AsItIs
        The case and what is known of it.
    confidence, seed : float, int
        Of margins and intervals; of the trials.
    progress : callable
        Told (done, of how many, words).
    """
    moments, plain = as_it_is.prepared.moments, as_it_is.plain
    index, _ = tightest(moments, plain, confidence)
    tried = candidates(workers, as_it_is, index, progress)
    plans = workers.map(plan_one, [(candidate.case, candidate.written) for candidate in tried])
    feasible = [
        (candidate, plan.prepared)
        for candidate, plan in zip(tried, plans, strict=True)
        if plan.prepared is not None
    ]

    def told(done: int) -> None:
        progress(done, len(feasible), "runs with one change")

    runs = run_variants(workers, [Variant(p) for _, p in feasible], len(plain[0].event), seed, told)
    found = [
        improvement(candidate.change, moments, plain, outputs, confidence)
        for (candidate, _), outputs in zip(feasible, runs, strict=True)
    ]
    return tuple(sorted(found, key=lambda one: one.order))
