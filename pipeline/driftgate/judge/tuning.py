"""Which of the filter's own numbers to change, if a run with it changed bears it out.

The covariance engine says what errors to expect of a filter with other numbers, in one pass each: by how much
its regions are too small or large for them (`driftgate.judge.region`), and how far off the robot then truly
is. A filter that is right about itself is soon had by trusting nothing, so that both count. Numbers are tried
both ways where the filter trusts itself too much: one that doubts its odometry far too much believes each
reading, and all that these share. The best few are then tried in trials, on the same luck. One is advised
only if the verdict that found the filter wanting finds it right with it, and the true position is no further
off.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from driftgate.judge.consistency import MOST_IN_HALF, Consistency, filter_consistency
from driftgate.judge.filter_numbers import (
    CONSTANTS,
    ENDLESS,
    FIRST,
    NUMBERS,
    OF_SOURCE,
    READINGS,
    SWITCH,
    Number,
    considering,
    value_of,
    with_number,
    words,
)
from driftgate.judge.region import region_factor
from driftgate.predict.covariance_engine import covariance
from driftgate.predict.filter_tally import LEVELS
from driftgate.predict.prepared import Prepared, prepare
from driftgate.predict.trials_engine import run_trials
from driftgate.predict.values import CovarianceResult, TrialsResult
from driftgate.schema.late_readings import compensated

TRIALS = 400
# Each number is ranked by the first, the best of them refined by the others.
FACTORS = (1.5, 2.0, 4.5, 6.0, 10.0)
# For a number that is nothing: what it should be depends on how many readings see the same wall.
FROM_NOTHING = (1.5, 6.0, 10.0, 12.0, 24.0)
# So many are refined, and so many changes tried in trials at most.
_MOST_TRIED = 3
# More than this much further off is worse; what is about as far off as before is said to be no nearer.
_WORSE, _NO_NEARER = 1.05, 1.01
# A change that has no such effect has none.
_NOTHING = 1e-3
# Regions that are off by less, as the logarithm of a factor on their square, hold what they claim.
_FITTING = 0.08
# What stands for the largest error source is worth as much of it.
_BELONGING = 0.1

_COMPENSATION = Number("compensate_latency", "", 1.0, 1.0)


@dataclass(frozen=True)
class Advice:
    """A change of one number of the filter that a run bears out.

    Attributes
    ----------
    key : str
        The number under `correction.filter`.
    now, better : str
        Its value as it is and as tried, with unit.
    held : float
        How often the 95 % region holds the truth with it, at the moment named.
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
class _Change:
    """A number changed, and what the covariance engine expects of it.

    `gap`: by how much a region is off at the worst moment, as the logarithm of a factor. `further`: how many
    times as far off the true position is as before, as a logarithm, averaged over the moments.
    """

    number: Number
    changed: Prepared
    up: bool
    gap: float
    further: float

    @property
    def score(self) -> float:
        """How bad it is."""
        return max(self.gap, _FITTING) + self.further


def advice(prepared: Prepared, found: Consistency, seed: int) -> Advice | str:
    """Return the change that mends a filter which is too trusting or too shy.

    Parameters
    ----------
    prepared : Prepared
        The case.
    found : Consistency
        What its trials say.
    seed : int
        Seed of the trials with the change.

    Returns
    -------
    Advice or str
        The change, or why none is named ("" for a filter that is right).
    """
    if found.word not in ("too trusting", "too shy"):
        return ""
    up = found.word == "too trusting"
    index = min(range(len(found.moments)), key=lambda i: _rank(found.moments[i].coverage["all"], up))
    tried: list[_Tried] = []
    before_m = 0.0
    for change in _changes(prepared, found, index):
        if not tried:
            before_m = _off_m(run_trials(prepared, min(TRIALS, found.trials), seed), index)
        tried.append(_tried(change, before_m, found, index, seed))
        if tried[-1].mends and not tried[-1].worse:
            return _advice(prepared, found, tried[-1], index)
    return _none_mends(prepared, found, tried, index)


def _changes(prepared: Prepared, found: Consistency, index: int) -> Iterator[_Change]:
    """Yield the changes to try in trials: what the filter leaves out altogether, then its numbers."""
    up = found.word == "too trusting"
    expected = covariance(prepared)
    base = _measured(expected)
    if up and (robot := compensated(prepared.case.robot)) is not None:
        changed = prepare(replace(prepared.case, robot=robot), prepared.plan)
        yield _Change(_COMPENSATION, changed, True, *_against(base, changed))
    if up and (changed_switch := considering(prepared)) is not None:
        yield _Change(SWITCH, changed_switch, True, *_against(base, changed_switch))
    considers = prepared.case.robot.correction.filter.consider
    # Where innovations say it, too, it is noise: a constant shows in none after the first few.
    noise = READINGS[:2] if considers else READINGS
    heard = {s.word for s in found.sensors if s.used} == {found.word}
    belonging = _of_largest_source(expected, index)

    def order(change: _Change) -> float:
        key = change.number.key
        told = key in noise if considers and heard else key in belonging
        return change.score - (_BELONGING if told else 0.0)

    ranked: list[_Change] = []
    for number in NUMBERS:
        value = value_of(prepared.filter, number)
        if (
            (number.key not in noise and _readings_alone(found))
            or (number.key in CONSTANTS and not prepared.filter.considers)
            or (number.key == "wall_tilt" and not considers and not prepared.case.robot.correction.pairs)
            # What is without end is not changed.
            or not math.isfinite(value)
        ):
            continue
        # What is nothing cannot be lowered, and what has no effect one way has none the other.
        for way in (True, False) if up else (False,):
            if not way and value <= 0.0:
                continue
            change = _change(
                prepared, base, number, way, math.inf if way and number.key == ENDLESS else FIRST
            )
            if abs(change.gap - base.gap) < _NOTHING and abs(change.further) < _NOTHING:
                break
            ranked.append(change)
    best = sorted(ranked, key=order)[:_MOST_TRIED]
    refined = [_refined(prepared, base, change) for change in best]
    yield from sorted((c for c in refined if c.score < max(base.gap, _FITTING)), key=order)


@dataclass(frozen=True)
class _Measured:
    """What the covariance engine expects of a filter: by how much its regions are off, and how far it is."""

    gap: float
    off_m: tuple[float, ...]


def _measured(expected: CovarianceResult) -> _Measured:
    gap, off_m = 0.0, []
    for m in expected.moments:
        off_m.append(math.sqrt(float(m.cov[0, 0] + m.cov[1, 1] + m.mean[:2] @ m.mean[:2])))
        for level in (LEVELS[0], LEVELS[-1]):
            factor = region_factor(m.filter_cov, m.estimation_mean, m.estimation_cov, level)
            gap = max(gap, math.inf if factor is None or factor <= 0.0 else abs(math.log(factor)))
    return _Measured(gap, tuple(off_m))


def _against(base: _Measured, changed: Prepared) -> tuple[float, float]:
    """Return how bad a changed filter's regions are, and how much further off it is."""
    now = _measured(covariance(changed))
    ratios = [
        math.log(max(new, 1e-9) / max(old, 1e-9)) for old, new in zip(base.off_m, now.off_m, strict=True)
    ]
    return now.gap, sum(ratios) / len(ratios)


def _change(prepared: Prepared, base: _Measured, number: Number, up: bool, factor: float) -> _Change:
    changed = with_number(prepared, number, factor if up else 1.0 / factor)
    return _Change(number, changed, up, *_against(base, changed))


def _refined(prepared: Prepared, base: _Measured, change: _Change) -> _Change:
    """Return the factor on a number that the covariance engine likes best."""
    factors = FACTORS if value_of(prepared.filter, change.number) > 0.0 else FROM_NOTHING
    others = [_change(prepared, base, change.number, change.up, factor) for factor in factors]
    return min([change, *others], key=lambda one: one.score)


@dataclass(frozen=True)
class _Tried:
    """A change, and what trials say of it at the moment where the filter was worst."""

    change: _Change
    held: float
    held_half: float
    trials: int
    word: str
    mends: bool
    off_m: tuple[float, float]

    @property
    def worse(self) -> bool:
        """Whether the true position is further off with it."""
        return self.off_m[1] > _WORSE * self.off_m[0]


def _off_m(result: TrialsResult, index: int) -> float:
    """Return how far off the true position is at a moment, as a root mean square. [m]"""
    return math.sqrt(float((result.moments[index].error[:, :2] ** 2).sum(axis=1).mean()))


def _tried(change: _Change, before_m: float, found: Consistency, index: int, seed: int) -> _Tried:
    """Return what trials say of a changed filter, over the same luck as without the change.

    `before_m` is what `_off_m` gave without it.
    """
    count = min(TRIALS, found.trials)
    after = run_trials(change.changed, count, seed)
    moments = tuple((m.name, m.step) for m in change.changed.moments)
    now = filter_consistency(change.changed.case, moments, after)
    assert now is not None
    coverage = now.moments[index].coverage["all"]
    # One that was too shy has to be so no more, whatever few trials leave open.
    fits = found.word == "too trusting" or all(m.coverage["all"][0] <= MOST_IN_HALF for m in now.moments)
    return _Tried(
        change,
        coverage[-1],
        coverage[0],
        count,
        now.word,
        now.word == "consistent" and fits,
        (before_m, _off_m(after, index)),
    )


def _of_largest_source(expected: CovarianceResult, index: int) -> tuple[str, ...]:
    """Return the numbers that stand for the source with the largest part in the error of the position."""
    parts = expected.moments[index].by_source
    largest = max(parts, key=lambda name: float(parts[name][0, 0] + parts[name][1, 1]), default="")
    return OF_SOURCE.get(largest, ())


def _what(prepared: Prepared, change: _Change) -> tuple[str, str, str, str]:
    """Return a change in words: what it is now, what then, what to do, and with or without."""
    number = change.number
    if number is _COMPENSATION:
        what = (
            "Readings are old when they are used, and nothing takes that out (DG150). Let the robot's code "
            "compare each with the pose at its echo, and set correction.compensate_latency to true"
        )
        return "false", "true", what, "with"
    if number is SWITCH:
        return "false", "true", "Set correction.filter.consider to true", "with"
    values = [value_of(p.filter, number) for p in (prepared, change.changed)]
    now, better = (words(number, value) for value in values)
    if not math.isfinite(values[1]):
        return now, better, f"Leave out correction.filter.{number.key} ({now})", "without"
    verb = "Raise" if change.up else "Lower"
    return now, better, f"{verb} correction.filter.{number.key} from {now} to {better}", "with"


def _held(found: Consistency, one: _Tried, index: int) -> str:
    """Return how often the region that was wrong holds the truth now, in words."""
    level, held = (LEVELS[-1], one.held) if found.word == "too trusting" else (LEVELS[0], one.held_half)
    return (
        f"the {100.0 * level:.0f} % region at '{found.moments[index].name}' holds the truth in "
        f"{100.0 * held:.0f} % of {one.trials} trials"
    )


def _position(one: _Tried) -> str:
    before, after = (1e3 * off for off in one.off_m)
    return f"{after:.1f} mm (root mean square) in place of {before:.1f} mm"


def _advice(prepared: Prepared, found: Consistency, one: _Tried, index: int) -> Advice:
    now, better, what, so = _what(prepared, one.change)
    sentence = (
        f"{what}: {so} it {_held(found, one, index)}. The true position is then off by {_position(one)}"
    )
    # A filter may be wrong about itself and drive well.
    sentence += "." if one.off_m[1] <= _NO_NEARER * one.off_m[0] else ": better known, but no nearer."
    held = one.held if found.word == "too trusting" else one.held_half
    moment = found.moments[index].name
    return Advice(one.change.number.key, now, better, held, moment, one.trials, sentence)


_ELSE = (
    "It may be two of them together, or an error that the filter has no number for: readings that are false "
    "or old, a mean that the code does not take out, a touch."
)


def _none_mends(prepared: Prepared, found: Consistency, tried: list[_Tried], index: int) -> str:
    """Return why no change is advised: the nearest to it, and what it does."""
    none = "No single number of the filter mends it"
    up = found.word == "too trusting"
    if mending := [one for one in tried if one.mends]:
        one = min(mending, key=lambda one: one.off_m[1])
        _, _, what, so = _what(prepared, one.change)
        return (
            f"{none} without harm. {what}, and {_held(found, one, index)}, but the true position is "
            f"farther off: {_position(one)}, so do not. {_ELSE}"
        )

    def miss(coverage: float) -> float:
        return abs(coverage - (LEVELS[-1] if up else LEVELS[0]))

    before = miss(found.moments[index].coverage["all"][-1 if up else 0])
    helping = [one for one in tried if miss(one.held if up else one.held_half) < before and not one.worse]
    if not helping:
        return f"{none}. {_ELSE}"
    one = min(helping, key=lambda one: miss(one.held if up else one.held_half))
    _, _, what, so = _what(prepared, one.change)
    return (
        f"{none}. Nearest comes: {what[0].lower()}{what[1:]}. {so.capitalize()} it "
        f"{_held(found, one, index)}, which is not enough, and the true position is "
        f"off by {_position(one)}. {_ELSE}"
    )


def _readings_alone(found: Consistency) -> bool:
    """Return whether the innovations say the same as coverage, and are mostly the readings' own noise.

    Then it is the noise of the readings that the filter has wrong, and no other number is tried.
    """
    sensors = [s for s in found.sensors if s.used]
    total = sum(s.tried for s in sensors)
    own = sum(s.tried * s.own for s in sensors)
    return bool(sensors) and {s.word for s in sensors} == {found.word} and own > 0.5 * total


def _rank(coverage: tuple[float, ...], up: bool) -> float:
    return coverage[-1] if up else -coverage[0]
