"""How much each error source may grow, alone: found by covariance, then run in trials."""

from __future__ import annotations

import math
from dataclasses import dataclass

from driftgate.judge.budget import MomentOutput
from driftgate.judge.growth import MOST, Growth, normal_points, predicted_factor
from driftgate.predict import Prepared, prepare
from driftgate.predict.values import CovarianceResult, SourceInfo
from driftgate.run.changes import grown
from driftgate.run.redraws import Progress, Variant, run_variants
from driftgate.run.spread import Spread

# Rounds of trials: enough to bring any factor below ten to within a fifth.
_ROUNDS = 7
# A bracket this narrow is not narrowed further.
_NARROW = 1.2


@dataclass
class Search:
    """The search for one source: the largest factor that held, the smallest that did not."""

    source: SourceInfo
    predicted: float | None
    holds: float = 1.0
    breaks: float | None = None
    broken: tuple[str, float, float] = ("", math.nan, math.nan)

    def record(self, factor: float, broken: tuple[str, float, float] | None) -> None:
        """Take note of a run at a factor: what fell short the most in it, if anything."""
        if broken is None:
            self.holds = max(self.holds, factor)
        else:
            self.breaks, self.broken = factor, broken

    def next(self) -> float | None:
        """Return the next factor to run; None when it is close enough."""
        if self.breaks is not None:
            narrow = self.breaks <= _NARROW * self.holds
            return None if narrow else math.sqrt(self.holds * self.breaks)
        if self.holds >= MOST:
            return None
        if self.holds == 1.0:
            return MOST if self.predicted is None else max(self.predicted, math.sqrt(_NARROW))
        return min(MOST, 2.0 * self.holds)


def grown_prepared(prepared: Prepared, source: str, factor: float) -> Prepared | None:
    """Return the prepared case with one source wider and the robot as it is, its filter included.

    None if the source has no width.
    """
    case = grown(prepared.case, source, factor)
    return None if case is None else prepare(case, prepared.plan, prepared.sight, prepared.filter)


def first_broken(
    prepared: Prepared, outputs: tuple[MomentOutput, ...], judged: frozenset[str]
) -> tuple[str, float, float] | None:
    """Return the tolerance that falls short the most: name, share of the trials, what is required.

    Parameters
    ----------
    prepared : Prepared
        The case.
    outputs : tuple of MomentOutput
        A run of trials.
    judged : frozenset of str
        Names of the tolerances to look at.
    """
    worst: tuple[float, str, float, float] | None = None
    for name, share, required, short in tolerances_of(prepared, outputs):
        if name in judged and short > 0.0 and (worst is None or short > worst[0]):
            worst = short, name, share, required
    return None if worst is None else worst[1:]


def tolerances_of(
    prepared: Prepared, outputs: tuple[MomentOutput, ...]
) -> list[tuple[str, float, float, float]]:
    """Return each tolerance's name, share of the trials, what is required, and by how much it falls short."""
    found = []
    for moment, output in zip(prepared.moments, outputs, strict=True):
        share = float(output.success.mean())
        found.append((moment.name, share, moment.required, moment.required - share))
    allowed = prepared.case.routine.final.contact_allowed
    touched = float(outputs[-1].touched.mean())
    found.append(("contact", touched, allowed, touched - allowed))
    return found


def growths(
    workers: Spread,
    prepared: Prepared,
    covariance: CovarianceResult,
    plain: tuple[MomentOutput, ...],
    seed: int,
    progress: Progress,
) -> tuple[tuple[Growth, ...], tuple[str, ...]]:
    """Return how much each source may grow, the tightest first, and the tolerances that are broken as it is.

    The covariance engine's factor is run in trials with the same luck as `plain`; from there the factor
    is doubled while everything holds, or the bracket between what held and what broke is halved, until it
    is narrow. A tolerance holds if the share of the trials reaches what is required: an estimate, no bound.

    Parameters
    ----------
    workers : Spread
        Who does it.
    prepared : Prepared
        The case; its filter's numbers are kept in every run.
    covariance : CovarianceResult
        The covariance engine's answer.
    plain : tuple of MomentOutput
        The run as it is: its number of trials is that of every run here.
    seed : int
        Of the trials.
    progress : callable
        Told (done, of how many, words).
    """
    broken = tuple(name for name, _, _, short in tolerances_of(prepared, plain) if short > 0.0)
    judged = frozenset(name for name, *_ in tolerances_of(prepared, plain)) - set(broken)
    if judged <= {"contact"}:
        return (), broken
    points = normal_points()
    searches = [
        Search(source, predicted_factor(prepared.moments, covariance, source.name, points))
        for source in covariance.sources
        if grown(prepared.case, source.name, 2.0) is not None
    ]
    for number in range(_ROUNDS):
        open_ = [(search, factor) for search in searches if (factor := search.next()) is not None]
        variants = []
        for search, factor in open_:
            wider = grown_prepared(prepared, search.source.name, factor)
            assert wider is not None  # it has a width, or it would not be searched
            variants.append(Variant(wider))

        def told(done: int, number: int = number, total: int = len(open_)) -> None:
            progress(done, total, f"runs with one error source larger, round {number + 1},")

        runs = run_variants(workers, variants, len(plain[0].event), seed, told)
        for (search, factor), outputs in zip(open_, runs, strict=True):
            search.record(factor, first_broken(prepared, outputs, judged))
    rows = [
        Growth(s.source.name, s.source.title, s.predicted, s.holds, s.breaks, *s.broken) for s in searches
    ]
    rows.sort(key=lambda row: (row.breaks or 2.0 * MOST, row.holds, row.source))
    return tuple(rows), broken
