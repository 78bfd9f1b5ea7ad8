"""Unintended contact: the true footprint against the true field, in every trial."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.contact_rules import touch_exemptions
from driftgate.plan.values import IntArray
from driftgate.predict.echoes import (
    ANGLE_SLACK_RAD,
    POSITION_SLACK_M,
    SURFACE_SLACK_M,
    element_present,
)
from driftgate.predict.prepared import Prepared
from driftgate.predict.trial_motion import Poses
from driftgate.predict.trial_world import TrueWorld
from driftgate.predict.values import BoolArray
from driftgate.world.footprint import (
    footprint_hull,
    hull_at,
    hull_distance_to_point,
    hull_distance_to_segment,
    hull_meets_disc,
    hull_meets_segment,
)


@dataclass(frozen=True)
class TouchPlan:
    """What to test where, settled once per plan.

    Attributes
    ----------
    ids : tuple of str
        Owners: walls and structures, then elements.
    edge_owner : ndarray of int
        Owner index of each true edge.
    near_edges, near_elements : tuple of ndarray
        For each knot the edges and elements that the footprint can meet inside the bound.
    exempt : ndarray of bool, shape (K, owners)
        In which ticks touching is meant.
    hull : ndarray
        The footprint's convex hull.
    """

    ids: tuple[str, ...]
    edge_owner: IntArray
    near_edges: tuple[IntArray, ...]
    near_elements: tuple[IntArray, ...]
    exempt: BoolArray
    hull: FloatArray
    low_edges: BoolArray
    low_elements: BoolArray


def touch_plan(prepared: Prepared) -> TouchPlan:
    """Return what a trial's footprint can meet at each knot, given the bound."""
    case, timeline, world = prepared.case, prepared.plan.timeline, prepared.true
    owners = tuple(dict.fromkeys(e.owner for e in world.edges))
    ids = owners + tuple(e.id for e in world.elements)
    number = {name: i for i, name in enumerate(ids)}
    hull = footprint_hull(case.robot.footprint)
    reach = float(np.hypot(hull[:, 0], hull[:, 1]).max())
    slack = POSITION_SLACK_M + ANGLE_SLACK_RAD * reach + SURFACE_SLACK_M
    hx, hy = hull_at(hull, timeline.pose[:, 0], timeline.pose[:, 1], timeline.pose[:, 2])
    low_edges = np.array([e.low_m < case.robot.height for e in world.edges])
    low_elements = np.array([e.source.height.low < case.robot.height for e in world.elements], dtype=bool)
    near = np.zeros((len(timeline.time_s), len(world.edges)), dtype=bool)
    for i, edge in enumerate(world.edges):
        if low_edges[i]:
            near[:, i] = hull_distance_to_segment(hx, hy, *edge.a, *edge.b) <= slack
    near_elements = np.zeros((len(timeline.time_s), len(world.elements)), dtype=bool)
    for j, element in enumerate(world.elements):
        if low_elements[j]:
            away = hull_distance_to_point(hx, hy, element.pose[0], element.pose[1])
            near_elements[:, j] = away <= slack + element.outline.reach_m
    exempt = np.zeros((len(timeline.twist), len(ids)), dtype=bool)
    for owner, mask in touch_exemptions(case, prepared.plan.steps, timeline).items():
        if owner in number:
            exempt[:, number[owner]] = mask
    return TouchPlan(
        ids=ids,
        edge_owner=np.array([number[e.owner] for e in world.edges], dtype=np.intp),
        near_edges=tuple(np.flatnonzero(row) for row in near),
        near_elements=tuple(np.flatnonzero(row) for row in near_elements),
        exempt=exempt,
        hull=hull,
        low_edges=low_edges,
        low_elements=low_elements,
    )


class TouchTest:
    """Contact test of a batch of trials; keeps the first unintended contact of each."""

    def __init__(self, prepared: Prepared, plan: TouchPlan, world: TrueWorld, count: int) -> None:
        self._pose = prepared.plan.timeline.pose
        self._plan = plan
        self._world = world
        self._owners = len(plan.ids) - len(world.elements)
        self._culls = bool(np.all(world.moved_m <= SURFACE_SLACK_M))
        self.step: IntArray = np.full(count, -1, dtype=np.intp)
        self.obstacle: IntArray = np.full(count, -1, dtype=np.intp)

    def test(self, tick: int, step: int, p: Poses, clock_s: FloatArray) -> None:
        """Test the knot at the end of a tick."""
        plan, knot = self._plan, tick + 1
        exempt = plan.exempt[tick]
        pose = self._pose[knot]
        every = np.flatnonzero(plan.low_edges)
        edges = plan.near_edges[knot] if self._culls else every
        self._edges(edges, exempt, pose, p, None, step)
        elements, strays = self._near_elements(knot)
        for j in elements:
            self._element(j, exempt, pose, p, None, step, clock_s)
        for j in strays:
            self._element(j, exempt, pose, p, self._world.elements[j].strayed, step, clock_s)
        outside = (np.hypot(p.xx, p.xy) > POSITION_SLACK_M) | (np.abs(p.xh) > ANGLE_SLACK_RAD)
        far = np.flatnonzero(outside & (self.step < 0))
        if len(far):
            self._edges(every, exempt, pose, p, far, step)
            for j in np.flatnonzero(plan.low_elements).tolist():
                self._element(j, exempt, pose, p, far, step, clock_s)

    def _near_elements(self, knot: int) -> tuple[list[int], list[int]]:
        near = {int(j) for j in self._plan.near_elements[knot]}
        whole, strays = [], []
        for j, element in enumerate(self._world.elements):
            if not self._plan.low_elements[j]:
                continue
            if j in near or element.moved_m > SURFACE_SLACK_M:
                whole.append(j)
            elif len(element.strayed):
                strays.append(j)
        return whole, strays

    def _hull(self, pose: FloatArray, p: Poses, who: IntArray | None) -> tuple[FloatArray, FloatArray]:
        x, y, h = (v if who is None else np.broadcast_to(v, self.step.shape)[who] for v in (p.xx, p.xy, p.xh))
        return hull_at(self._plan.hull, pose[0] + x, pose[1] + y, pose[2] + h)

    def _edges(
        self,
        edges: IntArray,
        exempt: BoolArray,
        pose: FloatArray,
        p: Poses,
        who: IntArray | None,
        step: int,
    ) -> None:
        edges = np.array([e for e in edges if not exempt[self._plan.edge_owner[e]]], dtype=np.intp)
        if len(edges) == 0:
            return
        hx, hy = self._hull(pose, p, who)
        at: slice | IntArray = slice(None) if who is None else who
        w = self._world
        for e in edges:
            met = hull_meets_segment(hx, hy, w.ax[e][at], w.ay[e][at], w.bx[e][at], w.by[e][at])
            self._note(met, who, step, int(self._plan.edge_owner[e]))

    def _element(
        self,
        j: int,
        exempt: BoolArray,
        pose: FloatArray,
        p: Poses,
        who: IntArray | None,
        step: int,
        clock_s: FloatArray,
    ) -> None:
        owner = self._owners + j
        if exempt[owner]:
            return
        element = self._world.elements[j]
        at: slice | IntArray = slice(None) if who is None else who
        hx, hy = self._hull(pose, p, who)
        if element.corners_x is not None and element.corners_y is not None:
            cx, cy = element.corners_x[:, at], element.corners_y[:, at]
            met = np.zeros(hx.shape[1], dtype=bool)
            for i in range(len(cx)):
                k = (i + 1) % len(cx)
                met |= hull_meets_segment(hx, hy, cx[i], cy[i], cx[k], cy[k])
        else:
            radius = element.source.outline.radius_m or 0.0
            met = hull_meets_disc(hx, hy, element.x[at], element.y[at], radius)
        met = met & element_present(element, np.broadcast_to(clock_s, self.step.shape)[at])
        self._note(met, who, step, owner)

    def _note(self, met: BoolArray, who: IntArray | None, step: int, owner: int) -> None:
        trials = np.flatnonzero(met) if who is None else who[met]
        fresh = trials[self.step[trials] < 0]
        self.step[fresh] = step
        self.obstacle[fresh] = owner
