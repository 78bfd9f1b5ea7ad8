"""Everything that happens in a few trials at every knot: what a robot's own log would hold, and the truth."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.echoes import Echo
from driftgate.predict.prepared import Prepared
from driftgate.predict.recorder import Recorder
from driftgate.predict.trial_motion import Poses
from driftgate.predict.values import BoolArray


class TickRecorder(Recorder):
    """Keeps, for n trials and K + 1 knots, the poses beside what a `Recorder` keeps.

    Attributes
    ----------
    tick_reckoned : ndarray, shape (K + 1, n, 3)
        The believed pose that dead reckoning has led to, before the fixes of this knot. [m, m, rad]
    tick_belief : ndarray, shape (K + 1, n, 3)
        The believed pose after them. Of a contact step only the last knot is of use.
    tick_truth : ndarray, shape (K + 1, n, 3)
        Where the robot really is; of a contact step the same.
    tick_s : ndarray, shape (K + 1, n)
        The trials' own clocks. [s]
    reading_m : ndarray, shape (readings, n)
        What came back, nan for nothing; nan too where a reading was not tried. [m]
    """

    def __init__(self, prepared: Prepared, count: int) -> None:
        super().__init__(prepared, count)
        self._pose = prepared.plan.timeline.pose
        knots = len(self._pose)
        self.tick_reckoned, self.tick_belief, self.tick_truth = (
            np.full((knots, count, 3), np.nan) for _ in range(3)
        )
        self.tick_s = np.zeros((knots, count))
        self.reading_m = np.full((len(self.outcome), count), np.nan)

    def moved(self, knot: int, p: Poses, clock_s: FloatArray) -> None:
        """Keep the poses before anything is read."""
        self._keep(self.tick_reckoned, knot, (p.bx, p.by, p.bh))
        self._keep(self.tick_truth, knot, (p.xx, p.xy, p.xh))
        self.tick_s[knot] = clock_s

    def corrected(self, knot: int, p: Poses) -> None:
        """Keep the belief after all fixes; at the start no motion comes before them."""
        if knot == 0:
            self.moved(0, Poses(*(np.zeros(1),) * 3, p.xx, p.xy, p.xh), np.zeros(1))
        self._keep(self.tick_belief, knot, (p.bx, p.by, p.bh))

    def reading(
        self,
        r: int,
        which: BoolArray,
        outcome: IntArray,
        expected: IntArray,
        echo_of: Callable[[], Echo],
        at_gate: tuple[FloatArray, FloatArray] | None,
        fixed: Sequence[FloatArray],
        of_pair: int = 0,
    ) -> None:
        """Keep what came back, too, whether or not the robot listened."""
        super().reading(r, which, outcome, expected, echo_of, at_gate, fixed, of_pair)
        at = np.flatnonzero(which)
        self.reading_m[r, self._columns(at)] = np.broadcast_to(echo_of().reading_m, outcome.shape)[at]

    def _keep(self, rows: FloatArray, knot: int, deviation: Sequence[FloatArray]) -> None:
        for axis, part in enumerate(deviation):
            rows[knot, :, axis] = self._pose[knot, axis] + part
