"""Which of the filter's own numbers to change, if a run with it changed bears it out.

The covariance engine says which changes are worth a run (`driftgate.judge.tuning_screen`): of one number,
and where no such change mends the filter, or two leave the robot much nearer, of two together. The best few
are then tried in trials, on the same luck as the filter as it is. A change is advised only if the verdict
that found the filter wanting finds it right with it, and the true position is no further off.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from driftgate.judge.consistency import (
    COVERAGE,
    MOST_IN_HALF,
    Consistency,
    RegionVerdict,
    Word,
    filter_consistency,
)
from driftgate.judge.filter_numbers import SWITCH, value_of, words
from driftgate.judge.share_beside import share_beside
from driftgate.judge.tuning_screen import COMPENSATION, Change, Edit, Progress, Screen
from driftgate.predict.filter_tally import AXES, LEVELS
from driftgate.predict.prepared import Prepared
from driftgate.predict.trials_engine import run_trials
from driftgate.predict.values import TrialsResult

TRIALS = 400
# More than this much further off is worse; what is about as far off as before is said to be no nearer.
_WORSE, _NO_NEARER = 1.05, 1.01
# A region that is expected to be off by this, as the logarithm of a factor on its square, holds 88 % in place
# of 95 %, or 64 % in place of 50 %: hardly any run finds that right, and it is tried last.
_UNLIKELY = 0.3
# A pair is worth it if the robot is nearer by this than with one number, as a logarithm.
_MUCH_NEARER = 0.1
# What comes nearer to a filter that is right by less has not come nearer.
_NEARER = 0.05


@dataclass(frozen=True)
class Advice:
    """A change of the filter that a run bears out.

    Attributes
    ----------
    key : str
        The number under `correction.filter`; of two "a and b".
    now, better : str
        Its value as it is and as tried, with unit.
    held : float
        How often the region that was wrong holds the truth with it, at the moment named: the 95 % region of a
        filter that trusted itself too much, else the 50 % region.
    moment : str
        The moment.
    trials : int
        In how many trials.
    sentence : str
        For the user.
    """

    key: str
    now: str
    better: str
    held: float
    moment: str
    trials: int
    sentence: str


@dataclass(frozen=True)
class Tried:
    """A change, and what trials say of it.

    Attributes
    ----------
    change : Change
        The change.
    now : Consistency
        What is said of the filter with it.
    off_m : tuple of float
        How far off the true position is at the moment that the advice is about, without it and with it.
    """

    change: Change
    now: Consistency
    off_m: tuple[float, float]

    def mends(self, word: Word) -> bool:
        """Return whether a filter that was called this is right with it."""
        # One that was too shy has to be so no more, whatever few trials leave open.
        fits = word == "too trusting" or all(m.coverage["all"][0] <= MOST_IN_HALF for m in self.now.moments)
        return self.now.word == "consistent" and fits

    @property
    def worse(self) -> bool:
        """Whether the true position is further off with it."""
        return self.off_m[1] > _WORSE * self.off_m[0]

    def bends(self, before: Consistency) -> str:
        """Return a coordinate that was right and is claimed too well with it, or "".

        One that is too small makes up for one that is too large in the regions of all together.
        """
        for now, was in zip(self.now.moments, before.moments, strict=True):
            for axis in AXES[:-1]:
                if now.coverage[axis][-1] < COVERAGE[0] <= was.coverage[axis][-1]:
                    return axis
        return ""


def advice(
    prepared: Prepared,
    found: Consistency,
    seed: int,
    before: TrialsResult | None = None,
    progress: Progress = lambda *_: None,
) -> Advice | str:
    """Return the change that mends a filter which is too trusting or too shy.

    Parameters
    ----------
    prepared : Prepared
        The case.
    found : Consistency
        What its trials say.
    seed : int
        Seed of the trials with the change.
    before : TrialsResult, optional
        Trials of the case as it is from the same seed, the first first; else they are run.
    progress : callable, optional
        Told (done, of how many, words).

    Returns
    -------
    Advice or str
        The change, or why none is named ("" for a filter that is right).
    """
    if found.word not in ("too trusting", "too shy"):
        return ""
    up = found.word == "too trusting"
    index = min(range(len(found.moments)), key=lambda i: _rank(found.moments[i].coverage["all"], up))
    heard = {s.word for s in found.sensors if s.used} == {found.word}
    screen = Screen(prepared, up, heard and _mostly_readings(found), heard, index, progress)
    run = _Run(prepared, found, index, seed, before, progress)
    if (left_out := run.first_that_mends(screen.left_out())) is not None:
        return _advice(prepared, found, left_out, index)
    single = run.first_that_mends(screen.alone())
    # One that makes the filter right by doubt alone leaves what another number would bring.
    further = math.inf if single is None else single.change.further - _MUCH_NEARER
    if screen.nearest < further and (pair := run.first_that_mends(screen.pairs(), further)) is not None:
        return _advice(prepared, found, pair, index, best_of_two=single is not None)
    if single is not None:
        return _advice(prepared, found, single, index)
    if (last := run.last_that_mends()) is not None:
        return _advice(prepared, found, last, index)
    return _none_mends(prepared, found, run.tried, index)


class _Run:
    """Changes tried one after the other, on the same luck as the filter as it is."""

    def __init__(
        self,
        prepared: Prepared,
        found: Consistency,
        index: int,
        seed: int,
        before: TrialsResult | None,
        progress: Progress,
    ) -> None:
        self._prepared = prepared
        self._found = found
        self._index = index
        self._seed = seed
        self._count = min(TRIALS, found.trials)
        self._before = before
        self._progress = progress
        self._left: list[Change] = []
        self._last = False
        self.tried: list[Tried] = []

    def first_that_mends(self, changes: Iterable[Change], further: float = math.inf) -> Tried | None:
        """Return the first change that mends the filter and takes the robot no further off.

        Of those that are expected to leave it less than `further` off.
        """
        for change in changes:
            if change.further >= further:
                continue
            if change.gap > _UNLIKELY and not self._last:
                self._left.append(change)
                continue
            self._progress(len(self.tried), len(self.tried) + 1, "change of the filter tried in trials,")
            one = self._try(change)
            self.tried.append(one)
            if one.mends(self._found.word) and not (one.worse or one.bends(self._found)):
                return one
        return None

    def last_that_mends(self) -> Tried | None:
        """Return the first that does of those that were put off."""
        self._last = True
        return self.first_that_mends(self._left)

    def _try(self, change: Change) -> Tried:
        if self._before is None:
            self._before = run_trials(self._prepared, self._count, self._seed)
        after = run_trials(change.changed, self._count, self._seed)
        moments = tuple((m.name, m.step) for m in change.changed.moments)
        now = filter_consistency(change.changed.case, moments, after)
        assert now is not None
        off_m = tuple(_off_m(result, self._index, self._count) for result in (self._before, after))
        return Tried(change, now, (off_m[0], off_m[1]))


def _off_m(result: TrialsResult, index: int, count: int) -> float:
    """Return how far off the true position is at a moment, as a root mean square of the first trials. [m]"""
    return math.sqrt(float((result.moments[index].error[:count, :2] ** 2).sum(axis=1).mean()))


def distance(now: Consistency, word: Word) -> float:
    """Return how far a filter is from one that is right, from coverage, estimation errors and innovations.

    Parameters
    ----------
    now : Consistency
        What is said of the filter.
    word : str
        What it was called before a change.

    Returns
    -------
    float
        At the worst moment the larger of two: how far the log odds of the 50 % or the 95 % region are off,
        and the logarithm of the mean normalised estimation error squared over its 3. Then, averaged over
        the sensors, the logarithm of that of the innovations over what it should be, on the side of the
        fault alone: that those of a filter with a constant error fall short is no fault.
    """
    worst = 0.0
    for m in now.moments:
        mean = abs(math.log(max(m.mean, 1e-6) / (len(AXES) - 1)))
        odds = max(
            abs(_log_odds(m.coverage["all"][i], now.trials) - _log_odds(LEVELS[i], now.trials))
            for i in (0, -1)
        )
        worst = max(worst, mean, odds)
    side = 1.0 if word == "too trusting" else -1.0
    heard = [
        max(0.0, side * math.log(max(s.mean_used, 1e-6) / s.expected))
        for s in now.sensors
        if s.mean_used is not None
    ]
    return worst + (sum(heard) / len(heard) if heard else 0.0)


def _log_odds(share: float, trials: int) -> float:
    """Return the log odds of a share of trials; none and all count as half a trial off that."""
    half = 0.5 / max(trials, 1)
    inside = min(max(share, half), 1.0 - half)
    return math.log(inside / (1.0 - inside))


def _what(prepared: Prepared, change: Change) -> tuple[str, str, str, str]:
    """Return a change in words: what it is now, what then, what to do, and with or without."""
    number = change.edits[0].number
    if number is COMPENSATION:
        what = (
            "Readings are old when they are used, and nothing takes that out (DG150). Let the robot's code "
            "compare each with the pose at its echo, and set correction.compensate_latency to true"
        )
        return "false", "true", what, "with it"
    if number is SWITCH:
        return "false", "true", "Set correction.filter.consider to true", "with it"
    each = [_edited(prepared, change.changed, edit) for edit in change.edits]
    now, better, what = (" and ".join(texts) for texts in zip(*each, strict=True))
    if len(each) > 1:
        first, second = (text for _, _, text in each)
        what = f"{first} and {second[0].lower()}{second[1:]}"
        return now, better, what, "with both"
    return now, better, what, "without it" if better == _NONE else "with it"


_NONE = "none"


def _edited(prepared: Prepared, changed: Prepared, edit: Edit) -> tuple[str, str, str]:
    """Return one number in words: what it is now, what then, and what to do."""
    values = [value_of(p.filter, edit.number) for p in (prepared, changed)]
    now, better = (words(edit.number, value) for value in values)
    if not math.isfinite(values[1]):
        return now, _NONE, f"Leave out correction.filter.{edit.number.key} ({now})"
    verb = "Raise" if edit.up else "Lower"
    return now, better, f"{verb} correction.filter.{edit.number.key} from {now} to {better}"


def _level(word: Word) -> int:
    """Return which region counts for a filter that is called this."""
    return 0 if word == "too shy" else -1


def _held(m: RegionVerdict, word: Word, trials: int) -> str:
    """Return how often the region that counts holds the truth at a moment, in words."""
    at, limit = _level(word), (MOST_IN_HALF if word == "too shy" else COVERAGE[0])
    return (
        f"the {100.0 * LEVELS[at]:.0f} % region at '{m.name}' holds the truth in "
        f"{share_beside(m.coverage['all'][at], limit)} of {trials} trials"
    )


def _position(one: Tried) -> str:
    before, after = (1e3 * off for off in one.off_m)
    return f"{after:.1f} mm (root mean square) in place of {before:.1f} mm"


def _advice(
    prepared: Prepared, found: Consistency, one: Tried, index: int, best_of_two: bool = False
) -> Advice:
    now, better, what, so = _what(prepared, one.change)
    moment = one.now.moments[index]
    sentence = ""
    if best_of_two:
        sentence = "Two of the filter's numbers together mend it best. "
    elif len(one.change.edits) > 1:
        sentence = "No single number of the filter mends it, but two together do. "
    sentence += (
        f"{what}: {so} {_held(moment, found.word, one.now.trials)}. "
        f"The true position is then off by {_position(one)}"
    )
    # A filter may be wrong about itself and drive well.
    sentence += "." if one.off_m[1] <= _NO_NEARER * one.off_m[0] else ": better known, but no nearer."
    held = moment.coverage["all"][_level(found.word)]
    key = " and ".join(edit.number.key for edit in one.change.edits)
    return Advice(key, now, better, held, moment.name, one.now.trials, sentence)


_ELSE = (
    "It may be more of them together, or an error that the filter has no number for: readings that are false "
    "or old, a mean that the code does not take out, a touch."
)


def _none_mends(prepared: Prepared, found: Consistency, tried: list[Tried], index: int) -> str:
    """Return why no change is advised: the nearest to it, and what it does."""
    none = "No single number of the filter mends it, and no two that were tried together do"
    if mending := [one for one in tried if one.mends(found.word)]:
        one = min(mending, key=lambda one: one.off_m[1])
        _, _, what, so = _what(prepared, one.change)
        harm = f"the true position is farther off: {_position(one)}"
        if not one.worse and (axis := one.bends(found)):
            least = min(m.coverage[axis][-1] for m in one.now.moments)
            harm = (
                f"its 95 % region in {axis} alone then holds the truth in {share_beside(least, COVERAGE[0])}"
            )
        return (
            f"No change of the filter's numbers mends it without harm. {what}, and "
            f"{_held(one.now.moments[index], found.word, one.now.trials)}, but {harm}, so do not. {_ELSE}"
        )
    before = distance(found, found.word) - _NEARER
    helping = [
        one for one in tried if distance(one.now, found.word) < before and not (one.worse or one.bends(found))
    ]
    if not helping:
        return f"{none}. {_ELSE}"
    one = min(helping, key=lambda one: distance(one.now, found.word))
    _, _, what, so = _what(prepared, one.change)
    # What is still wrong may be at another moment, or the other way.
    left = found.word if one.now.word in ("consistent", "cannot say") else one.now.word
    up = left == "too trusting"
    worst = min(one.now.moments, key=lambda m: _rank(m.coverage["all"], up))
    return (
        f"{none}. Nearest comes: {what[0].lower()}{what[1:]}. {so.capitalize()} "
        f"{_held(worst, left, one.now.trials)}, which is {'not enough' if up else 'too many'}, with a mean "
        f"square of {worst.mean:.1f} (3 is right), and the true position is off by {_position(one)}. {_ELSE}"
    )


def _mostly_readings(found: Consistency) -> bool:
    """Return whether what the filter expects of innovations is mostly the readings' own noise.

    Where innovations say the same as coverage it is then that noise that the filter has wrong.
    """
    sensors = [s for s in found.sensors if s.used]
    total = sum(s.tried for s in sensors)
    own = sum(s.tried * s.own for s in sensors)
    return bool(sensors) and own > 0.5 * total


def _rank(coverage: tuple[float, ...], up: bool) -> float:
    return coverage[-1] if up else -coverage[0]
