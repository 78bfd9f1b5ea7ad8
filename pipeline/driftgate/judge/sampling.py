"""How a case's trials came to an end, which bounds hold after that, and what they decide.

A *fixed* number of trials allows exact bounds (Clopper and Pearson 1934), for one look. *Sequential*
trials are looked at again and again, at numbers of trials that are settled beforehand, and end when
everything is decided; their bounds hold at all looks together (`driftgate.judge.anytime`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from driftgate.core.errors import ModelError
from driftgate.judge import anytime, bounds
from driftgate.judge.values import Estimate, Status

# The first look is early, since most routines are clear cases; then so many trials double until they
# are a full batch of the trials engine; later looks follow full batches, and far out as many batches as
# make an eighth more trials.
FIRST_LOOK = 1024
FULL_BATCH = 4096
_MORE = 8
# From this requirement on a sequential run takes tilted trials: plain ones would be wanted by the
# hundred thousand where they fail now and then.
RARE_FROM = 0.9999


def planned_looks(most_trials: int) -> tuple[int, ...]:
    """Return the numbers of trials at which a sequential run looks, the most trials being the last.

    They depend on nothing else: a run with more trials looks where this one did, and then goes on.

    Examples
    --------
    >>> planned_looks(20_000)
    (1024, 2048, 4096, 8192, 12288, 16384, 20000)
    """
    looks = [FIRST_LOOK]
    while looks[-1] < most_trials:
        batches = looks[-1] // FULL_BATCH
        more = batches + max(1, batches // _MORE)
        looks.append(FULL_BATCH * more if batches else 2 * looks[-1])
    return (*(look for look in looks if look < most_trials), most_trials)


def beyond_plain(required: Iterable[float]) -> int:
    """Return how many requirements plain trials hardly reach, so that only weighted ones decide them."""
    return sum(RARE_FROM <= share < 1.0 for share in required)


@dataclass(frozen=True)
class Seen:
    """What one look sees: so many of so many."""

    successes: int
    trials: int


@dataclass(frozen=True)
class Decision:
    """What several looks at one probability say.

    Attributes
    ----------
    status : {"pass", "fail", "undecided"}
        Frozen at the look that reached it first.
    lower, upper : float
        One-sided bounds: the best of all looks (running intersection).
    at : int or None
        Trials at the look that decided; None while undecided.
    looks : tuple of int
        The looks that count for the share of the tolerance used: all, but none after a failure.
    """

    status: Status
    lower: float
    upper: float
    at: int | None
    looks: tuple[int, ...]


@dataclass(frozen=True)
class Sampling:
    """The rule by which a run's trials are ended and judged.

    Attributes
    ----------
    confidence : float
        Of every verdict and interval; it covers sampling, not the model.
    tolerances : int
        How many tolerances the whole run judges. Failing is judged at the error rate shared out
        over them (Bonferroni 1936), or false alarms add up; passing needs no such correction,
        because the run passes only if all pass.
    sequential : bool
        Whether the run looks before its last trial and may stop there.
    """

    confidence: float = 0.95
    tolerances: int = 1
    sequential: bool = False

    def __post_init__(self) -> None:
        """Refuse what is out of range, with a `ModelError`."""
        if not 0.0 < self.confidence < 1.0:
            raise ModelError(f"confidence must be inside (0, 1), got {self.confidence!r}")
        if self.tolerances < 1:
            raise ModelError(f"tolerances must be at least 1, got {self.tolerances!r}")

    @property
    def fail_confidence(self) -> float:
        """Confidence at which a failure is called, so that all of a run hold together."""
        return 1.0 - (1.0 - self.confidence) / self.tolerances

    def leaves(self, required: float) -> bool:
        """Return whether a requirement is left to tilted trials (`driftgate.judge.rare`)."""
        return self.sequential and beyond_plain([required]) == 1

    def lower(self, seen: Seen, confidence: float) -> float:
        """Return the one-sided lower bound of a probability."""
        bound = anytime.lower_bound if self.sequential else bounds.lower_bound
        return bound(seen.successes, seen.trials, confidence)

    def upper(self, seen: Seen, confidence: float) -> float:
        """Return the one-sided upper bound of a probability."""
        bound = anytime.upper_bound if self.sequential else bounds.upper_bound
        return bound(seen.successes, seen.trials, confidence)

    def shows_above(self, seen: Seen, required: float, confidence: float) -> bool:
        """Return whether a look shows that a probability is at least `required`."""
        if self.sequential:
            return anytime.passes(seen.successes, seen.trials, required, confidence)
        return bounds.lower_bound(seen.successes, seen.trials, confidence) >= required

    def shows_below(self, seen: Seen, required: float, confidence: float) -> bool:
        """Return whether a look shows that a probability is below `required`."""
        if self.sequential:
            return anytime.fails(seen.successes, seen.trials, required, confidence)
        return bounds.upper_bound(seen.successes, seen.trials, confidence) < required

    def rank(self, trials: int, share: float) -> int | None:
        """Return which of the sorted values bounds a quantile from above; None when none does.

        It is the fewest successes that show `share`, so that a value read off there is inside a limit
        exactly when the trials inside it show `share`.
        """
        find = anytime.bounding_rank if self.sequential else bounds.bounding_rank
        return find(trials, share, self.confidence)

    def needed_trials(self, required: float) -> int:
        """Return the fewest trials that can show `required`, when none fails."""
        find = anytime.needed_trials if self.sequential else bounds.needed_trials
        return find(required, self.confidence)

    def estimate(self, looks: Sequence[Seen]) -> Estimate:
        """Return the share seen at the last look with its two-sided interval, equal tails.

        The interval is the intersection of those of all looks, unless that is empty.
        """
        last, one_sided = looks[-1], 0.5 * (1.0 + self.confidence)
        low = high = math.nan
        for seen in looks:
            new_low, new_high = self.lower(seen, one_sided), self.upper(seen, one_sided)
            low, high = _meet(low, high, new_low, new_high)
        return Estimate(last.successes, last.trials, last.successes / last.trials, low, high)


# The most trials that are named, and the most that the command line takes.
_MOST_NAMED = 10_000_000
# A hundred times the usual number: what takes more to decide sits on its limit. (Our choice.)
HOPELESS = 2_000_000


def _meet(low: float, high: float, new_low: float, new_high: float) -> tuple[float, float]:
    """Return the intersection of two intervals; the new one when there is none, or nothing before."""
    both = max(low, new_low), min(high, new_high)
    if math.isnan(low) or both[0] > both[1]:
        return new_low, new_high
    return both


def called(seen: Seen, required: float, rule: Sampling) -> Status:
    """Return what one look says of a probability by itself."""
    if rule.shows_above(seen, required, rule.confidence):
        return "pass"
    return "fail" if rule.shows_below(seen, required, rule.fail_confidence) else "undecided"


def trials_to_decide(seen: Seen, required: float, rule: Sampling) -> int | None:
    """Return about how many trials decide if they go on as they have; None: more than anyone runs.

    The share seen is held against the bounds at ever more trials, each a quarter more; two digits of the
    answer are kept. More than a guide it is not: the share will move.
    """
    share, trials = seen.successes / seen.trials, float(seen.trials)
    while trials <= _MOST_NAMED:
        trials *= 1.25
        count = round(trials)
        if called(Seen(round(share * count), count), required, rule) != "undecided":
            size: int = 10 ** (len(str(count)) - 2)
            return -(-count // size) * size
    return None


def more_trials(seen: Seen, required: float, rule: Sampling) -> str:
    """Return what to do about an open question: "run more trials, about 12000 (--trials 12000)"."""
    count = trials_to_decide(seen, required, rule)
    if count is None:
        return "it is too close to call with trials"
    if count > HOPELESS:
        return "the truth sits on the limit, and more trials will not help: widen the tolerance or improve"
    return f"run more trials, about {count} if they go on like this (--trials {count})"


def decide(looks: Sequence[Seen], required: float, rule: Sampling) -> Decision:
    """Return what the looks decide: pass when shown to reach `required`, fail when shown not to.

    Parameters
    ----------
    looks : sequence of Seen
        In order; the trials of each include those of the one before.
    required : float
        Probability required.
    rule : Sampling
        Which bounds hold.
    """
    status: Status = "undecided"
    lower, upper, at = 0.0, 1.0, None
    just_below = math.nextafter(required, 0.0)
    counted: list[int] = []
    for seen in looks:
        now = called(seen, required, rule)
        if status == "undecided" and now != "undecided":
            status, at = now, seen.trials
        low, high = rule.lower(seen, rule.confidence), rule.upper(seen, rule.fail_confidence)
        # A bound is found to the last bit only: the test itself says on which side it lies.
        lower = max(lower, max(low, required) if now == "pass" else min(low, just_below))
        upper = min(upper, min(high, just_below) if now == status == "fail" else max(high, required))
        counted.append(seen.trials)
        if status == "fail":
            break
    return Decision(status, lower, upper, at, tuple(counted))
