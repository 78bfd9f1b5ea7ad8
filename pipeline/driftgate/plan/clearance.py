"""How near the nominal footprint comes to walls, structures and loose elements."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from driftgate.core.pose import FloatArray, compose, exp
from driftgate.plan.contact_rules import exemptions_among
from driftgate.plan.obstacles import Obstacles, obstacles_of, origin_distance, pair_distance
from driftgate.plan.values import Clearance, IntArray, PlanFinding, PlannedStep, Timeline
from driftgate.schema.case import Case
from driftgate.schema.routine import MotionStep
from driftgate.world.values import World

# No point of the footprint moves further than this between two looks; the neighbourhood of the
# nearest look is then looked at again, REFINE times finer. [m]
_LOOK_M: Final = 0.01
_REFINE: Final = 16
# Finer looking would find nothing new in motions too long to be meant.
_MOST_LOOKS_PER_TICK: Final = 400
# Nearer than this is no clearance that a real robot keeps (our choice). [m]
_CLOSE_M: Final = 0.010


@dataclass(frozen=True)
class _Looks:
    """Poses at which the footprint is looked at: between knots too, in motion steps only."""

    tick: IntArray
    share: FloatArray
    pose: FloatArray
    time_s: FloatArray
    step: IntArray


def check_clearance(
    case: Case, steps: Sequence[PlannedStep], timeline: Timeline, hull: FloatArray, world: World
) -> tuple[tuple[Clearance, ...], tuple[PlanFinding, ...]]:
    """Return the nearest obstacle of each motion step, and findings where that is too near.

    Parameters
    ----------
    case : Case
        For the routine's start and the robot's height.
    steps : sequence of PlannedStep
        The plan's steps.
    timeline : Timeline
        Their timeline.
    hull : ndarray, shape (n, 2)
        The robot's outline in its own axes. [m]
    world : World
        The believed map; loose elements count at their mapped places while they are there.

    Returns
    -------
    tuple of Clearance
        One per motion step that any obstacle is near of; meant contacts are left out. The sweep is
        sampled every 10 mm of motion and finer near its minimum: a corner passed between two looks
        may be nearer by less than a millimetre.
    tuple of PlanFinding
        DG204: an error where the footprint overlaps, a warning below 10 mm.
    """
    obstacles = obstacles_of(world, case.robot.height)
    moving = np.array([step.motion is not None for step in steps], bool)
    looks = _looks(timeline, moving, float(np.hypot(*hull.T).max()))
    if looks.tick.size == 0 or obstacles.owner.size == 0:
        return (), ()
    meant = exemptions_among(case, steps, timeline, hull, obstacles)
    clearances = tuple(_nearest(hull, timeline, looks, obstacles, _absent(timeline, obstacles, meant)))
    findings = (_finding(steps[c.step], c) for c in clearances)
    return clearances, tuple(finding for finding in findings if finding is not None)


def _looks(timeline: Timeline, moving: np.ndarray, radius_m: float) -> _Looks:
    ticks = np.flatnonzero(moving[timeline.step]) if moving.size else np.zeros(0, np.intp)
    twist = timeline.twist[ticks]
    moved = np.hypot(twist[:, 0], twist[:, 1]) + radius_m * np.abs(twist[:, 2])
    parts = np.clip(np.ceil(moved / _LOOK_M), 1, _MOST_LOOKS_PER_TICK).astype(np.intp)
    tick = np.repeat(ticks, parts)
    first = np.repeat(np.cumsum(parts) - parts, parts)
    share = (np.arange(tick.size) - first + 1) / np.repeat(parts, parts)
    return _look(timeline, tick, share)


def _look(timeline: Timeline, tick: IntArray, share: FloatArray) -> _Looks:
    pose = compose(timeline.pose[tick], exp(share[:, None] * timeline.twist[tick]))
    begin, end = timeline.time_s[tick], timeline.time_s[tick + 1]
    return _Looks(tick, share, pose, begin + share * (end - begin), timeline.step[tick])


def _absent(timeline: Timeline, obstacles: Obstacles, meant: dict[str, np.ndarray]) -> np.ndarray:
    """Return, for each tick and segment, whether it is not there or meant to be touched."""
    begin, end = timeline.time_s[:-1, None], timeline.time_s[1:, None]
    absent = (end < obstacles.begin_s) | (begin > obstacles.end_s)
    for i, name in enumerate(obstacles.ids):
        if name in meant:
            absent[:, obstacles.owner == i] |= meant[name][:, None]
    return np.asarray(absent)


def _nearest(
    hull: FloatArray, timeline: Timeline, looks: _Looks, obstacles: Obstacles, absent: np.ndarray
) -> list[Clearance]:
    """Return the nearest obstacle of each step that has looks.

    The footprint holds a disc about the robot's origin and lies within another, so the distance of
    the origin bounds its distance on both sides; only pairs that may be the nearest are worked out.
    """
    outer = float(np.hypot(*hull.T).max())
    centre = np.where(absent[looks.tick], np.inf, origin_distance(looks.pose, obstacles))
    first = np.flatnonzero(np.concatenate([[True], np.diff(looks.step) != 0]))
    at_most = np.maximum(np.minimum.reduceat(centre.min(axis=1), first) - _inner_radius(hull), 0.0)
    bound = np.repeat(at_most, np.diff(np.append(first, looks.step.size)))
    row, column = np.nonzero((centre - outer <= bound[:, None] + 1e-9) & np.isfinite(centre))
    if row.size == 0:
        return []
    distance = pair_distance(hull, looks.pose[row], obstacles, column)
    # Rows come in order, so the pairs of a step are one run.
    step = looks.step[row]
    run = np.flatnonzero(np.concatenate([[True], np.diff(step) != 0]))
    best = np.array(
        [b + int(np.argmin(distance[b:e])) for b, e in zip(run, [*run[1:], step.size], strict=True)]
    )
    return _refined(hull, timeline, looks, obstacles, row[best], column[best], distance[best])


def _refined(
    hull: FloatArray,
    timeline: Timeline,
    looks: _Looks,
    obstacles: Obstacles,
    row: IntArray,
    column: IntArray,
    distance: FloatArray,
) -> list[Clearance]:
    """Return the clearances after a closer look about each nearest one, within its tick."""
    tick = np.repeat(looks.tick[row], 2 * _REFINE + 1)
    width = np.where(
        row > 0,
        looks.share[row] - np.where(looks.tick[row] == looks.tick[row - 1], looks.share[row - 1], 0.0),
        looks.share[row],
    )
    around = np.linspace(-1.0, 1.0, 2 * _REFINE + 1)
    share = np.clip(looks.share[row][:, None] + width[:, None] * around, 0.0, 1.0).ravel()
    near = _look(timeline, tick, share)
    fine = pair_distance(hull, near.pose, obstacles, np.repeat(column, around.size)).reshape(row.size, -1)
    at = np.argmin(fine, axis=1)
    result = []
    for i, k in enumerate(at):
        better = fine[i, k] < distance[i]
        result.append(
            Clearance(
                step=int(looks.step[row[i]]),
                obstacle=obstacles.ids[obstacles.owner[column[i]]],
                distance_m=float(fine[i, k] if better else distance[i]),
                time_s=float(near.time_s.reshape(row.size, -1)[i, k] if better else looks.time_s[row[i]]),
            )
        )
    return result


def _inner_radius(hull: FloatArray) -> float:
    """Return the radius of the largest disc about the origin in the hull; negative if it lies outside."""
    side = np.roll(hull, -1, axis=0) - hull
    depth = (side[:, 1] * hull[:, 0] - side[:, 0] * hull[:, 1]) / np.hypot(side[:, 0], side[:, 1])
    inner = float(depth.min())
    # From outside, the hull's far corner bounds the distance instead.
    return inner if inner >= 0.0 else -float(np.hypot(*hull.T).max())


def _finding(step: PlannedStep, clearance: Clearance) -> PlanFinding | None:
    if clearance.distance_m >= _CLOSE_M:
        return None
    hint = ""
    if isinstance(step.source, MotionStep):
        hint = f"if it is meant to touch, add may_touch: [{clearance.obstacle}]"
    if clearance.distance_m <= 0.0:
        message = (
            f"the robot's outline runs into '{clearance.obstacle}' at {clearance.time_s:.2f} s of the plan"
        )
        return PlanFinding("DG204", step.doc_path, message, "error", hint)
    message = (
        f"the robot's outline passes '{clearance.obstacle}' by {clearance.distance_m * 1e3:.1f} mm"
        f" at {clearance.time_s:.2f} s of the plan"
    )
    return PlanFinding("DG204", step.doc_path, message, "warning", hint)
