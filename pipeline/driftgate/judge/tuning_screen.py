"""What the covariance engine expects of a filter with one or two of its numbers changed.

One pass each, all over what one look along the plan has seen: by how much the filter's regions are too small
or too large for the errors that it makes (`driftgate.judge.region`), and how much further off the robot then
truly is. A filter that is right about itself is soon had by trusting nothing, so that both count.

Numbers are tried both ways where the filter trusts itself too much: one that doubts its odometry far too much
believes each reading, and all that these share. What helps one way is taken to harm the other way. The best
few are then followed along a ladder of factors for as long as that is better, and the best of all together
with each of a few others.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

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
    with_numbers,
)
from driftgate.judge.region import region_factor
from driftgate.predict.covariance_engine import covariance
from driftgate.predict.covariance_reading import Seen
from driftgate.predict.filter_tally import LEVELS
from driftgate.predict.prepared import Prepared, prepare
from driftgate.predict.values import CovarianceResult
from driftgate.schema.late_readings import compensated

COMPENSATION = Number("compensate_latency", "", 1.0, 1.0)

# A number is first changed by FIRST, and then by its neighbours on the ladder while they are better.
LADDER = (1.5, 2.0, FIRST, 4.5, 6.0, 10.0, 15.0, 24.0, 40.0)
# For a number that is nothing: what it should be depends on how many readings see the same wall.
FROM_NOTHING = (1.5, FIRST, 6.0, 10.0, 12.0, 24.0)
# So many numbers are followed up alone, and so many are weighed together with the best of them.
# And so many of these pairs are followed up.
_MOST_ALONE, _MOST_PARTNERS, _MOST_PAIRS = 3, 4, 2
# A step along the ladder has to be better by this, or the smaller change is as good.
_STEP = 0.01
# Each of a pair is followed up so many times over, since the best of one depends on the other.
_ROUNDS = 2
# A change that has no such effect has none.
_NOTHING = 1e-3
# Regions that are off by less, as the logarithm of a factor on their square, hold what they claim.
_FITTING = 0.08
# What stands for the largest error source is worth as much of it.
_BELONGING = 0.1

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class Edit:
    """One number of the filter, raised or lowered, and by which factor."""

    number: Number
    up: bool
    factor: float

    @property
    def signed(self) -> float:
        """The factor on the number."""
        return self.factor if self.up else 1.0 / self.factor


@dataclass(frozen=True)
class Change:
    """Numbers changed, and what the covariance engine expects of it.

    Attributes
    ----------
    edits : tuple of Edit
        Which numbers, and how.
    changed : Prepared
        The case with them.
    gap : float
        By how much a region is off at the worst moment, as the logarithm of a factor on its square.
    further : float
        How many times as far off the true position is as before, as a logarithm, averaged over the moments.
    """

    edits: tuple[Edit, ...]
    changed: Prepared
    gap: float
    further: float

    @property
    def score(self) -> float:
        """How bad it is."""
        return max(self.gap, _FITTING) + self.further


@dataclass(frozen=True)
class _Measured:
    """By how much a filter's regions are off, and how far off the robot is at each moment. [m]"""

    gap: float
    off_m: tuple[float, ...]


class Screen:
    """The changes of one filter that are worth a run.

    Parameters
    ----------
    prepared : Prepared
        The case.
    up : bool
        Whether the filter trusts itself too much.
    noise : bool
        Whether nothing but the noise of the readings can be wrong.
    heard : bool
        Whether the innovations say the same as coverage.
    index : int
        The moment that the advice is about.
    progress : callable
        Told (done, of how many, words).
    """

    def __init__(
        self, prepared: Prepared, up: bool, noise: bool, heard: bool, index: int, progress: Progress
    ) -> None:
        self._prepared = prepared
        self._up = up
        self._only_noise = noise
        self._progress = progress
        # What the readings see is the same whatever the filter makes of it.
        self._seen: dict[int, Seen] = {}
        expected = covariance(prepared, seen=self._seen)
        self._base = _measured(expected)
        self._considers = prepared.case.robot.correction.filter.consider
        # Where innovations say it, too, it is noise: a constant shows in none after the first few.
        self._noise = READINGS[:2] if self._considers else READINGS
        told = self._noise if self._considers and heard else ()
        self._belonging = {*told, *of_largest_source(expected, index)}
        self._alone: list[Change] = []
        self._followed_up: list[Change] = []

    @property
    def before(self) -> float:
        """How bad the filter is as it is."""
        return max(self._base.gap, _FITTING)

    def left_out(self) -> Iterator[Change]:
        """Yield what the filter leaves out altogether, where that is expected to help."""
        if not self._up:
            return
        case = self._prepared.case
        if (robot := compensated(case.robot)) is not None:
            changed = prepare(replace(case, robot=robot), self._prepared.plan)
            # Readings are then held against another instant, so that they see something else.
            yield from self._if_better(COMPENSATION, changed, {})
        if (considers := considering(self._prepared)) is not None:
            yield from self._if_better(SWITCH, considers, self._seen)

    def _if_better(self, number: Number, changed: Prepared, seen: dict[int, Seen]) -> Iterator[Change]:
        change = Change((Edit(number, True, 1.0),), changed, *self._against(changed, seen))
        if change.score < self.before:
            yield change

    def alone(self) -> list[Change]:
        """Return the best changes of one number, best first."""
        ways = [number for number in NUMBERS if self._may_be(number)]
        for done, number in enumerate(ways):
            self._progress(done, len(ways), "number of the filter weighed,")
            self._alone += self._both_ways(number)
        self._alone.sort(key=self._order)
        self._followed_up = [self._followed(change) for change in self._alone[:_MOST_ALONE]]
        return sorted((c for c in self._followed_up if c.score < self.before), key=self._order)

    def pairs(self) -> list[Change]:
        """Return the best pair of the best number and one of the next few; after `alone`."""
        if not self._alone:
            return []
        first = min([*self._followed_up, self._alone[0]], key=self._order)
        known = {first.edits[0].number.key: first}
        for change in self._alone:
            known.setdefault(change.edits[0].number.key, change)
        found = []
        others = list(known.values())[1 : 1 + _MOST_PARTNERS]
        for done, other in enumerate(others):
            self._progress(done, len(others), "pair of numbers of the filter weighed,")
            found.append(self._change((*first.edits, *other.edits)))
        best = [self._followed(pair) for pair in sorted(found, key=self._order)[:_MOST_PAIRS]]
        return sorted((p for p in best if p.score < min(first.score, self.before)), key=self._order)

    @property
    def nearest(self) -> float:
        """How far off the robot is with the number changed that is best for that, as `Change.further`."""
        return min((change.further for change in (*self._alone, *self._followed_up)), default=0.0)

    def _may_be(self, number: Number) -> bool:
        """Return whether a number may be what is wrong."""
        if self._only_noise and number.key not in self._noise:
            return False
        if number.key in CONSTANTS and not self._prepared.filter.considers:
            return False
        if number.key == "wall_tilt" and not (self._considers or self._prepared.case.robot.correction.pairs):
            return False
        # What is without end is not changed.
        return math.isfinite(value_of(self._prepared.filter, number))

    def _both_ways(self, number: Number) -> list[Change]:
        """Return a number changed one way, and the other way if that did not help."""
        found: list[Change] = []
        for up in (True, False) if self._up else (False,):
            # What is nothing cannot be lowered.
            if not up and value_of(self._prepared.filter, number) <= 0.0:
                continue
            endless = up and number.key == ENDLESS
            change = self._change((Edit(number, up, math.inf if endless else FIRST),))
            # What has no effect one way has none the other.
            if abs(change.gap - self._base.gap) < _NOTHING and abs(change.further) < _NOTHING:
                break
            found.append(change)
            if change.score < self.before:
                break
        return found

    def _followed(self, change: Change) -> Change:
        """Return the factors on the numbers of a change that are expected to be best."""
        best = change
        for _ in range(1 if len(change.edits) == 1 else _ROUNDS):
            start = best
            for place in range(len(change.edits)):
                best = self._climbed(best, place)
            if best is start:
                break
        return best

    def _climbed(self, change: Change, place: int) -> Change:
        edit = change.edits[place]
        ladder = LADDER if value_of(self._prepared.filter, edit.number) > 0.0 else FROM_NOTHING

        @functools.cache
        def at(rung: int) -> Change:
            if ladder[rung] == edit.factor:
                return change
            edits = list(change.edits)
            edits[place] = replace(edit, factor=ladder[rung])
            return self._change(tuple(edits))

        rung = ladder.index(edit.factor if edit.factor in ladder else FIRST)
        for step in (1, -1):
            begun = rung
            while 0 <= rung + step < len(ladder) and at(rung + step).score < at(rung).score - _STEP:
                rung += step
            if rung != begun:
                break
        return min(change, at(rung), key=lambda one: one.score)

    def _order(self, change: Change) -> float:
        told = sum(edit.number.key in self._belonging for edit in change.edits)
        return change.score - _BELONGING * told / len(change.edits)

    def _change(self, edits: tuple[Edit, ...]) -> Change:
        changed = with_numbers(self._prepared, [(edit.number, edit.signed) for edit in edits])
        return Change(edits, changed, *self._against(changed, self._seen))

    def _against(self, changed: Prepared, seen: dict[int, Seen]) -> tuple[float, float]:
        """Return how bad a changed filter's regions are, and how much further off it is."""
        now = _measured(covariance(changed, seen=seen))
        ratios = [
            math.log(max(new, 1e-9) / max(old, 1e-9))
            for old, new in zip(self._base.off_m, now.off_m, strict=True)
        ]
        return now.gap, sum(ratios) / len(ratios)


def _measured(expected: CovarianceResult) -> _Measured:
    gap, off_m = 0.0, []
    for m in expected.moments:
        off_m.append(math.sqrt(float(m.cov[0, 0] + m.cov[1, 1] + m.mean[:2] @ m.mean[:2])))
        for level in (LEVELS[0], LEVELS[-1]):
            factor = region_factor(m.filter_cov, m.estimation_mean, m.estimation_cov, level)
            gap = max(gap, math.inf if factor is None or factor <= 0.0 else abs(math.log(factor)))
    return _Measured(gap, tuple(off_m))


def of_largest_source(expected: CovarianceResult, index: int) -> tuple[str, ...]:
    """Return the numbers that stand for the source with the largest part in the error of the position."""
    parts = expected.moments[index].by_source
    largest = max(parts, key=lambda name: float(parts[name][0, 0] + parts[name][1, 1]), default="")
    return OF_SOURCE.get(largest, ())
