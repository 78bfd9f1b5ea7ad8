"""Where the robot really is along the plan in many trials, beside what a `Recorder` keeps: for pictures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.prepared import Prepared
from driftgate.predict.recorder import Recorder
from driftgate.predict.trial_motion import Poses


class PathRecorder(Recorder):
    """Keeps, for n trials and K + 1 knots, the true pose, and where each first touched what it should not.

    Attributes
    ----------
    touch_knot : ndarray of int, shape (n,)
        Knot of the first unintended contact, -1 for none.
    """

    def __init__(self, prepared: Prepared, count: int) -> None:
        super().__init__(prepared, count)
        timeline = prepared.plan.timeline
        self.touch_knot: IntArray = np.full(count, -1, dtype=np.intp)
        self._last_knot = timeline.first_tick[1:]
        # Half the memory; a tenth of a micrometre is no matter in a picture.
        self._path: NDArray[np.float32] = np.full((len(timeline.time_s), 3, count), np.nan, dtype=np.float32)

    def moved(self, knot: int, p: Poses, clock_s: FloatArray) -> None:
        """Keep the truth at a knot."""
        self._keep(knot, p)

    def corrected(self, knot: int, p: Poses) -> None:
        """Keep the truth at the start, before which nothing moves."""
        if knot == 0:
            self._keep(0, p)

    def step_ended(self, step: int, p: Poses, clock_s: FloatArray) -> None:
        """Keep where a step ended, settling included."""
        super().step_ended(step, p, clock_s)
        self._keep(int(self._last_knot[step]), p)

    def touched(self, knot: IntArray) -> None:
        """Keep where each trial first touched something."""
        self.touch_knot = knot.copy()

    def _keep(self, knot: int, p: Poses) -> None:
        row = self._path[knot]
        row[0], row[1], row[2] = p.xx, p.xy, p.xh

    def off_plan(self, knots: IntArray | Sequence[int]) -> FloatArray:
        """Return the true pose less the plan at some knots, field axes, shape (m, 3, n). [m, m, rad]

        Inside a step against a wall only its end is known; what lies between is on the straight line.
        """
        known = np.flatnonzero(~np.isnan(self._path[:, 0]).any(axis=1))
        wanted = np.asarray(knots, dtype=np.intp)
        after = np.searchsorted(known, wanted).clip(0, len(known) - 1)
        high = known[after]
        low = np.where(high == wanted, high, known[np.maximum(after - 1, 0)])
        share = np.where(high > low, (wanted - low) / np.maximum(high - low, 1), 0.0)[:, None, None]
        found: FloatArray = (1.0 - share) * self._path[low] + share * self._path[high]
        return found
