"""Test vectors of dead reckoning and of a square-up that resets."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from driftgate.export.values import Pose
from driftgate.export.vector_draws import Draws, LinkRows, covariance_at, links_at, pose_at
from driftgate.export.vector_values import Instant, Motion, State, Vector, VectorKind
from driftgate.plan.values import Law
from driftgate.predict.consider import Links, carried, reset_links
from driftgate.predict.filter import Six, grow_filter, process_noise, reset_normal
from driftgate.predict.increments import drift_constants
from driftgate.predict.linear import travelling_ticks
from driftgate.predict.prepared import Prepared
from driftgate.predict.trial_contact import reset_belief
from driftgate.predict.trial_motion import Command, Poses, move_tick, tick_plans
from driftgate.schema.routine import SquareUp
from driftgate.sight.pairs import slots

_MOVES: Final = 12
# A belief before a reset, off the plan (our choice). [m, m, rad]
_OFF: Final = (0.013, -0.021, 0.04)

NO_MOTION: Final = Motion(0.0, 0.0, 0.0, 0.0)


def move_vectors(prepared: Prepared) -> list[Vector]:
    """Return ticks of the plan as dead reckoning: the belief moves, the covariance grows."""
    timeline = prepared.plan.timeline
    ticks = tick_plans(prepared.plan, prepared.case.robot.controller, travelling_ticks(prepared.plan))
    contacts = {step.index for step in prepared.plan.steps if step.law is Law.CONTACT}
    usable = [k for k in range(len(ticks)) if int(timeline.step[k]) not in contacts]
    if not usable:
        return []
    spread = np.linspace(0, len(usable) - 1, _MOVES).round().astype(int).tolist()
    zero, slot_count = np.zeros(1), len(slots(prepared.case.robot).names)
    perfect = drift_constants(lambda key: None)
    found = []
    for k in sorted({usable[i] for i in spread}):
        tick = ticks[k]
        own = Draws(k, 1).covariance()
        # The belief is on the plan, so that the plan's heading is its own.
        belief = Poses(zero, zero, zero, zero, zero, zero)
        command = Command(np.full(1, tick.ds), np.full(1, tick.dl), zero, zero)
        moved = move_tick(tick, command, belief, perfect, np.full(1, tick.dt), (zero, zero, zero))
        noise = process_noise(prepared.filter, tick.ds, tick.dl, tick.dth, tick.dt, tick.heading)
        before = Pose(tick.x, tick.y, tick.heading)
        after = Pose(tick.x + float(moved[0][0]), tick.y + float(moved[1][0]), tick.heading + tick.dth)
        motion = Motion(tick.ds, tick.dl, tick.dth, tick.dt)
        filters = own, grow_filter(own, *moved, noise)
        links = _links(prepared, k, own)
        left = prepared.filter.left_over(math.hypot(tick.ds, tick.dl))
        memory = _at(links, slot_count), _at(carried(links, *moved, left), slot_count)
        poses, step = (before, after), int(timeline.step[k])
        found.append(_vector(VectorKind.MOVE, step, motion, poses, filters, memory))
    return found


def reset_vectors(prepared: Prepared) -> list[Vector]:
    """Return what a touch that resets makes of belief and covariance."""
    found = []
    for step in prepared.plan.steps:
        contact, source = prepared.plan.contacts.get(step.index), step.source
        if contact is None or not isinstance(source, SquareUp) or source.reset is None:
            continue
        edge = next(e for e in prepared.believed.edges if e.id == contact.wall)
        own = Draws(step.index, 1).covariance()
        x, y, heading = (np.full(1, value) for value in _OFF)
        p = Poses(x, y, heading, x, y, heading)
        touched = np.ones(1, dtype=bool)
        reset_belief(p, edge, touched)
        filters = own, reset_normal(own, edge.normal, source.reset.position, source.reset.heading)
        end = np.asarray(step.end_pose)
        poses = pose_at(end, (x, y, heading), 0), pose_at(end, (p.bx, p.by, p.bh), 0)
        links, slot_count = _links(prepared, step.index, own), len(slots(prepared.case.robot).names)
        memory = _at(links, slot_count), _at(reset_links(links, edge.normal, touched), slot_count)
        found.append(_vector(VectorKind.RESET, step.index, NO_MOTION, poses, filters, memory))
    return found


def _links(prepared: Prepared, row: int, own: Six) -> Links:
    """Return links to what the filter considers."""
    if not prepared.filter.considers:
        return {}
    return Draws(row, 1).links(own, len(slots(prepared.case.robot).names))


def _at(links: Links, slot_count: int) -> LinkRows:
    return links_at(links, slot_count if links else 0, 0)


def _vector(
    kind: VectorKind,
    step: int,
    motion: Motion,
    poses: tuple[Pose, Pose],
    filters: tuple[Six, Six],
    memory: tuple[LinkRows, LinkRows],
) -> Vector:
    before, after = (
        State(pose, covariance_at(own, 0), Pose(0.0, 0.0, 0.0), (), (), *links, 0, False)
        for pose, own, links in zip(poses, filters, memory, strict=True)
    )
    instant = Instant(step, 0.0, 0.0, 0.0, 0.0)
    return Vector(kind, -1, instant, poses[0], (), motion, before, after, ())
