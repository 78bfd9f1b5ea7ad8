"""Test vectors of the start, of dead reckoning and of a square-up that resets."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from driftgate.export.constants import Numbering
from driftgate.export.values import Pose
from driftgate.export.vector_draws import Draws, LinkRows, covariance_at, links_at, pose_at
from driftgate.export.vector_values import Instant, Motion, State, Vector, VectorKind
from driftgate.plan.values import Law
from driftgate.predict.consider import NO_LINKS, Links
from driftgate.predict.contact_reset import after_touch, wall_reset
from driftgate.predict.filter import (
    Six,
    grow_filter,
    process_noise,
    start_filter,
    start_links,
)
from driftgate.predict.increments import drift_constants
from driftgate.predict.linear import travelling_ticks
from driftgate.predict.prepared import Prepared
from driftgate.predict.trial_contact import reset_belief
from driftgate.predict.trial_motion import Command, Poses, move_tick, tick_plans

_MOVES: Final = 12
# A belief before a reset, off the plan, and as the step began (our choice). [m, m, rad; rad]
_OFF: Final = (0.013, -0.021, 0.04)
_BEFORE: Final = 0.03

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
    zero, numbering = np.zeros(1), Numbering(prepared)
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
        links = _links(numbering, k, own)
        left = prepared.filter.left_over(math.hypot(tick.ds, tick.dl))
        memory = _at(links, numbering), _at(links.carried(*moved, left), numbering)
        poses, step = (before, after), int(timeline.step[k])
        found.append(_vector(VectorKind.MOVE, step, motion, poses, filters, memory))
    return found


def start_vector(prepared: Prepared) -> Vector:
    """Return what is remembered at the start: its spread, and what the robot is placed against."""
    start, numbering = prepared.case.routine.start.pose, Numbering(prepared)
    zero = np.zeros(1)
    none: Six = (zero, zero, zero, zero, zero, zero)
    pose = Pose(start.x, start.y, start.heading)
    memory = _at(NO_LINKS, numbering), _at(start_links(prepared.filter), numbering)
    filters = none, start_filter(prepared.filter)
    return _vector(VectorKind.START, 0, NO_MOTION, (Pose(0.0, 0.0, 0.0), pose), filters, memory)


def reset_vectors(prepared: Prepared) -> list[Vector]:
    """Return what a touch that resets makes of belief and covariance."""
    found, numbering = [], Numbering(prepared)
    for step in prepared.plan.steps:
        contact, reset = prepared.plan.contacts.get(step.index), wall_reset(prepared, step)
        if contact is None or reset is None:
            continue
        index, edge = next((i, e) for i, e in enumerate(prepared.believed.edges) if e.id == contact.wall)
        began = Pose(*step.start_pose[:2], step.start_pose[2] + _BEFORE)
        own = Draws(step.index, 1).covariance()
        x, y, heading = (np.full(1, value) for value in _OFF)
        p = Poses(x, y, heading, x, y, heading)
        touched = np.ones(1, dtype=bool)
        reset_belief(p, edge, touched)
        end = np.asarray(step.end_pose)
        poses = pose_at(end, (x, y, heading), 0), pose_at(end, (p.bx, p.by, p.bh), 0)
        links = _links(numbering, step.index, own, index)
        after, gained = after_touch(own, links, reset, touched, _BEFORE**2)
        filters, memory = (own, after), (_at(links, numbering), _at(gained, numbering))
        vector = _vector(VectorKind.RESET, step.index, NO_MOTION, poses, filters, memory)
        found.append(replace(vector, compared=began))
    return found


def _links(numbering: Numbering, row: int, own: Six, wall: int = -1) -> Links:
    """Return links to some of what the filter considers, and to a wall."""
    others = [s for s in numbering.surfaces[:2] if s != wall]
    keys = numbering.keys_of([0], [*others, *(s for s in numbering.surfaces if s == wall)])
    return Draws(row, 1).links(own, keys) if keys else NO_LINKS


def _at(links: Links, numbering: Numbering) -> LinkRows:
    return links_at(links, numbering, 0)


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
