"""Each kind of step to its nominal motion: where it leads, how fast, and what is wrong with it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from driftgate.core.errors import ModelError
from driftgate.core.findings import Level
from driftgate.core.pose import FloatArray, wrap_angle
from driftgate.plan.curve import plan_curve
from driftgate.plan.limits import LimitIssue, StepLimits, step_limits
from driftgate.plan.motions import AHEAD, BACK, LEFT, RIGHT, ArcMotion, PoseTuple, Straight, Turn
from driftgate.plan.profile import rest_to_rest
from driftgate.plan.squareup import plan_square_up
from driftgate.plan.values import Contact, DocPath, Law, Motion, PlanFinding
from driftgate.schema.robot import Robot
from driftgate.schema.routine import (
    Actuate,
    Advance,
    Arc,
    Beside,
    Checkpoint,
    Curve,
    DriveTo,
    Face,
    Look,
    MotionStep,
    Pause,
    Rotate,
    Sidestep,
    SquareUp,
    TurnTo,
)
from driftgate.world.values import World

# A differential drive's heading may differ so much from the bearing of its target; the plan then
# turns onto the bearing at the step's first instant. [rad]
_FACING_RAD: Final = math.radians(0.5)
# Nearer than this, two points are one. [m]
_SAME_PLACE_M: Final = 1e-6
# Half turns within this of exactly pi go counter-clockwise, whatever the rounding. [rad]
_HALF_TURN_RAD: Final = 1e-9
# A curve is too tight if its limits bring the robot to a crawl, or if it bends within a quarter of
# the track width: the inner wheel would run backwards faster than half the robot's speed (our choice).
_CRAWL_M_S: Final = 0.05
# Keeps the clock finite under a mechanism speed of nearly nothing; no time limit allows as much.
_LONGEST_MECHANISM_S: Final = 1e6
_TIGHT_SHARE: Final = 0.25


@dataclass(frozen=True)
class Draft:
    """What the kind of a step settles; times on the step's own clock.

    `hold_s` is how long it stands after its motion: settling, a pause, a mechanism still moving.
    """

    law: Law
    motion: Motion | None = None
    hold_s: float = 0.0
    backwards: bool = False
    target: tuple[float, float] | None = None
    contact: Contact | None = None
    findings: tuple[PlanFinding, ...] = ()

    @property
    def duration_s(self) -> float:
        """Motion and what follows it. [s]"""
        return self.hold_s + (self.motion.duration_s if self.motion is not None else 0.0)


@dataclass(frozen=True)
class Here:
    """Where and on what a step is planned."""

    pose: PoseTuple
    index: int
    doc_path: DocPath
    robot: Robot
    hull: FloatArray
    world: World

    def finding(
        self, code: str, key: str | DocPath, message: str, level: Level = "error", suggestion: str = ""
    ) -> PlanFinding:
        """Return a finding at a key of this step."""
        path = (*self.doc_path, *((key,) if isinstance(key, str) else key))
        return PlanFinding(code, path, message, level, suggestion)

    def limits(
        self, step: MotionStep, on_the_spot: bool = False
    ) -> tuple[StepLimits, tuple[PlanFinding, ...]]:
        """Return the step's limits and what it asks for in vain."""
        limits, issues = step_limits(
            self.robot.drive, step.speed, step.acceleration, step.turn_rate, on_the_spot
        )
        return limits, self.findings(issues)

    def findings(self, issues: tuple[LimitIssue, ...]) -> tuple[PlanFinding, ...]:
        """Return limit issues as findings of this step."""
        return tuple(self.finding(i.code, i.key, i.message, i.level, i.suggestion) for i in issues)

    @property
    def holonomic(self) -> bool:
        """The drive can go sideways."""
        return self.robot.drive.type == "holonomic"


def draft_step(step: Any, here: Here) -> Draft:
    """Return the nominal motion of one step; what is wrong with it is in the findings.

    A step that cannot be done is planned as near to its meaning as possible, so that the steps after
    it are looked at too.
    """
    draft = _DRAFTERS[type(step)](step, here)
    if isinstance(step, MotionStep) and draft.motion is not None:
        moving = draft.motion.duration_s
        total = max(moving + here.robot.controller.settle, mechanism_time_s(step.beside))
        return _with_hold(draft, total - moving)
    return draft


def mechanism_time_s(action: Beside | Actuate | None) -> float:
    """Return how long a mechanism takes: its time, or travel over speed (common practice). [s]

    Raises
    ------
    ModelError
        If the action gives neither; a routine that was loaded always does.
    """
    if action is None:
        return 0.0
    if action.time is not None:
        return action.time
    if action.travel is None or action.speed is None:
        raise ModelError(f"mechanism '{action.mechanism}' needs a time, or a travel and a speed")
    return min(action.travel / action.speed, _LONGEST_MECHANISM_S)


def short_way(angle_rad: float) -> float:
    """Return the same turn the short way round; a half turn goes counter-clockwise. [rad]"""
    turn = wrap_angle(angle_rad)
    return turn + math.tau if turn < -math.pi + _HALF_TURN_RAD else turn


def _with_hold(draft: Draft, hold_s: float) -> Draft:
    return Draft(
        draft.law, draft.motion, hold_s, draft.backwards, draft.target, draft.contact, draft.findings
    )


def _straight(start: PoseTuple, direction: tuple[float, float], way_m: float, limits: StepLimits) -> Straight:
    return Straight(start, direction, rest_to_rest(way_m, limits.speed_m_s, limits.acceleration_m_s2))


def _turn(start: PoseTuple, angle_rad: float, limits: StepLimits) -> Turn:
    profile = rest_to_rest(abs(angle_rad), limits.spot_rate_rad_s, limits.spot_acceleration_rad_s2)
    return Turn(start, angle_rad, profile)


def _drive(step: DriveTo, here: Here) -> Draft:
    limits, findings = here.limits(step)
    x, y, heading = here.pose
    dx, dy = step.to[0] - x, step.to[1] - y
    way = math.hypot(dx, dy)
    if way < _SAME_PLACE_M:
        message = f"the robot is already at ({step.to[0]:.3f}, {step.to[1]:.3f}) m: there is nothing to drive"
        findings = (*findings, here.finding("DG206", "to", message, suggestion="leave the step out"))
        law = Law.GLIDE if here.holonomic else Law.DRIVE
        return Draft(law, _straight(here.pose, AHEAD, 0.0, limits), target=step.to, findings=findings)
    if here.holonomic:
        if step.backwards:
            message = "a holonomic drive goes to a point in any direction with its heading held"
            findings = (
                *findings,
                here.finding("DG205", "backwards", message, suggestion="leave 'backwards' out"),
            )
        c, s = math.cos(heading), math.sin(heading)
        direction = ((c * dx + s * dy) / way, (-s * dx + c * dy) / way)
        return Draft(
            Law.GLIDE, _straight(here.pose, direction, way, limits), target=step.to, findings=findings
        )
    wanted = math.atan2(dy, dx) + (math.pi if step.backwards else 0.0)
    off = wrap_angle(wanted - heading)
    if abs(off) > _FACING_RAD:
        findings = (*findings, _not_facing(step, here, heading + off, off))
    # Within the half degree the plan turns onto the bearing at once: the first tick's twist has it.
    start = (x, y, heading + off)
    motion = _straight(start, BACK if step.backwards else AHEAD, way, limits)
    return Draft(Law.DRIVE, motion, backwards=step.backwards, target=step.to, findings=findings)


def _not_facing(step: DriveTo, here: Here, wanted: float, off: float) -> PlanFinding:
    back = ", backwards: true" if step.backwards else ""
    return here.finding(
        "DG206",
        "to",
        f"to drive {'backwards ' if step.backwards else ''}to ({step.to[0]:.3f}, {step.to[1]:.3f}) m the"
        f" robot needs a heading of {math.degrees(wrap_angle(wanted)):.1f} deg; the plan has it at"
        f" {math.degrees(wrap_angle(wanted - off)):.1f} deg",
        suggestion=f"put before it: do: face, point: [{step.to[0]:g} m, {step.to[1]:g} m]{back}",
    )


def _curve(step: Curve, here: Here) -> Draft:
    limits, findings = here.limits(step)
    points, last = [], here.pose[:2]
    for i, point in enumerate(step.through):
        if math.dist(point, last) < _SAME_PLACE_M:
            message = f"point {i + 1} of the curve lies where the one before it is"
            findings = (
                *findings,
                here.finding("DG203", ("through", i), message, suggestion="leave it out"),
            )
            continue
        points.append(point)
        last = point
    if not points:
        return Draft(Law.CURVE, _straight(here.pose, AHEAD, 0.0, limits), findings=findings)
    motion = plan_curve(here.pose, points, step.end_heading, step.backwards, limits)
    tight = _TIGHT_SHARE * limits.track_width_m
    if motion.tightest_radius_m < tight or motion.slowest_m_s < min(_CRAWL_M_S, limits.speed_m_s):
        x, y = motion.tightest_point
        message = (
            f"the curve is too tight: a radius of {motion.tightest_radius_m * 1e3:.0f} mm near"
            f" ({x:.2f}, {y:.2f}) m, {motion.tightest_at_m:.2f} m along it, where"
            f" {motion.slowest_m_s:.3f} m/s is allowed; wanted are a radius of {tight * 1e3:.0f} mm"
            f" (a quarter of the track width) and {_CRAWL_M_S:g} m/s"
        )
        hint = "turn towards the first point before the curve, or set the points wider"
        findings = (*findings, here.finding("DG203", "through", message, suggestion=hint))
    return Draft(Law.CURVE, motion, backwards=step.backwards, findings=findings)


def _turn_to(step: TurnTo, here: Here) -> Draft:
    limits, findings = here.limits(step, on_the_spot=True)
    return Draft(Law.TURN, _turn(here.pose, short_way(step.to - here.pose[2]), limits), findings=findings)


def _face(step: Face, here: Here) -> Draft:
    limits, findings = here.limits(step, on_the_spot=True)
    dx, dy = step.point[0] - here.pose[0], step.point[1] - here.pose[1]
    turn = 0.0
    if math.hypot(dx, dy) < _SAME_PLACE_M:
        message = f"the robot stands on ({step.point[0]:.3f}, {step.point[1]:.3f}) m and cannot face it"
        findings = (*findings, here.finding("DG206", "point", message))
    else:
        turn = short_way(math.atan2(dy, dx) + (math.pi if step.backwards else 0.0) - here.pose[2])
    return Draft(
        Law.FACE,
        _turn(here.pose, turn, limits),
        backwards=step.backwards,
        target=step.point,
        findings=findings,
    )


def _advance(step: Advance, here: Here) -> Draft:
    limits, findings = here.limits(step)
    back = step.distance < 0.0
    motion = _straight(here.pose, BACK if back else AHEAD, abs(step.distance), limits)
    return Draft(Law.RELATIVE, motion, backwards=back, findings=findings)


def _rotate(step: Rotate, here: Here) -> Draft:
    limits, findings = here.limits(step, on_the_spot=True)
    return Draft(Law.RELATIVE, _turn(here.pose, step.angle, limits), findings=findings)


def _arc(step: Arc, here: Here) -> Draft:
    limits, findings = here.limits(step)
    speed = float(limits.path_speed(np.array(1.0 / step.radius)))
    profile = rest_to_rest(step.radius * abs(step.angle), max(speed, 1e-6), limits.acceleration_m_s2)
    side = math.copysign(1.0, step.angle)
    motion = ArcMotion(here.pose, step.radius, side, -1.0 if step.backwards else 1.0, profile)
    return Draft(Law.RELATIVE, motion, backwards=step.backwards, findings=findings)


def _sidestep(step: Sidestep, here: Here) -> Draft:
    limits, findings = here.limits(step)
    if not here.holonomic:
        message = "only a holonomic drive can move sideways; this robot's drive is differential"
        findings = (*findings, here.finding("DG205", "do", message, suggestion="turn and advance instead"))
    motion = _straight(here.pose, LEFT if step.distance >= 0.0 else RIGHT, abs(step.distance), limits)
    return Draft(Law.RELATIVE, motion, findings=findings)


def _square_up(step: SquareUp, here: Here) -> Draft:
    limits, issues = step_limits(here.robot.drive, step.speed)
    findings = here.findings(issues)
    planned = plan_square_up(step, here.index, here.pose, limits.speed_m_s, here.hull, here.world)
    settle = here.robot.controller.settle
    if isinstance(planned, str):
        findings = (*findings, here.finding("DG207", "against", planned))
        return Draft(Law.STAND, hold_s=step.push + settle, findings=findings)
    push, contact = planned
    return Draft(Law.CONTACT, push, settle, backwards=step.backwards, contact=contact, findings=findings)


def _stand(step: Pause | Look, here: Here) -> Draft:
    return Draft(Law.STAND, hold_s=step.time)


def _actuate(step: Actuate, here: Here) -> Draft:
    return Draft(Law.STAND, hold_s=mechanism_time_s(step))


def _checkpoint(step: Checkpoint, here: Here) -> Draft:
    return Draft(Law.STAND)


_DRAFTERS: Final[dict[type, Callable[[Any, Here], Draft]]] = {
    DriveTo: _drive,
    Curve: _curve,
    TurnTo: _turn_to,
    Face: _face,
    Advance: _advance,
    Rotate: _rotate,
    Arc: _arc,
    Sidestep: _sidestep,
    SquareUp: _square_up,
    Pause: _stand,
    Look: _stand,
    Actuate: _actuate,
    Checkpoint: _checkpoint,
}
