"""How near the nominal footprint comes to walls, structures and loose elements."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from driftgate.core.pose import FloatArray, compose, exp
from driftgate.plan.contact_rules import BoolArray, exemptions_among
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
# Most entries of a table of looks by segments.
_TABLE: Final = 2_000_000
# Nearer than this is no clearance that a real robot keeps (our choice). [m]
_CLOSE_M: Final = 0.010
# Rounding apart, this is the same instant. [s]
_INSTANT_S: Final = 1e-9
# The part of the footprint, about its middle, that no meant contact lets into anything fixed.
_CORE: Final = 0.8
# Rounding apart, this is touching. [m]
_TOUCH_M: Final = 1e-6


@dataclass(frozen=True)
class _Looks:
    """Poses at which the footprint is looked at: between knots too, in motion steps only."""

    tick: IntArray
    share: FloatArray
    pose: FloatArray
    time_s: FloatArray
    step: IntArray


def check_clearance(
    case: Case,
    steps: Sequence[PlannedStep],
    timeline: Timeline,
    hull: FloatArray,
    world: World,
    leaning: Mapping[str, BoolArray] | None = None,
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
        The believed map; loose elements count at their places while they are there, and may have several.
    leaning : mapping, optional
        By id, the ticks in which the robot still leans on what it has pushed.

    Returns
    -------
    tuple of Clearance
        One per motion step that any obstacle is near of; meant contacts are left out. The sweep is
        sampled every 10 mm of motion and finer near its minimum: a corner passed between two looks
        may be nearer by a fraction of a millimetre.
    tuple of PlanFinding
        DG204: an error where the footprint overlaps or would go through something fixed, a warning
        below 10 mm.
    """
    obstacles = obstacles_of(world, case.robot.height)
    moving = np.array([step.motion is not None for step in steps], bool)
    looks = _looks(timeline, moving, float(np.hypot(*hull.T).max()))
    if looks.tick.size == 0 or obstacles.owner.size == 0:
        return (), ()
    meant = exemptions_among(case, steps, timeline, hull, obstacles)
    for name, ticks in (leaning or {}).items():
        meant[name] = meant[name] | ticks if name in meant else ticks
    clearances = tuple(_nearest(_Scene(hull, obstacles, timeline, meant), looks))
    loose = {element.id for element in world.elements}
    found = [
        _finding(steps[c.step], c, c.obstacle in loose)
        for i, c in enumerate(clearances)
        if c.obstacle in loose or not _said_before(steps[c.step], c, clearances[:i])
    ]
    through = _driven_through(case, timeline, hull, world, looks, clearances)
    found += [_through_finding(steps[c.step], c) for c in through]
    return clearances, tuple(finding for finding in found if finding is not None)


def _said_before(step: PlannedStep, clearance: Clearance, before: tuple[Clearance, ...]) -> bool:
    """Return whether a step is nearest where it starts, at what the motion before it ended so near to."""
    at_start = clearance.time_s <= step.begin_s + _INSTANT_S
    return at_start and bool(before) and before[-1].obstacle == clearance.obstacle


def _driven_through(
    case: Case,
    timeline: Timeline,
    hull: FloatArray,
    world: World,
    looks: _Looks,
    clearances: tuple[Clearance, ...],
) -> list[Clearance]:
    """Return what is fixed and yet driven into by more than a touch, meant or not.

    A meant contact excuses touching; the core of the footprint can go through nothing that is fixed.
    """
    fixed = obstacles_of(replace(world, elements=()), case.robot.height)
    middle = hull.mean(axis=0)
    core = middle + _CORE * (hull - middle)
    reported = {c.step for c in clearances if c.distance_m <= _TOUCH_M}
    nearest = _nearest(_Scene(core, fixed, timeline, {}), looks) if fixed.owner.size else []
    return [c for c in nearest if c.distance_m <= _TOUCH_M and c.step not in reported]


def count_looks(timeline: Timeline, steps: Sequence[PlannedStep], hull: FloatArray) -> int:
    """Return at how many poses `check_clearance` looks at a footprint."""
    moving = np.array([step.motion is not None for step in steps], bool)
    return int(_parts(timeline, _moving_ticks(timeline, moving), float(np.hypot(*hull.T).max())).sum())


def _moving_ticks(timeline: Timeline, moving: BoolArray) -> IntArray:
    return np.flatnonzero(moving[timeline.step]) if moving.size else np.zeros(0, np.intp)


def _parts(timeline: Timeline, ticks: IntArray, radius_m: float) -> IntArray:
    """Return into how many looks each tick is cut."""
    twist = timeline.twist[ticks]
    moved = np.hypot(twist[:, 0], twist[:, 1]) + radius_m * np.abs(twist[:, 2])
    return np.clip(np.ceil(moved / _LOOK_M), 1, _MOST_LOOKS_PER_TICK).astype(np.intp)


def _looks(timeline: Timeline, moving: BoolArray, radius_m: float) -> _Looks:
    ticks = _moving_ticks(timeline, moving)
    parts = _parts(timeline, ticks, radius_m)
    tick = np.repeat(ticks, parts)
    first = np.repeat(np.cumsum(parts) - parts, parts)
    share = (np.arange(tick.size) - first + 1) / np.repeat(parts, parts)
    return _look(timeline, tick, share)


def _look(timeline: Timeline, tick: IntArray, share: FloatArray) -> _Looks:
    pose = compose(timeline.pose[tick], exp(share[:, None] * timeline.twist[tick]))
    begin, end = timeline.time_s[tick], timeline.time_s[tick + 1]
    return _Looks(tick, share, pose, begin + share * (end - begin), timeline.step[tick])


@dataclass(frozen=True)
class _Scene:
    """What the footprint may meet: obstacles, and in which ticks touching which of them is meant."""

    hull: FloatArray
    obstacles: Obstacles
    timeline: Timeline
    meant: dict[str, BoolArray]

    def origin_distance(self, looks: _Looks, rows: slice) -> FloatArray:
        """Return the distance of the robot's origin to every segment, endless where it does not count."""
        o, tick = self.obstacles, looks.tick[rows]
        distance = origin_distance(looks.pose[rows], o)
        begin, end = self.timeline.time_s[tick, None], self.timeline.time_s[tick + 1, None]
        # What ends as a tick begins was there for the tick before: it is taken or pushed on at that instant.
        distance[(end < o.begin_s) | (begin >= o.end_s)] = np.inf
        for i, name in enumerate(o.ids):
            if name in self.meant:
                distance[np.ix_(self.meant[name][tick], o.owner == i)] = np.inf
        return distance


def _nearest(scene: _Scene, looks: _Looks) -> list[Clearance]:
    """Return the nearest obstacle of each step that has looks.

    The footprint holds a disc about the robot's origin and lies within another, so the distance of
    the origin bounds its distance on both sides; only pairs that may be the nearest are worked out.
    """
    hull = scene.hull
    outer, inner = float(np.hypot(*hull.T).max()), _inner_radius(hull)
    blocks = _blocks(looks.tick.size, scene.obstacles.owner.size)
    centre_min = np.concatenate([scene.origin_distance(looks, rows).min(axis=1) for rows in blocks])
    first = np.flatnonzero(np.concatenate([[True], np.diff(looks.step) != 0]))
    at_most = np.maximum(np.minimum.reduceat(centre_min, first) - inner, 0.0)
    bound = np.repeat(at_most, np.diff(np.append(first, looks.step.size))) + outer + 1e-9
    found = []
    for rows in blocks:
        centre = scene.origin_distance(looks, rows)
        row, column = np.nonzero((centre <= bound[rows, None]) & np.isfinite(centre))
        row += rows.start
        distance = pair_distance(hull, looks.pose[row], scene.obstacles, column)
        # Nearest first within each step, the earliest of equals.
        order = np.lexsort([row, distance, looks.step[row]])
        best = order[np.unique(looks.step[row][order], return_index=True)[1]]
        found.append((row[best], column[best], distance[best]))
    row, column, distance = (np.concatenate(parts) for parts in zip(*found, strict=True))
    order = np.lexsort([row, distance, looks.step[row]])
    best = order[np.unique(looks.step[row][order], return_index=True)[1]]
    return _refined(scene, looks, row[best], column[best], distance[best])


def _blocks(rows: int, columns: int) -> list[slice]:
    """Return slices of rows small enough that a table of them stays small in memory."""
    size = max(_TABLE // max(columns, 1), 1)
    return [slice(begin, min(begin + size, rows)) for begin in range(0, rows, size)]


def _refined(
    scene: _Scene, looks: _Looks, row: IntArray, column: IntArray, distance: FloatArray
) -> list[Clearance]:
    """Return the clearances after a closer look on both sides of each nearest one."""
    after = np.minimum(row + 1, looks.tick.size - 1)
    after = np.where(looks.step[after] == looks.step[row], after, row)
    sides = [_between(scene.timeline, looks, side) for side in (row, after)]
    pose = np.concatenate([side.pose.reshape(row.size, -1, 3) for side in sides], axis=1)
    time = np.concatenate([side.time_s.reshape(row.size, -1) for side in sides], axis=1)
    count = time.shape[1]
    fine = pair_distance(scene.hull, pose.reshape(-1, 3), scene.obstacles, np.repeat(column, count))
    fine = fine.reshape(row.size, count)
    there = scene.obstacles.begin_s[column, None], scene.obstacles.end_s[column, None]
    fine = np.where((time >= there[0]) & (time <= there[1]), fine, np.inf)
    at = np.argmin(fine, axis=1)[:, None]
    fine_best = np.take_along_axis(fine, at, 1)[:, 0]
    when = np.where(fine_best < distance, np.take_along_axis(time, at, 1)[:, 0], looks.time_s[row])
    owner = scene.obstacles.owner[column]
    return [
        Clearance(int(step), scene.obstacles.ids[o], float(d), float(t))
        for step, o, d, t in zip(looks.step[row], owner, np.minimum(fine_best, distance), when, strict=True)
    ]


def _between(timeline: Timeline, looks: _Looks, row: IntArray) -> _Looks:
    """Return looks from the one before each given look up to it, both included."""
    before = np.maximum(row - 1, 0)
    same = (looks.tick[row] == looks.tick[before]) & (row > 0)
    low = np.where(same, looks.share[before], 0.0)
    share = low[:, None] + (looks.share[row] - low)[:, None] * np.linspace(0.0, 1.0, _REFINE + 1)
    return _look(timeline, np.repeat(looks.tick[row], _REFINE + 1), share.ravel())


def _inner_radius(hull: FloatArray) -> float:
    """Return the radius of the largest disc about the origin in the hull; negative if it lies outside."""
    side = np.roll(hull, -1, axis=0) - hull
    depth = (side[:, 1] * hull[:, 0] - side[:, 0] * hull[:, 1]) / np.hypot(side[:, 0], side[:, 1])
    inner = float(depth.min())
    # From outside, the hull's far corner bounds the distance instead.
    return inner if inner >= 0.0 else -float(np.hypot(*hull.T).max())


def _through_finding(step: PlannedStep, clearance: Clearance) -> PlanFinding:
    message = (
        f"the robot would drive through '{clearance.obstacle}' at {clearance.time_s:.2f} s of the plan, "
        "and it is fixed"
    )
    return PlanFinding("DG204", step.doc_path, message, "error", "may_touch excuses touching only")


def _finding(step: PlannedStep, clearance: Clearance, loose: bool) -> PlanFinding | None:
    if clearance.distance_m >= _CLOSE_M:
        return None
    hint = "check the target, or lead the path round it"
    if loose and isinstance(step.source, MotionStep):
        hint = f"if it is meant to touch, add may_touch: [{clearance.obstacle}]"
    if clearance.distance_m <= _TOUCH_M:
        message = (
            f"the robot's outline runs into '{clearance.obstacle}' at {clearance.time_s:.2f} s of the plan"
        )
        return PlanFinding("DG204", step.doc_path, message, "error", hint)
    message = (
        f"the robot's outline passes '{clearance.obstacle}' by {clearance.distance_m * 1e3:.1f} mm"
        f" at {clearance.time_s:.2f} s of the plan"
    )
    return PlanFinding("DG204", step.doc_path, message, "warning", hint)
