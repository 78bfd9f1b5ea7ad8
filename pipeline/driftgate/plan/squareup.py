"""Squaring up on the believed map: which surface is met, when, and where the robot then stands."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from driftgate.core.pose import FloatArray, wrap_angle
from driftgate.plan.motions import AHEAD, BACK, PoseTuple, Push
from driftgate.plan.values import Contact
from driftgate.schema.routine import SquareUp
from driftgate.world.values import Edge, World

# Beyond this the bumper would slide along the wall instead of turning flush (our choice).
_LARGEST_ANGLE_RAD: Final = math.radians(10.0)
# A longer blind approach is a slip: dead reckoning should bring the robot near first (our choice). [m]
_LONGEST_TRAVEL_M: Final = 2.0
# Corners of the outline this close to the foremost one belong to the bumper. [m]
_BUMPER_M: Final = 1e-6
# A gap below this is none. [m]
_FLUSH_M: Final = 1e-6


@dataclass(frozen=True)
class Bumper:
    """The foremost side of the outline in the direction of travel."""

    reach_m: float
    half_width_m: float
    middle_left_m: float


def bumper_of(hull: FloatArray, backwards: bool) -> Bumper:
    """Return the side of the outline that meets a wall when driving straight into it."""
    ahead = -hull[:, 0] if backwards else hull[:, 0]
    left = hull[ahead >= ahead.max() - _BUMPER_M, 1]
    return Bumper(float(ahead.max()), float(np.ptp(left)) / 2.0, float(left.max() + left.min()) / 2.0)


def plan_square_up(
    step: SquareUp, index: int, start: PoseTuple, speed_m_s: float, hull: FloatArray, world: World
) -> tuple[Push, Contact] | str:
    """Return the nominal motion and the contact of a square-up, or why there is none.

    The corner of the bumper that is ahead touches first; the robot pivots about it until it lies
    flush, with its heading exactly square to the wall.

    Parameters
    ----------
    step : SquareUp
        The step.
    index : int
        Its index in the flattened routine.
    start : tuple of float
        Nominal pose at its start.
    speed_m_s : float
        Approach speed.
    hull : ndarray, shape (n, 2)
        The robot's outline in its own axes. [m]
    world : World
        The believed map.

    Returns
    -------
    tuple of Push and Contact, or str
        What was found wrong, in one line, for finding DG207.
    """
    bumper = bumper_of(hull, step.backwards)
    sign = -1.0 if step.backwards else 1.0
    course = start[2] + (math.pi if step.backwards else 0.0)
    chosen = _edge_ahead(step, start, course, bumper, world)
    if isinstance(chosen, str):
        return chosen
    edge, off = chosen
    # The bumper's two corners, and how far each is from the wall along its normal.
    corners = np.array(
        [[sign * bumper.reach_m, bumper.middle_left_m + side * bumper.half_width_m] for side in (1, -1)]
    )
    placed = _placed(start, corners)
    gaps = (placed - edge.a) @ edge.normal
    first = int(np.argmin(gaps))
    travel = float(gaps[first]) / math.cos(off)
    if abs(travel) < _FLUSH_M:
        travel = 0.0  # already there: what is left is rounding
    if travel < 0.0:
        return f"the robot would already be {-travel * 1e3:.0f} mm inside '{edge.owner}' when the step begins"
    if travel > _LONGEST_TRAVEL_M:
        return f"'{edge.owner}' is {travel:.2f} m away, more than {_LONGEST_TRAVEL_M:g} m: drive nearer first"
    touching = placed[first] + travel * np.array([math.cos(course), math.sin(course)])
    heading = start[2] + off
    pivoted = touching - _placed((0.0, 0.0, heading), corners[first : first + 1])[0]
    normal = np.array(edge.normal)
    # The bumper lies on the wall: the normal coordinate is its reach, free of rounding.
    x, y = pivoted + (bumper.reach_m - float((pivoted - edge.a) @ normal)) * normal
    if not _meets(edge, np.array([x, y]), bumper):
        return f"the bumper would pass beside '{edge.owner}'"
    push = Push(
        start,
        BACK if step.backwards else AHEAD,
        speed_m_s,
        travel / speed_m_s,
        step.push,
        (float(x), float(y), heading),
    )
    return push, Contact(
        step=index,
        wall=edge.id,
        travel_m=travel,
        speed_m_s=speed_m_s,
        reach_m=bumper.reach_m,
        half_width_m=bumper.half_width_m,
        middle_left_m=bumper.middle_left_m,
        push_s=step.push,
        late_s=step.late,
    )


def _edge_ahead(
    step: SquareUp, start: PoseTuple, course: float, bumper: Bumper, world: World
) -> tuple[Edge, float] | str:
    """Return the surface that the robot drives at, and the turn that makes it square to it."""
    surfaces = [edge for edge in world.edges if edge.owner == step.against]
    if not surfaces:
        return f"there is no wall or structure '{step.against}' on the field map"
    turns = [wrap_angle(math.atan2(-edge.normal[1], -edge.normal[0]) - course) for edge in surfaces]
    facing = [
        (edge, turn) for edge, turn in zip(surfaces, turns, strict=True) if abs(turn) <= _LARGEST_ANGLE_RAD
    ]
    if not facing:
        nearest = min(turns, key=abs)
        end = "back" if step.backwards else "front"
        return (
            f"the robot's {end} must face '{step.against}' within {math.degrees(_LARGEST_ANGLE_RAD):g} deg,"
            f" it is {math.degrees(abs(nearest)):.1f} deg off: turn to"
            f" {math.degrees(wrap_angle(start[2] + nearest)):.1f} deg first"
        )
    # Of several faces of a structure the nearest one that lies in front is met.
    return min(facing, key=lambda item: _rank(item[0], np.array(start[:2]), bumper))


def _rank(edge: Edge, place: FloatArray, bumper: Bumper) -> tuple[bool, bool, float]:
    gap = float((place - edge.a) @ edge.normal)
    return gap < 0.0, not _meets(edge, place, bumper), abs(gap)


def _placed(pose: PoseTuple, points: FloatArray) -> FloatArray:
    c, s = math.cos(pose[2]), math.sin(pose[2])
    x, y = points.T
    return np.column_stack([pose[0] + c * x - s * y, pose[1] + s * x + c * y])


def _meets(edge: Edge, place: FloatArray, bumper: Bumper) -> bool:
    """Return whether the bumper of a robot at a place overlaps the surface along its length."""
    a, b = np.array(edge.a), np.array(edge.b)
    length = float(np.hypot(*(b - a)))
    along = float((place - a) @ (b - a)) / length
    reach = bumper.half_width_m + abs(bumper.middle_left_m)
    return -reach <= along <= length + reach
