"""What a believed beam and its corridor can possibly meet, settled once per plan.

The bounds are those of `driftgate.predict.bounds`: trials outside them look at everything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.bounds import SHARES, angle_slack, position_slack
from driftgate.predict.prepared import Prepared
from driftgate.predict.values import Outcome
from driftgate.sight.corridor import Obstacle
from driftgate.sight.validity import ReadingLimits
from driftgate.world.beam import sensor_beam
from driftgate.world.culling import by_row, candidates_for_beam, candidates_for_disc, farthest_met
from driftgate.world.rays import EdgeArrays
from driftgate.world.solids import seen_from_behind, solids_of

Box = tuple[float, ...]
Beam = tuple[FloatArray, FloatArray, FloatArray, FloatArray]

_ROUNDING = 1e-9  # [m or rad]
_NEARLY_FLAT_RAD = 1.57
# What the tests of range and incidence say of a reading for sure.
_OPEN, _OTHER, _BEYOND, _OBLIQUE, _PASSES = range(5)
_SETTLED: tuple[Outcome | None, ...] = (
    None,
    Outcome.NOT_REFERENCE,
    Outcome.OUT_OF_RANGE,
    Outcome.INCIDENCE,
)


@dataclass(frozen=True)
class View:
    """For each reading of the plan, what its believed beam may meet inside one bound.

    Attributes
    ----------
    edges : list of ndarray of int
        Believed edges that the beam may meet.
    first : list of ndarray of int
        Those of them that can be the first to answer.
    nearby : list of list of int
        Obstacles that can be in the corridor.
    sure : list of int
        The only edge that the beam may meet, where it certainly does; else -1.
    settled : list of Outcome or None
        The outcome of the validity tests, where it is the same for every belief.
    """

    edges: list[IntArray]
    first: list[IntArray]
    nearby: list[list[int]]
    sure: list[int]
    settled: list[Outcome | None]


class Views:
    """The views of a case, by bound; each is worked out when it is first asked for.

    Parameters
    ----------
    prepared : Prepared
        The case.
    knots : ndarray of int
        The knot whose belief each reading is compared with.
    edges : EdgeArrays
        The believed map's edges.
    limits : sequence of ReadingLimits
        Limits of each sensor's readings.
    boxes : sequence of sequence of tuple
        For each sensor the boxes round the obstacles at its height.
    hurried : sequence of Outcome
        For each reading what the nominal speed and turn rate make of it: TOO_FAST, TURNING or ACCEPTED.
    """

    def __init__(
        self,
        prepared: Prepared,
        knots: IntArray,
        edges: EdgeArrays,
        limits: Sequence[ReadingLimits],
        boxes: Sequence[Sequence[Box]],
        hurried: Sequence[Outcome],
    ) -> None:
        self._prepared = prepared
        self._knots = knots
        self._edges = edges
        self._limits = limits
        self._boxes = boxes
        self._hurried = hurried
        self._found: dict[int, View] = {}
        believed = prepared.believed
        self._reference = np.array([e.reference for e in believed.edges])
        self._solids = solids_of(believed.edges)
        # No two points of the map, and of the plan on it, are further apart.
        corners = np.vstack([np.column_stack([edges.ax, edges.ay]), np.column_stack([edges.bx, edges.by])])
        places = prepared.plan.timeline.pose[:, :2]
        self._size = float(np.ptp(np.vstack([believed.outline, corners, places]), axis=0).sum())

    def inside(self, bound: int) -> View:
        """Return the view inside a bound, an index into `bounds.SHARES`."""
        if bound not in self._found:
            self._found[bound] = self._view(SHARES[bound])
        return self._found[bound]

    def _view(self, share: float) -> View:
        readings, pose = self._prepared.plan.timeline.readings, self._prepared.plan.timeline.pose
        count = len(readings.knot)
        none = [np.zeros(0, dtype=np.intp)] * count
        view = View(none.copy(), none, [[] for _ in range(count)], [-1] * count, [None] * count)
        for s, sensor in enumerate(self._prepared.case.robot.sensors):
            mine = np.flatnonzero(readings.sensor == s)
            if len(mine):
                at, mount = pose[self._knots[mine]], sensor.mount
                beam = sensor_beam(at[:, 0], at[:, 1], at[:, 2], mount.x, mount.y, mount.heading)
                self._surfaces(view, s, mine, beam, share)
                self._corridors(view, s, mine, beam, share)
                self._settle(view, s, mine, beam, share)
        return view

    def _surfaces(self, view: View, s: int, mine: IntArray, beam: Beam, share: float) -> None:
        e, sensor = self._edges, self._prepared.case.robot.sensors[s]
        px, py, ux, uy = beam
        slack, turn = position_slack(sensor, share), angle_slack(sensor, share)
        high = (e.low_m <= sensor.mount.height) & (sensor.mount.height <= e.high_m)
        ends = e.ax, e.ay, e.bx, e.by, 0.0
        farthest = np.where(high, farthest_met(px, py, ux, uy, slack, turn, *ends), np.inf)
        # A sensor may stand ahead of the robot, outside the walls, and look at the far side over low ones.
        size = self._size + float(np.hypot(sensor.mount.x, sensor.mount.y)) + slack
        reach_m = np.minimum(size, farthest.min(axis=1))
        may = high & candidates_for_beam(px, py, ux, uy, reach_m, slack, turn, *ends)
        in_cone = sensor.beam_width > 0.0
        first = may & ~seen_from_behind(px, py, slack, *ends, self._solids, in_cone)
        # What is behind another face may still hide what answers beside a mute one: it is sure of nothing.
        may = may if in_cone else first
        met = np.any(may & (farthest < np.inf), axis=1)
        single = (may.sum(axis=1) == 1) & met
        rows = zip(mine.tolist(), by_row(may), by_row(first), single.tolist(), strict=True)
        for r, edges, ahead, alone in rows:
            view.edges[r], view.first[r] = edges, ahead
            if alone:
                view.sure[r] = int(edges[0])

    def _corridors(self, view: View, s: int, mine: IntArray, beam: Beam, share: float) -> None:
        sensor, margin, reach_m = (
            self._prepared.case.robot.sensors[s],
            self._limits[s].corridor_m,
            self._limits[s].high_m,
        )
        if margin < 0.0:
            return
        px, py, ux, uy = beam
        # The corridor's margin widens the beam's start; what stands in a cone is in the way as well.
        slack, turn = position_slack(sensor, share) + margin, angle_slack(sensor, share)
        low_x, high_x, low_y, high_y = np.array(self._boxes[s], dtype=float).reshape(-1, 4).T
        centre = 0.5 * (low_x + high_x), 0.5 * (low_y + high_y)
        radius = 0.5 * np.hypot(high_x - low_x, high_y - low_y)
        may = candidates_for_disc(px, py, ux, uy, reach_m, slack, turn, *centre, radius, 0.0)
        for r, near in zip(mine.tolist(), by_row(may), strict=True):
            view.nearby[r] = near.tolist()

    def _settle(self, view: View, s: int, mine: IntArray, beam: Beam, share: float) -> None:
        """Note the validity tests that come out alike for every belief inside the bound.

        With the start off by d and the direction by a, a line at a distance D met at an incidence i is
        (D -+ d) / cos(i -+ a) away. In a cone the answer comes along one of its rays.
        """
        limits, e, sensor = self._limits[s], self._edges, self._prepared.case.robot.sensors[s]
        slack, turn = position_slack(sensor, share), angle_slack(sensor, share)
        sure = np.array([view.sure[r] for r in mine.tolist()])
        rows = np.flatnonzero(sure >= 0)
        px, py, ux, uy = (v[rows] for v in beam)
        nx, ny, ax, ay = (v[sure[rows]] for v in (e.nx, e.ny, e.ax, e.ay))
        away = np.abs(nx * (ax - px) + ny * (ay - py))
        # The angle between the beam and the normal, whichever side it points to.
        incidence = np.arccos(np.minimum(np.abs(nx * ux + ny * uy), 1.0))
        low_rad, high_rad = np.maximum(incidence - turn, 0.0), incidence + turn
        flat = high_rad > _NEARLY_FLAT_RAD
        nearest = (away - slack) / np.cos(low_rad)
        farthest = (away + slack) / np.cos(np.where(flat, 0.0, high_rad))
        beyond = (nearest > limits.high_m + _ROUNDING) | (farthest < limits.low_m - _ROUNDING)
        within = (nearest >= limits.low_m + _ROUNDING) & (farthest <= limits.high_m - _ROUNDING)
        oblique = low_rad > limits.incidence_rad + _ROUNDING
        passes = (high_rad <= limits.incidence_rad - _ROUNDING) & (limits.edge_margin_m <= 0.0)
        other = limits.reference & ~self._reference[sure[rows]]
        # In the order in which they are made; what is left open by one is open after it.
        tests = np.select(
            [other, flat, beyond, ~within, oblique, passes],
            [_OTHER, _OPEN, _BEYOND, _OPEN, _OBLIQUE, _PASSES],
            _OPEN,
        )
        for r, found in zip(mine[rows].tolist(), tests.tolist(), strict=True):
            if found == _PASSES:
                view.settled[r] = None if view.nearby[r] else self._hurried[r]
            else:
                view.settled[r] = _SETTLED[found]


def outer_box(obstacle: Obstacle) -> Box:
    """Return the box round an obstacle: low x, high x, low y, high y. [m]"""
    if obstacle.disc is not None:
        cx, cy, radius = obstacle.disc
        return cx - radius, cx + radius, cy - radius, cy + radius
    sides = obstacle.sides if obstacle.sides is not None else np.zeros((1, 4))
    x, y = sides[:, 0::2], sides[:, 1::2]
    return float(x.min()), float(x.max()), float(y.min()), float(y.max())


def boxes_overlap(a: Box, b: Box) -> bool:
    """Return whether two boxes have a point in common."""
    return a[0] <= b[1] and b[0] <= a[1] and a[2] <= b[3] and b[2] <= a[3]
