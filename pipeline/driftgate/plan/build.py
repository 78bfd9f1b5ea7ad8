"""The plan stage: a routine on a robot on the believed field to a nominal timeline."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

import numpy as np

from driftgate.plan.clearance import check_clearance, count_looks
from driftgate.plan.flatten import FlatStep, count_steps, flatten
from driftgate.plan.limits import drive_issues, motor_speed_m_s
from driftgate.plan.mirror import mirror_routine
from driftgate.plan.motions import PoseTuple
from driftgate.plan.place import place_keys
from driftgate.plan.pushed import push_along
from driftgate.plan.size import (
    MOST_INSTANTS,
    MOST_NODES,
    MOST_STEPS,
    nodes_of,
    size_findings,
    too_many_instants,
    too_many_nodes,
    too_many_pushes,
    too_many_steps,
)
from driftgate.plan.steps import Draft, Here, draft_step
from driftgate.plan.taken import as_planned
from driftgate.plan.timeline import build_timeline, expected_knots
from driftgate.plan.values import Contact, Plan, PlanFinding, PlannedStep
from driftgate.schema.case import Case
from driftgate.schema.routine import Checkpoint, Routine
from driftgate.world import build_world
from driftgate.world.footprint import footprint_hull

# Durations add up with rounding; a plan that takes its limit to the digit is in time. [s]
_CLOCK_ROUNDING_S: Final = 1e-9
# No tick turns further than this, so that its twist is far from where the logarithm ends. [rad]
_LARGEST_TURN_RAD: Final = 1.0
# Planned durations within this share of the time limit draw a warning (our choice).
_CLOSE_SHARE: Final = 0.05


def plan_case(case: Case, written: Routine | None = None) -> Plan:
    """Return the nominal plan of a case on its believed map.

    Parameters
    ----------
    case : Case
        The routine, robot and believed map. For the mirrored side the routine is already mirrored.
    written : Routine, optional
        The routine as written, from which a mirrored one takes its place keys, so that both sides
        draw the same luck. Without it the mirrored routine is mirrored back.

    Returns
    -------
    Plan
        Always whole: what cannot be done is in its findings, errors among them mean that the plan
        is not to be predicted from.

    Raises
    ------
    ModelError
        If the case holds what no loaded document holds, such as a mechanism without a time.
    """
    routine, robot, world = case.routine, case.robot, build_world(case.believed)
    flat, findings = _flattened(routine)
    hull = footprint_hull(robot.footprint)
    pose = (routine.start.pose.x, routine.start.pose.y, routine.start.pose.heading)
    start_pose, clock, nodes = pose, 0.0, 0
    steps: list[PlannedStep] = []
    contacts: dict[int, Contact] = {}
    for i, (item, place) in enumerate(zip(flat, _places(case, written, len(flat)), strict=True)):
        draft = draft_step(item.step, Here(pose, i, item.doc_path, robot, hull, world))
        steps.append(_planned(i, item, place, draft, clock, pose))
        clock, pose = steps[-1].end_s, steps[-1].end_pose
        findings.extend(draft.findings)
        if draft.contact is not None:
            contacts[i] = draft.contact
        nodes += nodes_of(steps[-1:])
        if nodes > MOST_NODES:
            # No further: the tables alone would fill memory.
            findings.append(too_many_nodes(steps[-1]))
            break
    findings.extend(_drive_findings(case))
    findings.extend(_time_findings(routine, clock))
    sensors = robot.sensors
    tick = min(robot.odometry.longest_tick, _LARGEST_TURN_RAD / _fastest_turn(case))
    knots = expected_knots(steps, sensors, tick)
    if knots > MOST_INSTANTS:
        findings.append(too_many_instants(knots))
        sensors, tick = [], max(clock / 1000.0, tick)
    timeline = build_timeline(steps, start_pose, sensors, tick)
    believed = as_planned(world, steps)
    too_large = size_findings(case, timeline, count_looks(timeline, steps, hull))
    if too_large:
        findings.extend(too_large)
        return Plan(tuple(steps), contacts, timeline, clock, (), _once(findings))
    pushed = push_along(timeline, hull, robot.height, believed)
    if pushed.endless:
        findings.append(too_many_pushes(pushed.endless))
        return Plan(tuple(steps), contacts, timeline, clock, (), _once(findings))
    moved = replace(believed, elements=pushed.elements)
    clearances, touched = check_clearance(case, steps, timeline, hull, moved, pushed.leaning)
    findings.extend(touched)
    return Plan(tuple(steps), contacts, timeline, clock, clearances, _once(findings), pushed.elements)


def _flattened(routine: Routine) -> tuple[list[FlatStep], list[PlanFinding]]:
    flat = list(itertools.islice(flatten(routine.steps), MOST_STEPS))
    return flat, [] if count_steps(routine.steps) <= MOST_STEPS else [too_many_steps()]


def _places(case: Case, written: Routine | None, count: int) -> tuple[str, ...]:
    """Return the place keys of the steps, those of the routine as written."""
    if written is None:
        mirrored = case.side == "mirrored"
        written = mirror_routine(case.routine, case.believed) if mirrored else case.routine
    return place_keys(item.step for item in itertools.islice(flatten(written.steps), count))


def _planned(
    index: int, item: FlatStep, place: str, draft: Draft, begin_s: float, pose: PoseTuple
) -> PlannedStep:
    step, motion = item.step, draft.motion
    end_pose = pose
    if motion is not None:
        x, y, heading = motion.sample(np.array([motion.duration_s]))[0][0]
        end_pose = (float(x), float(y), float(heading))
    return PlannedStep(
        index=index,
        doc_path=item.doc_path,
        source=step,
        name=step.name,
        place=place,
        label=item.label,
        law=draft.law,
        motion=motion,
        begin_s=begin_s,
        end_s=begin_s + draft.duration_s,
        settle_s=draft.hold_s if motion is not None else 0.0,
        start_pose=pose,
        end_pose=end_pose,
        backwards=draft.backwards,
        target=draft.target,
        looking=step.do == "look",
        checkpoint=step if isinstance(step, Checkpoint) else None,
        may_touch=tuple(getattr(step, "may_touch", ())),
    )


def _drive_findings(case: Case) -> list[PlanFinding]:
    drive = case.robot.drive
    findings = [PlanFinding(i.code, (i.key,), i.message, i.level, i.suggestion) for i in drive_issues(drive)]
    if motor_speed_m_s(drive) <= 0.0:
        message = "the robot's motor gives no speed: the usable share of its free speed is zero"
        findings.append(PlanFinding("DG201", ("robot",), message))
    return findings


def _time_findings(routine: Routine, duration_s: float) -> list[PlanFinding]:
    limit = routine.time_limit
    if duration_s > limit + _CLOCK_ROUNDING_S:
        message = (
            f"the plan takes {duration_s:.2f} s, {duration_s - limit:.2f} s more than the limit of"
            f" {limit:.2f} s"
        )
        return [PlanFinding("DG202", ("time_limit",), message)]
    if duration_s > (1.0 - _CLOSE_SHARE) * limit:
        message = (
            f"the plan takes {duration_s:.2f} s, within {_CLOSE_SHARE:.0%} of the limit of {limit:.2f} s:"
            f" {max(limit - duration_s, 0.0):.2f} s are left"
        )
        return [PlanFinding("DG202", ("time_limit",), message, "warning")]
    return []


def _fastest_turn(case: Case) -> float:
    # No motion turns faster than the robot's own limit, see `limits`.
    return max(case.robot.drive.limits.turn_rate, 1e-3)


def _once(findings: Iterable[PlanFinding]) -> tuple[PlanFinding, ...]:
    """Return each finding once: a repetition finds the same in every round, with other numbers."""
    first: dict[tuple[object, ...], PlanFinding] = {}
    for finding in findings:
        wording = re.sub(r"[0-9.]+", "#", finding.message)
        first.setdefault((finding.code, finding.doc_path, finding.level, wording), finding)
    return tuple(first.values())
