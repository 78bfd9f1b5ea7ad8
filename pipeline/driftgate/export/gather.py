"""From a prepared case to what is handed over."""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np

from driftgate.export.c_text import plain_ascii
from driftgate.export.constants import Numbering
from driftgate.export.values import (
    Contact,
    Control,
    Correction,
    Mover,
    Obstacle,
    Pair,
    PathPoint,
    PlannedReading,
    Pose,
    Routine,
    Sensor,
    Side,
    StartPart,
    Step,
    StepKind,
    StepLaw,
    Surface,
    TestStage,
    UpdateLaw,
)
from driftgate.plan.curve import CurveMotion
from driftgate.plan.motions import ArcMotion, Push, Straight, Turn
from driftgate.plan.profile import Profile
from driftgate.plan.steps import mechanism_time_s
from driftgate.plan.values import PlannedStep
from driftgate.predict.constants import NO_CONSTANTS
from driftgate.predict.contact_reset import swing_of
from driftgate.predict.linear import distance_tau
from driftgate.predict.prepared import Prepared
from driftgate.schema.routine import Actuate, Advance, Arc, Curve, Rotate, Sidestep, SquareUp, TurnTo
from driftgate.sight.corridor import obstacles_of_map
from driftgate.sight.stages import may_fix
from driftgate.sight.validity import reading_limits
from driftgate.sight.values import Reason
from driftgate.world.footprint import footprint_reach_m
from driftgate.world.values import World

# Path points of a curve are at most so far apart in time (our choice). [s]
_PATH_STEP_S: Final = 0.02


class Origin(NamedTuple):
    """Where a hand-over comes from.

    Attributes
    ----------
    name : str
        An identifier that no other routine of the export has.
    source : str
        Path of the routine's file.
    fingerprint : str
        Hash of the inputs' content, 64 hexadecimal digits.
    version : str
        Of driftgate.
    """

    name: str
    source: str
    fingerprint: str
    version: str

    @property
    def short(self) -> str:
        """Return what fits on a robot's display."""
        return self.fingerprint[:8]


def hand_over(prepared: Prepared, origin: Origin) -> Routine:
    """Return what the robot's own code needs of a case: its plan, its correction, the map that it carries.

    Parameters
    ----------
    prepared : Prepared
        The case.
    origin : Origin
        Where it comes from.
    """
    case, plan = prepared.case, prepared.plan
    path: list[PathPoint] = []
    contacts: list[Contact] = []
    steps = tuple(_step(prepared, step, path, contacts) for step in plan.steps)
    obstacles, sides = _obstacles(prepared.believed)
    start, numbering = case.routine.start.pose, Numbering(prepared)
    surfaces, movers = _surfaces(prepared, numbering)
    return Routine(
        name=origin.name,
        title=plain_ascii(case.routine.title),
        side=case.side,
        fingerprint=origin.short,
        version=origin.version,
        start=Pose(start.x, start.y, start.heading),
        duration_s=plan.duration_s,
        time_limit_s=case.routine.time_limit,
        control=_control(prepared),
        correction=_correction(prepared, numbering),
        steps=steps,
        path=tuple(path),
        contacts=tuple(contacts),
        sensors=_sensors(prepared),
        pairs=_pairs(prepared),
        surfaces=surfaces,
        movers=movers,
        start_parts=_start_parts(prepared, numbering),
        obstacles=obstacles,
        sides=sides,
        readings=_readings(prepared),
    )


def owners(world: World) -> dict[str, int]:
    """Return a number for every wall and structure, in the order of the map."""
    return {owner: i for i, owner in enumerate(dict.fromkeys(edge.owner for edge in world.edges))}


def _step(prepared: Prepared, step: PlannedStep, path: list[PathPoint], contacts: list[Contact]) -> Step:
    source, motion = step.source, step.motion
    correction = prepared.case.robot.correction
    fixes = sum(
        1 << i for i, sensor in enumerate(prepared.case.robot.sensors) if may_fix(correction, step, sensor.id)
    )
    first = len(path)
    if isinstance(motion, CurveMotion):
        path.extend(_path(motion))
    contact = -1
    if step.index in prepared.plan.contacts:
        contact = len(contacts)
        contacts.append(_contact(prepared, step))
    profile = _profile(motion)
    action = source if isinstance(source, Actuate) else getattr(source, "beside", None)
    target_x, target_y = _target(step)
    return Step(
        name=step.name or "",
        label=plain_ascii(step.label),
        kind=StepKind[source.do.replace("-", "_").upper()],
        law=StepLaw[step.law.name],
        backwards=step.backwards,
        fixes=fixes,
        begin_s=step.begin_s,
        end_s=step.end_s,
        settle_s=step.settle_s,
        start=Pose(*step.start_pose),
        end=Pose(*step.end_pose),
        target_x_m=target_x,
        target_y_m=target_y,
        target_rad=source.to if isinstance(source, TurnTo) else 0.0,
        amount=_amount(source),
        radius_m=source.radius if isinstance(source, Arc) else 0.0,
        way=profile.distance,
        peak=profile.peak,
        acceleration=profile.acceleration,
        ramp_s=profile.ramp_s,
        cruise_s=profile.cruise_s,
        path_first=first,
        path_count=len(path) - first,
        contact=contact,
        mechanism="" if action is None else action.mechanism,
        mechanism_s=mechanism_time_s(action),
    )


def _target(step: PlannedStep) -> tuple[float, float]:
    if isinstance(step.source, Curve):
        x, y = step.source.through[-1]
        return x, y
    return step.target or (0.0, 0.0)


def _amount(source: Any) -> float:
    """Return by how much a relative step moves: a distance, or an angle."""
    if isinstance(source, Advance | Sidestep):
        return source.distance
    if isinstance(source, Rotate | Arc):
        return source.angle
    return 0.0


def _profile(motion: Any) -> Profile:
    """Return the speed profile of a motion; a curve has none, but a length and a largest speed."""
    if isinstance(motion, Straight | Turn | ArcMotion):
        return motion.profile
    if isinstance(motion, CurveMotion):
        return Profile(motion.length_m, float(motion.speed.max()), 0.0, 0.0, 0.0)
    if isinstance(motion, Push):
        return Profile(motion.speed_m_s * motion.touch_s, motion.speed_m_s, 0.0, 0.0, motion.touch_s)
    return Profile(0.0, 0.0, 0.0, 0.0, 0.0)


def _path(motion: CurveMotion) -> list[PathPoint]:
    count = max(math.ceil(motion.duration_s / _PATH_STEP_S - 1e-9), 1)
    time_s = motion.duration_s * np.arange(count + 1) / count
    pose, rate = motion.sample(time_s)
    return [
        PathPoint(t, Pose(*p), r[0], r[2])
        for t, p, r in zip(time_s.tolist(), pose.tolist(), rate.tolist(), strict=True)
    ]


def _contact(prepared: Prepared, step: PlannedStep) -> Contact:
    contact, source = prepared.plan.contacts[step.index], step.source
    surface = next(i for i, e in enumerate(prepared.believed.edges) if e.id == contact.wall)
    reset = source.reset if isinstance(source, SquareUp) else None
    swing = swing_of(prepared.case.robot, contact)
    return Contact(
        surface=surface,
        travel_m=contact.travel_m,
        speed_m_s=contact.speed_m_s,
        reach_m=contact.reach_m,
        half_width_m=contact.half_width_m,
        middle_left_m=contact.middle_left_m,
        push_s=contact.push_s,
        late_s=contact.late_s,
        resets=reset is not None,
        reset_position_m=0.0 if reset is None else reset.position,
        reset_heading_rad=0.0 if reset is None else reset.heading,
        swing_m=swing.lever_m,
        swing_believed_m=swing.believed_m,
    )


def _control(prepared: Prepared) -> Control:
    drive, controller = prepared.case.robot.drive, prepared.case.robot.controller
    limits = drive.limits
    return Control(
        holonomic=drive.type == "holonomic",
        speed_m_s=limits.speed,
        acceleration_m_s2=limits.acceleration,
        turn_rate_rad_s=limits.turn_rate,
        turn_acceleration_rad_s2=limits.turn_acceleration,
        centripetal_m_s2=limits.centripetal,
        track_width_m=drive.track_width,
        heading_time_constant_s=controller.time_constant,
        distance_time_constant_s=distance_tau(controller),
        stop_steering_m=controller.stop_steering,
        settle_s=controller.settle,
    )


def _correction(prepared: Prepared, numbering: Numbering) -> Correction:
    robot, own = prepared.case.robot, prepared.filter
    rule = robot.correction
    validity, back, update = rule.validity, rule.way_back, rule.update
    sideways = own.sideways_per_root_m or (own.along_per_root_m, own.across_per_root_m)
    return Correction(
        enabled=rule.enabled,
        order=tuple(TestStage[name.upper()] for name in rule.order),
        expect_planned=rule.expect_from == "plan",
        compensate_latency=rule.compensate_latency,
        reference_only=validity.reference,
        corridor_m=-1.0 if validity.corridor is None else validity.corridor,
        edge_margin_m=validity.edge_margin,
        speed_m_s=math.inf if validity.speed is None else validity.speed,
        turn_rate_rad_s=math.inf if validity.turn_rate is None else validity.turn_rate,
        gate_sigmas=0.0 if rule.gate is None else rule.gate.sigmas,
        persistence=0 if rule.persistence is None else rule.persistence.readings,
        way_back_refusals=0 if back is None else back.refusals,
        way_back_factor=1.0 if back is None else back.factor,
        lost_after=0 if back is None else back.lost_after,
        law=UpdateLaw[update.law.upper()],
        share=update.share if update.law == "blend" else 1.0,
        largest_move_m=update.largest_move or 0.0,
        outline_reach_m=footprint_reach_m(robot.footprint),
        considers=own.considers,
        constants=numbering.count,
        constants_hold_m=own.constants_hold_m,
        wall_m=own.wall_m,
        wall_tilt_rad=own.wall_tilt_rad,
        start_x_m=own.start_sd[0],
        start_y_m=own.start_sd[1],
        start_heading_rad=own.start_sd[2],
        along_per_root_m=own.along_per_root_m,
        across_per_root_m=own.across_per_root_m,
        sideways_along_per_root_m=sideways[0],
        sideways_across_per_root_m=sideways[1],
        turn_ahead_per_root_rad=own.turning.ahead,
        turn_left_per_root_rad=own.turning.left,
        turn_left_s_per_root_rad=own.turning.left_s,
        heading_per_root_m=own.heading_per_root_m,
        heading_per_root_s=own.heading_per_root_s,
        heading_per_root_rad=own.heading_per_root_rad,
    )


def _sensors(prepared: Prepared) -> tuple[Sensor, ...]:
    found = []
    for i, sensor in enumerate(prepared.case.robot.sensors):
        constants = prepared.filter.constants[i] if prepared.filter.considers else NO_CONSTANTS
        limits = reading_limits(sensor, prepared.case.robot.correction.validity)
        found.append(
            Sensor(
                id=sensor.id,
                mount_x_m=sensor.mount.x,
                mount_y_m=sensor.mount.y,
                mount_rad=sensor.mount.heading,
                mount_height_m=sensor.mount.height,
                half_width_rad=0.5 * sensor.beam_width,
                low_m=limits.low_m,
                high_m=limits.high_m,
                incidence_rad=limits.incidence_rad,
                reach_m=sensor.reach.high,
                echo_limit_rad=sensor.echo_limit,
                rate_hz=sensor.rate,
                phase_s=sensor.phase,
                random_phase=sensor.random_phase,
                latency_s=sensor.latency,
                resolution_m=sensor.resolution,
                at_zero_m=prepared.filter.range_at_zero_m[i],
                per_range=prepared.filter.range_per_range[i],
                bias_m=constants.bias_m,
                scale=constants.scale,
                angle_rad=constants.angle_rad,
                aside_m=constants.aside_m,
            )
        )
    return tuple(found)


def _pairs(prepared: Prepared) -> tuple[Pair, ...]:
    index = {sensor.id: i for i, sensor in enumerate(prepared.case.robot.sensors)}
    rows = [sorted(index[name] for name in pair.sensors) for pair in prepared.case.robot.correction.pairs]
    return tuple(Pair(first, second) for first, second in rows)


def _surfaces(prepared: Prepared, numbering: Numbering) -> tuple[tuple[Surface, ...], tuple[Mover, ...]]:
    """Return the surfaces, and what moves those that the filter asks for."""
    number, movers = owners(prepared.believed), list[Mover]()
    surfaces = []
    for i, e in enumerate(prepared.believed.edges):
        own = prepared.filter.movers[i] if i in numbering.surfaces else ()
        ends = *e.a, *e.b, *e.normal, e.low_m, e.high_m
        surfaces.append(Surface(e.id, number[e.owner], *ends, e.reference, len(movers), len(own)))
        movers += [Mover(numbering.at(m.key), m.turns, m.size, m.x, m.y) for m in own]
    return tuple(surfaces), tuple(movers)


def _start_parts(prepared: Prepared, numbering: Numbering) -> tuple[StartPart, ...]:
    return tuple(StartPart(numbering.at(part.key), *part.by) for part in prepared.filter.start_carry)


def _obstacles(world: World) -> tuple[tuple[Obstacle, ...], tuple[Side, ...]]:
    """Return what may stand in a sight line at any height, and its sides."""
    number = owners(world)
    sides: list[Side] = []
    found = []
    for thing in obstacles_of_map(world):
        first = len(sides)
        if thing.sides is not None:
            sides.extend(Side(*row) for row in thing.sides.tolist())
        x, y, radius = thing.disc or (0.0, 0.0, 0.0)
        found.append(
            Obstacle(
                id=thing.id,
                owner=number.get(thing.id, -1),
                disc=thing.disc is not None,
                x_m=x,
                y_m=y,
                radius_m=radius,
                side_first=first,
                side_count=len(sides) - first,
                begin_s=thing.begin_s,
                end_s=thing.end_s,
                low_m=thing.low_m,
                high_m=thing.high_m,
            )
        )
    return tuple(found), tuple(sides)


def _readings(prepared: Prepared) -> tuple[PlannedReading, ...]:
    timeline, sight = prepared.plan.timeline, prepared.sight
    readings = timeline.readings
    return tuple(
        PlannedReading(
            echo_s=float(timeline.time_s[readings.echo_knot[r]]),
            arrival_s=float(timeline.time_s[readings.knot[r]]),
            sensor=int(readings.sensor[r]),
            step=int(readings.step[r]),
            surface=int(sight.surface[r]),
            reason=Reason(int(sight.reason[r])),
            speed_m_s=float(math.hypot(*timeline.rate[readings.knot[r], :2])),
            turn_rate_rad_s=float(timeline.rate[readings.knot[r], 2]),
        )
        for r in np.flatnonzero(readings.nominal).tolist()
    )
