"""What the robot remembers between readings, and what is counted of them, over all trials of a batch."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.consider import NO_LINKS, Links
from driftgate.predict.contact_reset import WallReset, after_touch
from driftgate.predict.filter import Noise, Six, grow_filter
from driftgate.predict.filter_tally import FilterWatch, empty_filter_tally
from driftgate.predict.recorder import Recorder
from driftgate.predict.values import BoolArray, Outcome
from driftgate.schema.correction import WayBack

OUTCOMES = len(Outcome)
# A filter that has run away is not counted beyond this. [m]
_LONGEST_MOVE_M = 1e3
# Nothing counted yet, in any trial.
_NONE: IntArray = np.zeros(1, dtype=np.intp)


@dataclass
class Tally:
    """What became of the readings: by sensor and step, `counts` by outcome as well.

    `recorder` keeps each reading of each trial, in the few trials that are replayed.
    """

    counts: np.ndarray
    wrongly_accepted: np.ndarray
    wrongly_refused: np.ndarray
    fix_move_nm: np.ndarray
    watch: FilterWatch
    recorder: Recorder | None = None

    def count(self, sensor: int, step: int, outcome: IntArray | Outcome, which: BoolArray) -> None:
        """Count readings by outcome, in the trials given; an outcome alone is that of them all."""
        if isinstance(outcome, Outcome):
            self.counts[sensor, step, int(outcome)] += np.count_nonzero(which)
        else:
            self.counts[sensor, step] += np.bincount(outcome[which], minlength=OUTCOMES)

    def moved(self, sensor: int, step: int, moved_m: FloatArray) -> None:
        """Count by how far fixes moved the belief: whole nanometres, whatever the order of the trials."""
        # As integers: a few thousand belief moves of the longest kind would not add up exactly as floats.
        whole = np.minimum(moved_m, _LONGEST_MOVE_M)
        whole *= 1e9
        np.rint(whole, out=whole)
        self.fix_move_nm[sensor, step] += int(np.add.reduce(whole.astype(np.int64)))


def empty_tally(sensors: int, slots: int, steps: int, moments: int) -> Tally:
    """Return empty counts."""
    shape = (sensors, steps)
    return Tally(
        np.zeros((*shape, OUTCOMES), dtype=np.int64),
        np.zeros(shape, dtype=np.int64),
        np.zeros(shape, dtype=np.int64),
        np.zeros(shape, dtype=np.int64),
        FilterWatch(empty_filter_tally(slots, steps, moments)),
    )


@dataclass
class CorrectionState:
    """The robot's memory between readings, per trial; streaks by slot (`driftgate.sight.pairs`)."""

    filter: Six
    streak: list[IntArray]
    streak_surface: list[IntArray]
    refusals: IntArray
    lost: BoolArray
    # Sum of all fixes so far, field axes: an old reading is compared with the belief of its echo,
    # corrected by what has been fixed since.
    fixed: list[FloatArray] = field(default_factory=lambda: [np.zeros(1), np.zeros(1), np.zeros(1)])
    # The second readings of pairs: in which trials they are already taken, together with the first.
    paired: dict[int, BoolArray] = field(default_factory=dict)
    # How the error of the belief goes with what stays the same over the run, if that is considered.
    links: Links = NO_LINKS
    considers: bool = False

    def grow(self, dx: FloatArray, dy: FloatArray, noise: Noise, left: float) -> None:
        """Take the filter over a believed displacement; `left` is left of its links to surfaces."""
        self.filter = grow_filter(self.filter, dx, dy, noise)
        if self.considers:
            self.links = self.links.carried(dx, dy, left)

    def touched(self, which: BoolArray, reset: WallReset, believed_rad: FloatArray) -> None:
        """Reset the coordinate along a wall's normal and the heading, in the trials that have touched it.

        `believed_rad` is how far off the plan the heading was believed to be before.
        """
        square = np.square(believed_rad)
        self.filter, self.links = after_touch(self.filter, self.links, reset, which, square)

    def interrupt(self, slot: int) -> None:
        """Start counting again: a reading is missing, refused or not tried."""
        self.streak[slot] = _NONE

    def persists(self, slot: int, passed: BoolArray, surface: IntArray, readings: int) -> BoolArray:
        """Count passes in a row on one surface; the n-th and later ones are used."""
        same = passed & (surface == self.streak_surface[slot])
        self.streak[slot] = np.where(same, self.streak[slot] + 1, passed.astype(np.intp))
        self.streak_surface[slot] = surface
        return passed & (self.streak[slot] >= readings)

    def way_back(self, rule: WayBack | None, refused: BoolArray, passed: BoolArray) -> None:
        """Widen the filter after every so many refusals in a row; flag the robot as lost after more."""
        if not refused.any():
            if self.refusals.any():
                self.refusals = np.where(passed, 0, self.refusals)
            return
        who = refused.nonzero()[0]
        times = self.refusals[who] + 1
        self.refusals = np.where(passed, 0, self.refusals)
        self.refusals[who] = times
        if rule is None:
            return
        widen = who[times % rule.refusals == 0]
        if len(widen):
            factor = np.ones(len(refused))
            factor[widen] = rule.factor
            xx, xy, xh, yy, yh, hh = self.filter
            self.filter = (xx * factor, xy * factor, xh * factor, yy * factor, yh * factor, hh * factor)
        given_up = who[times >= rule.refusals + rule.lost_after]
        if len(given_up):
            self.lost = self.lost.copy()
            self.lost[given_up] = True


def fresh_memory(
    start: Six, count: int, slots: int, links: Links = NO_LINKS, considers: bool = False
) -> CorrectionState:
    """Return the robot's memory before the first reading, for so many trials and slots."""
    return CorrectionState(
        filter=start,
        streak=[np.zeros(count, dtype=np.intp) for _ in range(slots)],
        streak_surface=[np.full(count, -1, dtype=np.intp) for _ in range(slots)],
        refusals=np.zeros(count, dtype=np.intp),
        lost=np.zeros(count, dtype=bool),
        links=links,
        considers=considers,
    )
