"""What the true beams of a plan can meet inside each of the bounds, settled before any trial is drawn.

The proof that nothing is wrongly left out is in `driftgate.world.culling`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.bounds import (
    SHARES,
    edge_slacks,
    element_slack,
    true_angle_slack,
    true_position_slack,
)
from driftgate.predict.prepared import Prepared
from driftgate.predict.values import BoolArray
from driftgate.schema.base import HeightRange
from driftgate.schema.sensor import Sensor
from driftgate.sight.expect import belief_knots
from driftgate.world.beam import sensor_beam
from driftgate.world.cone import Axis
from driftgate.world.culling import by_row, candidates_for_beam, candidates_for_disc, farthest_met
from driftgate.world.rays import EdgeArrays, Values, edge_arrays
from driftgate.world.solids import Solids, seen_from_behind, solids_of

Box = tuple[float, float, float, float]  # low x, high x, low y, high y [m]

# Beams times surfaces that are looked at together, each beam by itself: more than any few trials have.
_MOST_PAIRS = 50_000
# Pairs of a reading and a disc in one pass: what a processor's fast memory holds.
_TOGETHER = 8192
# So many surfaces may as well be cast against.
_NOT_WORTH = 12


@dataclass(frozen=True)
class Reachable:
    """For each reading of the plan, what its true beam may meet inside one bound.

    Attributes
    ----------
    edges, elements : list of ndarray of int
        Indices of true edges and of true elements, by reading.
    first : list of ndarray of int
        Those of the edges that can be the first to answer.
    sure : list of int
        The only edge that can be the first, where it certainly is met; else -1.
    square : list of bool
        No edge can be met so obliquely that its echo is lost.
    reach_m : ndarray
        How far the beam need be followed: every beam has met something there, or its sensor sees no further.
    """

    edges: list[IntArray]
    elements: list[IntArray]
    first: list[IntArray]
    sure: list[int]
    square: list[bool]
    reach_m: FloatArray

    def candidates(self, r: int) -> int:
        """Return how many things the beam of a reading may meet first."""
        return len(self.first[r]) + len(self.elements[r])

    def alone(self, r: int) -> bool:
        """Return whether a beam certainly meets the one thing that it may meet."""
        return self.sure[r] >= 0 and not len(self.elements[r])


def echo_knots(prepared: Prepared, off: frozenset[str]) -> IntArray:
    """Return the knot at which each reading is taken; with latency switched off that is its arrival."""
    readings = prepared.plan.timeline.readings
    return readings.knot if "range_latency" in off else readings.echo_knot


def compared_knots(prepared: Prepared, off: frozenset[str]) -> IntArray:
    """Return the knot whose belief each reading is compared with."""
    if "range_latency" in off:
        return prepared.plan.timeline.readings.knot
    return belief_knots(prepared.case, prepared.plan)


def is_uneven(sensor: Sensor) -> bool:
    """Return whether a sensor's height or pitch differs between trials."""
    return sensor.errors.mount_height is not None or sensor.errors.mount_pitch is not None


def may_meet(low_m: float, high_m: float, sensor: Sensor) -> bool:
    """Return whether a sensor's beam can be at the height of something; one that tilts can be anywhere."""
    return is_uneven(sensor) or low_m <= sensor.mount.height <= high_m


def element_is_tall(height: HeightRange, sensor: Sensor) -> bool:
    """Return whether an element can stand in the beam's height."""
    return may_meet(height.low, height.high, sensor)


def met_by_some(cone: Axis, edges: IntArray, e: EdgeArrays, moved_m: Values) -> IntArray:
    """Return those of some edges that any of a few beams or cones may meet, each where it is in its trial.

    Parameters
    ----------
    cone : Axis
        Their own beams, shape (n,).
    edges : ndarray of int
        Indices into `e`.
    e : EdgeArrays
        Edges as mapped.
    moved_m : ndarray, shape (E,), or float
        Neither end of an edge is further than this from there. [m]
    """
    if len(edges) <= _NOT_WORTH or np.size(cone.px) * len(edges) > _MOST_PAIRS:
        return edges
    ends = e.ax[edges], e.ay[edges], e.bx[edges], e.by[edges]
    off_m = moved_m[edges] if isinstance(moved_m, np.ndarray) else moved_m
    may = candidates_for_beam(*cone[:4], np.inf, 0.0, cone.half_rad, *ends, off_m)
    return edges[may.any(axis=0)]


def discs_met_by_some(cone: Axis, x: FloatArray, y: FloatArray, reach_m: FloatArray) -> BoolArray:
    """Return which things any of a few beams or cones may meet; a thing reaches so far from its place.

    Parameters
    ----------
    cone : Axis
        Their own beams, shape (n,).
    x, y : ndarray, shape (n, J)
        Where each thing is in each trial. [m]
    reach_m : ndarray, shape (J,)
    """
    if x.shape[1] <= _NOT_WORTH or x.size > _MOST_PAIRS:
        return np.ones(x.shape[1], dtype=bool)
    may = candidates_for_disc(*cone[:4], np.inf, 0.0, cone.half_rad, x, y, reach_m, 0.0)
    return np.asarray(may.any(axis=0))


class BeamCandidates:
    """What every true beam may meet, by bound; each is worked out when it is first asked for."""

    def __init__(self, prepared: Prepared, off: frozenset[str]) -> None:
        self._prepared = prepared
        self._knots = echo_knots(prepared, off)
        self.edge_slack_m = edge_slacks(prepared.true.edges, prepared.case.true)
        self.edges = edge_arrays(prepared.true.edges)
        self._solids = solids_of(prepared.true.edges)
        self._found: dict[int, Reachable] = {}
        self._boxes: list[dict[int, Box]] | None = None

    def inside(self, bound: int) -> Reachable:
        """Return what may be met inside a bound, an index into `bounds.SHARES`."""
        if bound not in self._found:
            self._found[bound] = _reachable(
                self._prepared, self._knots, SHARES[bound], self.edge_slack_m, self._solids
            )
        return self._found[bound]

    def discs(
        self, bound: int, mine: IntArray, x: FloatArray, y: FloatArray, radius_m: FloatArray
    ) -> BoolArray:
        """Return which discs the beams of some readings of one sensor may meet inside a bound.

        Parameters
        ----------
        bound : int
            Index into `bounds.SHARES`.
        mine : ndarray of int, shape (R,)
            The readings.
        x, y, radius_m : ndarray, shape (D,)
            The discs, anywhere. [m]

        Returns
        -------
        ndarray of bool, shape (R, D)
        """
        timeline = self._prepared.plan.timeline
        sensor = self._prepared.case.robot.sensors[int(timeline.readings.sensor[mine[0]])]
        at, mount = timeline.pose[self._knots[mine]], sensor.mount
        beam = sensor_beam(at[:, 0], at[:, 1], at[:, 2], mount.x, mount.y, mount.heading)
        slack = true_position_slack(sensor, SHARES[bound]), true_angle_slack(sensor, SHARES[bound])
        reach = self.inside(bound).reach_m[mine]
        found = np.empty((len(mine), len(x)), dtype=bool)
        rows = max(1, _TOGETHER // max(len(x), 1))
        for begin in range(0, len(mine), rows):
            some = slice(begin, begin + rows)
            px, py, ux, uy = (v[some] for v in beam)
            found[some] = candidates_for_disc(px, py, ux, uy, reach[some], *slack, x, y, radius_m, 0.0)
        return found

    def boxes(self) -> list[dict[int, Box]]:
        """Return what `swept_boxes` gives for the case."""
        if self._boxes is None:
            self._boxes = swept_boxes(self._prepared)
        return self._boxes


def _reachable(
    prepared: Prepared, knots: IntArray, share: float, edge_slack_m: FloatArray, solids: Solids
) -> Reachable:
    readings, pose, world = prepared.plan.timeline.readings, prepared.plan.timeline.pose, prepared.true
    count = len(readings.knot)
    none = np.zeros(0, dtype=np.intp)
    found = Reachable(
        [none] * count, [none] * count, [none] * count, [-1] * count, [False] * count, np.zeros(count)
    )
    ax, ay, bx, by = np.array([(*e.a, *e.b) for e in world.edges], dtype=float).reshape(-1, 4).T
    centre_x, centre_y = np.array([e.pose[:2] for e in world.elements], dtype=float).reshape(-1, 2).T
    outline_m = np.array([e.outline.reach_m for e in world.elements])
    off_m = np.array([element_slack(e.source) for e in world.elements])
    for s, sensor in enumerate(prepared.case.robot.sensors):
        mine = np.flatnonzero(readings.sensor == s)
        if len(mine) == 0:
            continue
        at, mount = pose[knots[mine]], sensor.mount
        px, py, ux, uy = sensor_beam(at[:, 0], at[:, 1], at[:, 2], mount.x, mount.y, mount.heading)
        near, turn = true_position_slack(sensor, share), true_angle_slack(sensor, share)
        tall = np.array([may_meet(e.low_m, e.high_m, sensor) for e in world.edges])
        ends = ax, ay, bx, by, edge_slack_m
        level = not is_uneven(sensor)
        blocks = tall & level
        farthest = np.where(blocks, farthest_met(px, py, ux, uy, near, turn, *ends), np.inf)
        reach = np.minimum(sensor.reach.high, farthest.min(axis=1))
        may = tall & candidates_for_beam(px, py, ux, uy, reach, near, turn, *ends)
        first = may
        if level:
            in_cone = sensor.beam_width > 0.0
            first = may & ~seen_from_behind(px, py, near, *ends, solids, in_cone)
            # What is behind another face may still hide what answers beside a mute one.
            may = may if in_cone else first
        single = (first.sum(axis=1) == 1) & np.any(first & (farthest < np.inf), axis=1)
        squarely = _squarely_met(sensor, (ux, uy), turn, (bx - ax, by - ay), edge_slack_m)
        square = ~np.any(may & ~squarely, axis=1)
        may_disc = np.zeros((len(mine), len(world.elements)), dtype=bool)
        if len(world.elements):
            reaches = np.array([element_is_tall(e.source.height, sensor) for e in world.elements])
            may_disc = reaches & candidates_for_disc(
                px, py, ux, uy, reach, near, turn, centre_x, centre_y, outline_m, off_m
            )
        found.reach_m[mine] = reach
        edges, elements, ahead = by_row(may), by_row(may_disc), by_row(first)
        for i, r in enumerate(mine.tolist()):
            found.edges[r], found.elements[r], found.first[r] = edges[i], elements[i], ahead[i]
            found.square[r] = bool(square[i])
            found.sure[r] = int(ahead[i][0]) if single[i] else -1
    return found


def _squarely_met(
    sensor: Sensor,
    direction: tuple[FloatArray, FloatArray],
    turn_rad: float,
    along: tuple[FloatArray, FloatArray],
    edge_slack_m: FloatArray,
) -> BoolArray:
    """Return which edges a beam can meet only inside the echo limit, shape (readings, edges)."""
    ux, uy = (u[:, None] for u in direction)
    ex, ey = along
    length = np.hypot(ex, ey)
    incidence = np.arccos(np.minimum(np.abs(ux * ey - uy * ex) / length, 1.0))
    # Either end is off by the slack at most, so that the edge turns by no more than this.
    tilt = np.arcsin(np.minimum(2.0 * edge_slack_m / length, 1.0))
    return np.array((incidence + turn_rad + tilt < sensor.echo_limit - 1e-6) & (tilt < 1.5))


def swept_boxes(prepared: Prepared) -> list[dict[int, Box]]:
    """Return for every sensor, by planned step, a box round whatever its beams can reach inside the bounds.

    A point of a beam is its start, off by d, plus t u(phi), t <= reach: within d + t |phi| of a point of the
    planned beam. Readings belong to the step in which they arrive.
    """
    readings, pose = prepared.plan.timeline.readings, prepared.plan.timeline.pose
    boxes: list[dict[int, Box]] = []
    for s, sensor in enumerate(prepared.case.robot.sensors):
        mine: dict[int, Box] = {}
        mount, reach_m = sensor.mount, sensor.reach.high
        margin = true_position_slack(sensor, 1.0) + reach_m * true_angle_slack(sensor, 1.0)
        for step in np.unique(readings.step[readings.sensor == s]).tolist():
            which = (readings.sensor == s) & (readings.step == step)
            # With latency or without: both knots.
            at = pose[np.concatenate([readings.echo_knot[which], readings.knot[which]])]
            px, py, ux, uy = sensor_beam(at[:, 0], at[:, 1], at[:, 2], mount.x, mount.y, mount.heading)
            x, y = np.concatenate([px, px + reach_m * ux]), np.concatenate([py, py + reach_m * uy])
            box = float(x.min()), float(x.max()), float(y.min()), float(y.max())
            mine[step] = (box[0] - margin, box[1] + margin, box[2] - margin, box[3] + margin)
        boxes.append(mine)
    return boxes
