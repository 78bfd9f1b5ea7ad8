"""What each trial came to, kept small enough to hold several runs side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray
from driftgate.judge.paired import (
    discordant_p_value,
    mean_difference,
    pair_counts,
    quantile,
    quantile_difference,
    smallest_visible_loss,
    smallest_visible_shift,
    success_difference,
)
from driftgate.judge.paired_values import Change, Difference, ErrorChange, Word
from driftgate.judge.ratio import AxisShare, shares_of, with_dependencies
from driftgate.predict.values import BoolArray, Moment, Outcome, TrialsResult

# Which error people compare: that which one run in twenty exceeds.
TYPICAL = 0.95
# What is no number, or past a limit of zero, uses more than any tolerance.
_MOST_USED = 1e6


@dataclass(frozen=True)
class MomentOutcomes:
    """One moment in every trial; arrays of shape (n,).

    Attributes
    ----------
    name : str
        The checkpoint, or "end".
    success : ndarray of bool
        With what it depends on, contact and time.
    used : ndarray
        Share of the tolerance that the pose uses, all axes together.
    axes : tuple of AxisShare
        Each axis alone.
    """

    name: str
    success: BoolArray
    used: FloatArray
    axes: tuple[AxisShare, ...]


@dataclass(frozen=True)
class Outcomes:
    """A run: every moment, contact, and what became of the readings by section of the trials.

    Attributes
    ----------
    moments : tuple of MomentOutcomes
        In order of time, the end last.
    untouched, everything : ndarray of bool, shape (n,)
        No unintended contact; every moment succeeds and nothing is touched.
    length : ndarray, shape (sections,)
        Trials a section.
    fixes, wrongly_accepted, wrongly_refused : ndarray, shape (sections,)
        Readings, all sensors together, over the trials of a section.
    """

    moments: tuple[MomentOutcomes, ...]
    untouched: BoolArray
    everything: BoolArray
    length: FloatArray
    fixes: FloatArray
    wrongly_accepted: FloatArray
    wrongly_refused: FloatArray

    @property
    def trials(self) -> int:
        """How many."""
        return int(self.everything.shape[0])


def outcomes_of(moments: tuple[Moment, ...], trials: TrialsResult, time_limit_s: float) -> Outcomes:
    """Return what the trials of one section came to.

    Parameters
    ----------
    moments : tuple of Moment
        The moments with the tolerances to hold the trials against.
    trials : TrialsResult
        The section's trials.
    time_limit_s : float
        The routine's time limit. [s]
    """
    shares = tuple(shares_of(m, t, time_limit_s) for m, t in zip(moments, trials.moments, strict=True))
    success = with_dependencies(moments, shares)
    untouched = trials.touch_step < 0
    return Outcomes(
        moments=tuple(
            MomentOutcomes(moment.name, ok, np.minimum(share.joint, _MOST_USED), share.axes)
            for moment, share, ok in zip(moments, shares, success, strict=True)
        ),
        untouched=untouched,
        everything=np.all(success, axis=0) & untouched,
        length=np.array([float(trials.trials)]),
        fixes=np.array([float(trials.counts[:, :, Outcome.ACCEPTED].sum())]),
        wrongly_accepted=np.array([float(trials.wrongly_accepted.sum())]),
        wrongly_refused=np.array([float(trials.wrongly_refused.sum())]),
    )


def joined(parts: Sequence[Outcomes]) -> Outcomes:
    """Return sections, given in trial order, as one run."""
    if not parts:
        raise ModelError("there are no sections to join")
    moments = []
    for i, moment in enumerate(parts[0].moments):
        same = [part.moments[i] for part in parts]
        axes = tuple(
            AxisShare(
                axis.limit,
                np.concatenate([m.axes[j].error for m in same]),
                np.concatenate([m.axes[j].share for m in same]),
            )
            for j, axis in enumerate(moment.axes)
        )
        success = np.concatenate([m.success for m in same])
        moments.append(MomentOutcomes(moment.name, success, np.concatenate([m.used for m in same]), axes))

    def row(name: str) -> FloatArray:
        return np.concatenate([getattr(part, name) for part in parts])

    return Outcomes(
        moments=tuple(moments),
        untouched=np.concatenate([part.untouched for part in parts]),
        everything=np.concatenate([part.everything for part in parts]),
        length=row("length"),
        fixes=row("fixes"),
        wrongly_accepted=row("wrongly_accepted"),
        wrongly_refused=row("wrongly_refused"),
    )


def success_change(name: str, before: BoolArray, now: BoolArray, confidence: float) -> Change:
    """Return what became of one event; the word is that of the exact test on discordant pairs."""
    both, worse, better, neither = pair_counts(before, now)
    p_value = discordant_p_value(worse, better)
    word: Word = "no difference seen"
    if p_value <= 1.0 - confidence:
        word = "worse" if worse > better else "better"
    trials = int(before.shape[0])
    return Change(
        name=name,
        word=word,
        trials=trials,
        worse=worse,
        better=better,
        before=(both + worse) / trials,
        now=(both + better) / trials,
        success=success_difference(both, worse, better, neither, confidence),
        p_value=p_value,
        visible=smallest_visible_loss(trials, worse, better, confidence),
        errors=None,
        decided_by="" if word == "no difference seen" else "success",
    )


def moment_change(before: MomentOutcomes, now: MomentOutcomes, confidence: float) -> Change:
    """Return what became of one moment.

    Two questions are asked of each: is success rarer, and is more of the tolerance used? With the error
    on the axis that is shown there are three intervals, each at a third of the error rate (Bonferroni
    1936).

    Parameters
    ----------
    before, now : MomentOutcomes
        Over the same trials, held against the same tolerance.
    confidence : float
        Of the word, and of the intervals together.
    """
    each = 1.0 - (1.0 - confidence) / 3.0
    found = success_change(now.name, before.success, now.success, each)
    errors = _error_change(before, now, each)
    word, by = found.word, found.decided_by
    if errors is not None and errors.used is not None and errors.used.low is not None:
        more = errors.used.low > 0.0
        less = errors.used.high is not None and errors.used.high < 0.0
        if more:
            word, by = "worse", by if word == "worse" else "margin"
        elif less and word != "worse":
            word, by = "better", by if word == "better" else "margin"
    return replace(found, word=word, decided_by=by, errors=errors, same=_same_moment(before, now))


def _same_moment(before: MomentOutcomes, now: MomentOutcomes) -> bool:
    pairs = zip(before.axes, now.axes, strict=False)
    return (
        [a.limit.axis for a in before.axes] == [b.limit.axis for b in now.axes]
        and np.array_equal(before.success, now.success)
        and all(np.array_equal(a.error, b.error, equal_nan=True) for a, b in pairs)
    )


def same_runs(before: Outcomes, now: Outcomes) -> bool:
    """Return whether every trial came out the same in two runs over the same trials, error by error."""
    return (
        len(before.moments) == len(now.moments)
        and np.array_equal(before.untouched, now.untouched)
        and all(_same_moment(a, b) for a, b in zip(before.moments, now.moments, strict=True))
    )


def _error_change(before: MomentOutcomes, now: MomentOutcomes, confidence: float) -> ErrorChange | None:
    both = [(a, b) for a in before.axes for b in now.axes if a.limit.axis == b.limit.axis]
    if not both:
        return None
    # The axis that uses the most of its tolerance on either side: where the trouble is, or was.
    one, other = max(both, key=lambda pair: max(quantile(axis.share, TYPICAL) for axis in pair))
    old, new = np.abs(one.error), np.abs(other.error)
    used = quantile_difference(before.used, now.used, TYPICAL, confidence)
    # Which axis is shown hangs on the trials: the interval must hold for whichever it is.
    shown = 1.0 - (1.0 - confidence) / len(both)
    return ErrorChange(
        axis=one.limit.axis,
        error_before=quantile(old, TYPICAL),
        error_now=quantile(new, TYPICAL),
        error=quantile_difference(old, new, TYPICAL, shown),
        axis_used_before=quantile(one.share, TYPICAL),
        axis_used_now=quantile(other.share, TYPICAL),
        used_before=quantile(before.used, TYPICAL),
        used_now=quantile(now.used, TYPICAL),
        used=used,
        visible=smallest_visible_shift(used, confidence),
    )


def reading_difference(before: Outcomes, now: Outcomes, what: str, confidence: float) -> Difference:
    """Return the difference of "fixes", "wrongly_accepted" or "wrongly_refused", per run."""
    return mean_difference(getattr(before, what) / before.length, getattr(now, what) / now.length, confidence)


def per_run(run: Outcomes, what: str) -> float:
    """Return how many readings of a kind one run has on average."""
    return float(getattr(run, what).sum() / run.length.sum())
