"""Unintended contact: the true footprint against the true field, in every trial.

An obstacle is tested only where it can be met. With d the distance of the nominal footprint from the
mapped obstacle, a trial whose pose is off by p metres and h radians moves no point of a footprint of
reach R by more than p + R |h|, so an obstacle that moved by m cannot be met while d > p + R |h| + m.
The bound is taken from the trials at hand, so nothing is ever left out wrongly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.contact_rules import touch_exemptions
from driftgate.plan.values import IntArray
from driftgate.predict.prepared import Prepared
from driftgate.predict.things import Things
from driftgate.predict.trial_motion import Poses, wide
from driftgate.predict.trial_world import StrayList, stray_list
from driftgate.predict.values import BoolArray
from driftgate.world.footprint import (
    footprint_hull,
    footprint_reach_m,
    hull_at,
    hull_distance_to_point,
    hull_distance_to_segment,
    hull_meets_disc,
    hull_meets_segment,
)

# Trials further off than this are tested apart, so that a few do not widen the bound for all. [m]
_CLOSE_M = 0.08
# Covers the rounding of a distance on any field. [m]
_ROUNDING_M = 1e-9
# To pick a larger share of the trials costs more than to test them all.
_SOME = 0.5


@dataclass(frozen=True)
class TouchPlan:
    """Distances on the nominal plan, settled once per plan.

    Attributes
    ----------
    ids : tuple of str
        Owners: walls and structures, then elements.
    edge_owner : ndarray of int
        Owner index of each true edge.
    edge_distance, element_distance : ndarray, shape (K + 1, E) and (K + 1, elements)
        Distance of the nominal footprint from each mapped obstacle, inf for what it passes over. [m]
    exempt : ndarray of bool, shape (K, owners)
        In which ticks touching is meant.
    hull : ndarray
        The footprint's convex hull.
    reach_m : float
        Largest distance of the footprint from the robot's origin. [m]
    timed : bool
        Something comes or goes during the routine, so that standing still is no protection.
    """

    ids: tuple[str, ...]
    edge_owner: IntArray
    edge_distance: FloatArray
    element_distance: FloatArray
    exempt: BoolArray
    hull: FloatArray
    reach_m: float
    timed: bool


def touch_plan(prepared: Prepared) -> TouchPlan:
    """Return the nominal distances of the footprint from everything, and what it may touch."""
    case, timeline, world = prepared.case, prepared.plan.timeline, prepared.true
    owners = tuple(dict.fromkeys(e.owner for e in world.edges))
    ids = owners + tuple(e.id for e in world.elements)
    number = {name: i for i, name in enumerate(ids)}
    hull = footprint_hull(case.robot.footprint)
    hx, hy = hull_at(hull, timeline.pose[:, 0], timeline.pose[:, 1], timeline.pose[:, 2])
    knots = len(timeline.time_s)
    edge_distance = np.full((knots, len(world.edges)), np.inf)
    for i, edge in enumerate(world.edges):
        if edge.low_m < case.robot.height:
            edge_distance[:, i] = hull_distance_to_segment(hx, hy, *edge.a, *edge.b)
    element_distance = np.full((knots, len(world.elements)), np.inf)
    for j, element in enumerate(world.elements):
        if element.source.height.low < case.robot.height:
            away = hull_distance_to_point(hx, hy, element.pose[0], element.pose[1])
            element_distance[:, j] = away - element.outline.reach_m
    exempt = np.zeros((len(timeline.twist), len(ids)), dtype=bool)
    for owner, mask in touch_exemptions(case, prepared.plan.steps, timeline).items():
        if owner in number:
            exempt[:, number[owner]] = mask
    return TouchPlan(
        ids=ids,
        edge_owner=np.array([number[e.owner] for e in world.edges], dtype=np.intp),
        edge_distance=edge_distance,
        element_distance=element_distance,
        exempt=exempt,
        hull=hull,
        reach_m=footprint_reach_m(case.robot.footprint),
        timed=any(e.source.present.begin > 0.0 for e in world.elements),
    )


class TouchTest:
    """Contact test of a batch of trials; keeps the first unintended contact of each.

    What can be pushed is pushed out of the way, whether touching it is meant or not.
    """

    def __init__(self, prepared: Prepared, plan: TouchPlan, things: Things, count: int) -> None:
        world = things.world
        self._pose = prepared.plan.timeline.pose
        self._plan = plan
        self._things = things
        self._owners = len(plan.ids) - len(world.elements)
        self._moved = np.array([e.moved_m for e in world.elements])
        self._pushable = np.array([e.source.source.pushable for e in world.elements], dtype=bool)
        self._met: dict[int, BoolArray] = {}  # trials that push, at this instant
        low = [e.source.source.height.low < prepared.case.robot.height for e in world.elements]
        self._strays: StrayList = stray_list(world, low)
        # By knot: those that a footprint near the plan can touch.
        self._strays_near = self._strays.near_each(self._pose, plan.reach_m + _CLOSE_M + _ROUNDING_M)
        self.step: IntArray = np.full(count, -1, dtype=np.intp)
        self.obstacle: IntArray = np.full(count, -1, dtype=np.intp)
        self._now = -1
        self.knot: IntArray = np.full(count, -1, dtype=np.intp)  # of the first contact

    def test(self, tick: int, step: int, p: Poses, clock_s: FloatArray, knot: int | None = None) -> None:
        """Test the knot at the end of a tick (or `knot`), with what may be touched in that tick."""
        knot = tick + 1 if knot is None else knot
        self._now = knot
        count = len(self.step)
        x, y, h = (wide(v, count) for v in (p.xx, p.xy, p.xh))
        # No point of the footprint is further from its nominal place than this.
        off = np.sqrt(x * x + y * y) + self._plan.reach_m * np.abs(h)
        pose = self._pose[knot]
        far = (off > _CLOSE_M).nonzero()[0]
        if len(far) < len(off):
            # Those far off are tested here, too: it costs less than to leave them out.
            close_m = _CLOSE_M if len(far) else float(off.max())
            self._test((tick, knot), step, pose, (x, y, h), off, close_m, clock_s)
        if len(far):
            self._test((tick, knot), step, pose, (x, y, h), off, float(off[far].max()), clock_s, far)
        strays = self._strays_near[knot]
        if len(far) and len(self._strays.trial):
            strays = np.union1d(strays, np.flatnonzero(off[self._strays.trial] > _CLOSE_M))
        if len(strays):
            self._test_strays(strays, tick, step, pose, (x, y, h), clock_s)
        if self._pushable.any():
            self._test_pushed(tick, step, pose, (x, y, h), clock_s)
            self._push(pose, (x, y, h))

    def _test(
        self,
        when: tuple[int, int],
        step: int,
        pose: FloatArray,
        deviation: tuple[FloatArray, FloatArray, FloatArray],
        off_m: FloatArray,
        most_m: float,
        clock_s: FloatArray,
        who: IntArray | None = None,
    ) -> None:
        """Test what a footprint that is off by `most_m` can touch, in some trials or all; each by `off_m`."""
        tick, knot = when
        plan, world, exempt = self._plan, self._things.world, self._plan.exempt[tick]
        edges = (plan.edge_distance[knot] <= most_m + world.moved_m + _ROUNDING_M).nonzero()[0]
        edges = edges[~exempt[plan.edge_owner[edges]]]
        elements = (plan.element_distance[knot] <= most_m + self._moved + _ROUNDING_M).nonzero()[0]
        elements = elements[~exempt[self._owners + elements] | self._pushable[elements]]
        if len(edges) == 0 and len(elements) == 0:
            return
        if who is None:
            # What the furthest trial can touch is out of reach of most of the others.
            gap_m = min(
                (plan.edge_distance[knot][edges] - world.moved_m[edges]).min(initial=np.inf),
                (plan.element_distance[knot][elements] - self._moved[elements]).min(initial=np.inf),
            )
            able = (off_m >= gap_m - _ROUNDING_M).nonzero()[0]
            if len(able) == 0:
                return
            who = able if len(able) < _SOME * len(off_m) else None
        at: slice | IntArray = slice(None) if who is None else who
        x, y, h = (v[at] for v in deviation)
        hull = hull_at(plan.hull, pose[0] + x, pose[1] + y, pose[2] + h)
        for e in edges.tolist():
            met = hull_meets_segment(*hull, *world.built.ends(e, at))
            self._note(met, who, step, int(plan.edge_owner[e]))
        for j in elements.tolist():
            met = self._meets(j, hull, at)
            met &= world.elements[j].present(np.broadcast_to(clock_s, self.step.shape)[at], at)
            self._note_element(met, who, tick, step, j)

    def _meets(self, j: int, hull: tuple[FloatArray, FloatArray], at: slice | IntArray) -> BoolArray:
        element = self._things.world.elements[j]
        hx, hy = hull
        if element.corners_x is None or element.corners_y is None:
            radius = element.source.outline.radius_m or 0.0
            return hull_meets_disc(hx, hy, element.x[at], element.y[at], radius)
        cx, cy = element.corners_x[:, at], element.corners_y[:, at]
        met = np.zeros(hx.shape[1], dtype=bool)
        for i in range(len(cx)):
            k = (i + 1) % len(cx)
            met |= hull_meets_segment(hx, hy, cx[i], cy[i], cx[k], cy[k])
        return met

    def _test_strays(
        self,
        which: IntArray,
        tick: int,
        step: int,
        pose: FloatArray,
        deviation: tuple[FloatArray, FloatArray, FloatArray],
        clock_s: FloatArray,
    ) -> None:
        """Test some strayed elements, each in the trials in which it strayed."""
        plan, strays = self._plan, self._strays
        trial = strays.trial[which]
        x, y = pose[0] + deviation[0][trial], pose[1] + deviation[1][trial]
        dx, dy = strays.x[which] - x, strays.y[which] - y
        near = dx * dx + dy * dy <= np.square(plan.reach_m + strays.reach_m[which]) + _ROUNDING_M
        rows = near.nonzero()[0]
        # Few are left, and those alone are looked at more closely.
        if len(rows) == 0:
            return
        strays, x, y, h = strays.at(which[rows]), x[rows], y[rows], pose[2] + deviation[2][trial[rows]]
        # Who touched something at an earlier instant has its first contact.
        before = (self.step[strays.trial] >= 0) & (self.knot[strays.trial] < self._now)
        meant = plan.exempt[tick][self._owners + strays.element]
        rows = (~(meant | before) | self._pushable[strays.element]).nonzero()[0]
        if len(rows) == 0:
            return
        hx, hy = hull_at(plan.hull, x[rows], y[rows], h[rows])
        # A disc of that reach holds the element: nearly all rows end here, in one call.
        met = hull_meets_disc(hx, hy, strays.x[rows], strays.y[rows], strays.reach_m[rows] + _ROUNDING_M)
        for j in np.unique(strays.element[rows[met]]).tolist():
            mine = np.flatnonzero(met & (strays.element[rows] == j))
            trial = strays.trial[rows[mine]]
            touches = self._meets(j, (hx[:, mine], hy[:, mine]), trial)
            clock = np.broadcast_to(clock_s, self.step.shape)[trial]
            touches &= self._things.world.elements[j].present(clock, trial)
            self._note_element(touches, trial, tick, step, j)

    def _test_pushed(
        self,
        tick: int,
        step: int,
        pose: FloatArray,
        deviation: tuple[FloatArray, FloatArray, FloatArray],
        clock_s: FloatArray,
    ) -> None:
        """Test pushed elements, each in the trials in which it was pushed."""
        for j, element in enumerate(self._things.world.elements):
            trials = element.pushed_trials()
            if len(trials) == 0:
                continue
            x, y, h = (v[trials] for v in deviation)
            off = np.hypot(element.x[trials] - (pose[0] + x), element.y[trials] - (pose[1] + y))
            near = off <= self._plan.reach_m + element.source.outline.reach_m + _ROUNDING_M
            trials, x, y, h = trials[near], x[near], y[near], h[near]
            met = self._meets(j, hull_at(self._plan.hull, pose[0] + x, pose[1] + y, pose[2] + h), trials)
            met &= element.present(np.broadcast_to(clock_s, self.step.shape)[trials], trials)
            self._note_element(met, trials, tick, step, j)

    def _note_element(self, met: BoolArray, who: IntArray | None, tick: int, step: int, j: int) -> None:
        """Keep a contact with an element that is not meant to be touched; push what can be pushed."""
        if not self._plan.exempt[tick, self._owners + j]:
            self._note(met, who, step, self._owners + j)
        if self._pushable[j] and met.any():
            mask = self._met.setdefault(j, np.zeros(len(self.step), dtype=bool))
            mask[np.flatnonzero(met) if who is None else who[met]] = True

    def _push(self, pose: FloatArray, deviation: tuple[FloatArray, FloatArray, FloatArray]) -> None:
        """Push what was met at this instant, once, whichever test found it."""
        for j, mask in sorted(self._met.items()):
            who = np.flatnonzero(mask)
            x, y, h = (v[who] for v in deviation)
            hull = hull_at(self._plan.hull, pose[0] + x, pose[1] + y, pose[2] + h)
            self._things.push(j, who, hull)
        self._met.clear()

    def _note(self, met: BoolArray, who: IntArray | None, step: int, owner: int) -> None:
        """Keep the first contact; of several at one knot the first in `ids`, whatever order they come in."""
        trials = met.nonzero()[0] if who is None else who[met]
        if len(trials) == 0:
            return
        fresh = trials[self.step[trials] < 0]
        self.step[fresh], self.knot[fresh], self.obstacle[fresh] = step, self._now, owner
        tied = trials[(self.knot[trials] == self._now) & (self.obstacle[trials] > owner)]
        self.obstacle[tied] = owner
