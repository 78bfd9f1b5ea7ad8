"""When a case's trials are enough: counts by look, and a watch over what is still open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.judge.ratio import MomentShares, shares_of, with_dependencies
from driftgate.judge.sampling import Sampling, Seen, called
from driftgate.judge.values import PreparedCase
from driftgate.predict.values import BoolArray, TrialsResult

# Where no contact is allowed, a case goes on until contact that often would have shown: one run in 500
# is more than a robot drives a routine in a year of practice and competitions, and a fifth of what is
# allowed where some is (our choice, no source). It takes 1919 trials at 95 %, so the second look.
UNSEEN_CONTACT = 0.002


@dataclass(frozen=True)
class Tally:
    """What some trials of a case count: successes at each moment, and trials that touch something."""

    trials: int
    successes: tuple[int, ...]
    touched: int

    def __add__(self, other: Tally) -> Tally:
        """Return the counts of both."""
        successes = tuple(a + b for a, b in zip(self.successes, other.successes, strict=True))
        return Tally(self.trials + other.trials, successes, self.touched + other.touched)


def outcomes(
    prepared: PreparedCase, trials: TrialsResult
) -> tuple[tuple[MomentShares, ...], tuple[BoolArray, ...]]:
    """Return how much of its tolerance each trial uses at each moment, and which trials succeed there."""
    limit_s = prepared.case.routine.time_limit
    shares = tuple(shares_of(m, t, limit_s) for m, t in zip(prepared.moments, trials.moments, strict=True))
    return shares, with_dependencies(prepared.moments, shares)


def tally(prepared: PreparedCase, trials: TrialsResult) -> Tally:
    """Return the counts of some trials of a case."""
    _, success = outcomes(prepared, trials)
    return Tally(trials.trials, tuple(int(s.sum()) for s in success), int((trials.touch_step >= 0).sum()))


def seen_at(happened: BoolArray, looks: Sequence[int]) -> tuple[Seen, ...]:
    """Return what each look sees of an event that happened in some trials."""
    counts = np.concatenate([[0], np.cumsum(happened)])
    return tuple(Seen(int(counts[look]), look) for look in looks)


class Watch:
    """Which tolerances of a case are still open, look by look.

    Parameters
    ----------
    prepared : PreparedCase
        The case.
    rule : Sampling
        Which bounds hold.

    Notes
    -----
    Contact is a tolerance like the others where the routine allows some. Where it allows none, a touch
    decides at once and no number of trials shows that there is none: it is watched in as many
    trials as the rest needs, but, unless something fails, in no fewer than show that it is rarer than
    `UNSEEN_CONTACT`.
    """

    def __init__(self, prepared: PreparedCase, rule: Sampling) -> None:
        self._rule = rule
        self._required = tuple(moment.required for moment in prepared.moments)
        self._open = {i for i, required in enumerate(self._required) if not rule.leaves(required)}
        self._allowed = prepared.case.routine.final.contact_allowed
        self._contact_open = not rule.leaves(1.0 - self._allowed)
        self._failed = False

    def look(self, sum_so_far: Tally) -> bool:
        """Take a look at all trials so far and return whether everything is decided."""
        total, rule = sum_so_far.trials, self._rule
        for i in sorted(self._open):
            found = called(Seen(sum_so_far.successes[i], total), self._required[i], rule)
            if found != "undecided":
                self._open.remove(i)
            self._failed |= found == "fail"
        if self._contact_open:
            untouched = Seen(total - sum_so_far.touched, total)
            if self._allowed > 0.0:
                self._contact_open = called(untouched, 1.0 - self._allowed, rule) == "undecided"
            else:
                enough = rule.shows_above(untouched, 1.0 - UNSEEN_CONTACT, rule.confidence)
                self._contact_open = not (enough or sum_so_far.touched or self._failed)
        return not self._open and not self._contact_open
