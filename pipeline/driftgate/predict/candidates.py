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
    SURFACE_SLACK_M,
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
from driftgate.world.culling import by_row, candidates_for_beam, candidates_for_disc, farthest_met

Box = tuple[float, float, float, float]  # low x, high x, low y, high y [m]


@dataclass(frozen=True)
class Reachable:
    """For each reading of the plan, what its true beam may meet inside one bound.

    Attributes
    ----------
    edges, elements : list of ndarray of int
        Indices of true edges and of true elements, by reading.
    sure : list of int
        The only edge that the beam may meet, where it certainly does; else -1.
    square : list of bool
        No edge can be met so obliquely that its echo is lost.
    reach_m : ndarray
        How far the beam need be followed: every beam has met something there, or its sensor sees no further.
    """

    edges: list[IntArray]
    elements: list[IntArray]
    sure: list[int]
    square: list[bool]
    reach_m: FloatArray

    def candidates(self, r: int) -> int:
        """Return how many things the beam of a reading may meet."""
        return len(self.edges[r]) + len(self.elements[r])

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


class BeamCandidates:
    """What every true beam may meet, by bound; each is worked out when it is first asked for."""

    def __init__(self, prepared: Prepared, off: frozenset[str]) -> None:
        self._prepared = prepared
        self._knots = echo_knots(prepared, off)
        self._found: dict[int, Reachable] = {}
        self._boxes: list[dict[int, Box]] | None = None

    def inside(self, bound: int) -> Reachable:
        """Return what may be met inside a bound, an index into `bounds.SHARES`."""
        if bound not in self._found:
            self._found[bound] = _reachable(self._prepared, self._knots, SHARES[bound])
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
        return candidates_for_disc(*beam, self.inside(bound).reach_m[mine], *slack, x, y, radius_m, 0.0)

    def boxes(self) -> list[dict[int, Box]]:
        """Return what `swept_boxes` gives for the case."""
        if self._boxes is None:
            self._boxes = swept_boxes(self._prepared)
        return self._boxes


def _reachable(prepared: Prepared, knots: IntArray, share: float) -> Reachable:
    readings, pose, world = prepared.plan.timeline.readings, prepared.plan.timeline.pose, prepared.true
    count = len(readings.knot)
    none = np.zeros(0, dtype=np.intp)
    found = Reachable([none] * count, [none] * count, [-1] * count, [False] * count, np.zeros(count))
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
        ends = ax, ay, bx, by, SURFACE_SLACK_M
        blocks = tall & (not is_uneven(sensor))
        farthest = np.where(blocks, farthest_met(px, py, ux, uy, near, turn, *ends), np.inf)
        reach = np.minimum(sensor.reach.high, farthest.min(axis=1))
        may = tall & candidates_for_beam(px, py, ux, uy, reach, near, turn, *ends)
        single = (may.sum(axis=1) == 1) & np.any(may & (farthest < np.inf), axis=1)
        square = ~np.any(may & ~_squarely_met(sensor, (ux, uy), turn, (bx - ax, by - ay)), axis=1)
        may_disc = np.zeros((len(mine), len(world.elements)), dtype=bool)
        if len(world.elements):
            reaches = np.array([element_is_tall(e.source.height, sensor) for e in world.elements])
            may_disc = reaches & candidates_for_disc(
                px, py, ux, uy, reach, near, turn, centre_x, centre_y, outline_m, off_m
            )
        found.reach_m[mine] = reach
        rows = zip(
            mine.tolist(), by_row(may), by_row(may_disc), single.tolist(), square.tolist(), strict=True
        )
        for r, edges, elements, alone, squarely in rows:
            found.edges[r], found.elements[r], found.square[r] = edges, elements, squarely
            found.sure[r] = int(edges[0]) if alone else -1
    return found


def _squarely_met(
    sensor: Sensor,
    direction: tuple[FloatArray, FloatArray],
    turn_rad: float,
    along: tuple[FloatArray, FloatArray],
) -> BoolArray:
    """Return which edges a beam can meet only inside the echo limit, shape (readings, edges)."""
    ux, uy = (u[:, None] for u in direction)
    ex, ey = along
    length = np.hypot(ex, ey)
    incidence = np.arccos(np.minimum(np.abs(ux * ey - uy * ex) / length, 1.0))
    # Either end is off by the slack at most, so that the edge turns by no more than this.
    tilt = np.arcsin(np.minimum(2.0 * SURFACE_SLACK_M / length, 1.0))
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
