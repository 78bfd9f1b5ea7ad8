"""What every reading of the plan should see, on the nominal pose and the believed map."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray, Law, Plan
from driftgate.schema.case import Case
from driftgate.schema.sensor import Sensor
from driftgate.sight.clear import hindered
from driftgate.sight.corridor import obstacles_at_height
from driftgate.sight.stages import may_fix
from driftgate.sight.validity import (
    BoolArray,
    ReadingLimits,
    first_failed,
    near_edge_end,
    out_of_range,
    reading_limits,
    too_fast,
    too_oblique,
    turning,
)
from driftgate.sight.values import END_OF, Reason, Sight
from driftgate.world.answering import answering_edge
from driftgate.world.beam import RangeModel, expected_range, sensor_beam
from driftgate.world.cone import Axis, answer_in_cone
from driftgate.world.rays import EdgeArrays, Values, edge_arrays
from driftgate.world.values import World


def look_along(case: Case, plan: Plan, world: World) -> Sight:
    """Return what each reading should see, or why it gives no fix.

    The expected surface is the nearest wall or structure that reaches to the sensor's height, in a cone
    one that is not met too obliquely to answer (`driftgate.world.answering`); loose elements do not count
    for it, they are the corridor's business. The tests are made in the order of `Reason`, and the first
    that fails has the reading: those of the robot, and for what passes them whether the beam gets there at
    all (`driftgate.sight.clear`).

    Parameters
    ----------
    case : Case
        Routine and robot.
    plan : Plan
        The nominal timeline.
    world : World
        Geometry of the believed map.

    Returns
    -------
    Sight
        Arrays over ``plan.timeline.readings``.
    """
    readings = plan.timeline.readings
    count = len(readings.knot)
    surface = np.full(count, -1, dtype=np.intp)
    range_m, incidence = np.full(count, np.nan), np.full(count, np.nan)
    reason = np.zeros(count, dtype=np.int8)
    # In truth things stand where the plan has pushed them to; the robot goes by the map.
    moved = world if plan.things is None else replace(world, elements=plan.things)
    obstacle = np.full(count, "", dtype=object)
    for i, sensor in enumerate(case.robot.sensors):
        rows = np.flatnonzero(readings.sensor == i)
        knots = belief_knots(case, plan)[rows]
        beams = _associate(world, sensor, plan.timeline.pose[knots], plan.timeline.time_s[knots])
        limits = reading_limits(sensor, case.robot.correction.validity)
        blocked, names = _corridor(world, sensor, limits, beams)
        surface[rows], range_m[rows], incidence[rows] = beams.surface, beams.range_m, beams.incidence_rad
        may = np.array([may_fix(case.robot.correction, step, sensor.id) for step in plan.steps], dtype=bool)
        own = _reasons(plan, world, limits, beams, blocked, rows, may)
        clear, standing = hindered(moved, sensor, beams.cone, beams.time_s, beams.surface, beams.range_m)
        reason[rows] = found = np.where(own == Reason.USABLE, clear, own)
        obstacle[rows] = np.where(
            found == Reason.CORRIDOR, names, np.where(found == Reason.OBSTRUCTED, standing, "")
        )
    return Sight(surface, range_m, incidence, reason, tuple(obstacle.tolist()))


def belief_knots(case: Case, plan: Plan) -> IntArray:
    """Return the knot whose belief each reading is compared with.

    The arrival, or where the robot compensates the sensors' latency, the echo.
    """
    readings = plan.timeline.readings
    return readings.echo_knot if case.robot.correction.compensate_latency else readings.knot


def model_of(
    sensor: Sensor,
    pose: FloatArray,
    normal: tuple[Values, Values],
    middle: tuple[Values, Values],
    ends: tuple[Values, Values, Values, Values],
) -> RangeModel:
    """Return what a sensor should read of a surface, in its line or cone, and how that changes.

    Parameters
    ----------
    sensor : Sensor
        The sensor.
    pose : ndarray, shape (..., 3)
        Poses of the robot. [m, m, rad]
    normal, middle, ends : tuple of ndarray or float
        Unit normal, middle, and ends ax, ay, bx, by of the surface met from each pose. [m]

    Returns
    -------
    RangeModel
        Arrays of the shape that all arguments broadcast to.
    """
    mount = (sensor.mount.x, sensor.mount.y, sensor.mount.heading)
    answer = None
    if sensor.beam_width > 0.0:
        beam = sensor_beam(pose[..., 0], pose[..., 1], pose[..., 2], *mount)
        answer = answer_in_cone(Axis(*beam, 0.5 * sensor.beam_width), *ends)
    return expected_range(pose, mount, normal, middle, answer)


@dataclass(frozen=True)
class _Beams:
    """The readings of one sensor on the believed map, arrays of one length.

    `ux`, `uy` is the direction that the answer comes from, `cone` where the sensor looks.
    """

    cone: Axis

    px: FloatArray
    py: FloatArray
    ux: FloatArray
    uy: FloatArray
    time_s: FloatArray
    surface: IntArray
    range_m: FloatArray
    incidence_rad: FloatArray


@dataclass(frozen=True)
class SeenFrom:
    """What one sensor should see from given poses, arrays of one length.

    `model` holds harmless numbers where no surface is met; `reason` is the first test that fails, of those
    that need no plan: surface, reference, range, incidence, corridor.
    """

    surface: IntArray
    model: RangeModel
    reason: NDArray[np.int8]


def seen_from(
    world: World, sensor: Sensor, limits: ReadingLimits, pose: FloatArray, time_s: FloatArray
) -> SeenFrom:
    """Return what a sensor should see from given poses at given times, with no plan at hand.

    Parameters
    ----------
    world : World
        Geometry of the believed map.
    sensor : Sensor
        The sensor.
    limits : ReadingLimits
        Its limits.
    pose : ndarray, shape (n, 3)
        Where the robot believes to be. [m, m, rad]
    time_s : ndarray, shape (n,)
        When, from the start of the routine: elements come and go. [s]
    """
    beams = _associate(world, sensor, pose, time_s)
    blocked, _ = _corridor(world, sensor, limits, beams)
    edges, surface = edge_arrays(world.edges), np.where(beams.surface >= 0, beams.surface, 0)
    middle = 0.5 * (edges.ax[surface] + edges.bx[surface]), 0.5 * (edges.ay[surface] + edges.by[surface])
    normal, ends = (edges.nx[surface], edges.ny[surface]), _ends(edges, surface)
    model = model_of(sensor, pose, normal, middle, ends)
    return SeenFrom(beams.surface, model, first_failed(_tests(world, limits, beams, blocked)))


def _associate(world: World, sensor: Sensor, pose: FloatArray, time_s: FloatArray) -> _Beams:
    mount = sensor.mount
    beam = sensor_beam(pose[:, 0], pose[:, 1], pose[:, 2], mount.x, mount.y, mount.heading)
    cone = Axis(*beam, 0.5 * sensor.beam_width)
    tall = [i for i, e in enumerate(world.edges) if e.low_m <= mount.height <= e.high_m]
    edges = edge_arrays(world.edges[i] for i in tall)
    ends_of = edges.ax, edges.ay, edges.bx, edges.by
    range_m, met = answering_edge(cone, *ends_of, sensor.echo_limit, sensor.reach.high)
    # A miss has index -1: the entry put last.
    surface = np.array([*tall, -1], dtype=np.intp)[met]
    nx, ny, *ends = (
        np.append(n, np.nan)[met] for n in (edges.nx, edges.ny, edges.ax, edges.ay, edges.bx, edges.by)
    )
    _, ux, uy, _ = answer_in_cone(cone, *ends)
    cosine = np.abs(nx * ux + ny * uy)
    return _Beams(
        cone,
        *beam[:2],
        ux,
        uy,
        time_s=time_s,
        surface=surface,
        range_m=np.where(surface >= 0, range_m, np.nan),
        incidence_rad=np.arccos(np.minimum(cosine, 1.0)),
    )


def _corridor(
    world: World, sensor: Sensor, limits: ReadingLimits, beams: _Beams
) -> tuple[BoolArray, NDArray[np.object_]]:
    """Return where a corridor is blocked, and by what: the first on the map, the surface's end last."""
    sighted = beams.surface >= 0
    names = np.full(len(sighted), "", dtype=object)
    if not sighted.any():
        return sighted, names
    owner = np.array([*(e.owner for e in world.edges), ""], dtype=object)[beams.surface]
    line = (beams.px, beams.py, beams.ux, beams.uy, np.where(sighted, beams.range_m, 0.0))
    blocked = np.zeros(len(sighted), dtype=bool)
    for obstacle in obstacles_at_height(world, sensor.mount.height) if limits.corridor_m >= 0.0 else ():
        there = sighted & obstacle.is_there(beams.time_s) & (owner != obstacle.id)
        in_the_way = obstacle.blocks(*line, limits.corridor_m)
        if beams.cone.half_rad > 0.0:
            in_the_way = in_the_way | obstacle.stands_in(beams.cone, line[-1])
        there &= in_the_way
        names[there & ~blocked] = obstacle.id
        blocked |= there
    ends = _ends(edge_arrays(world.edges), beams.surface)
    at_end = sighted & near_edge_end(*line, *ends, limits.edge_margin_m)
    for row in np.flatnonzero(at_end & ~blocked):
        names[row] = f"{END_OF}{world.edges[beams.surface[row]].id}"
    return blocked | at_end, names


def _ends(edges: EdgeArrays, surface: IntArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    return edges.ax[surface], edges.ay[surface], edges.bx[surface], edges.by[surface]


def _reasons(
    plan: Plan,
    world: World,
    limits: ReadingLimits,
    beams: _Beams,
    blocked: BoolArray,
    rows: IntArray,
    may: BoolArray,
) -> NDArray[np.int8]:
    """Return why each reading gives no fix; `may` says in which steps readings are looked at."""
    readings = plan.timeline.readings
    step = readings.step[rows]
    in_contact = np.array([s.law is Law.CONTACT for s in plan.steps], dtype=bool)[step]
    rate = plan.timeline.rate[readings.knot[rows]]
    return first_failed(
        [
            (Reason.SWITCHED_OFF, ~may[step]),
            (Reason.IN_CONTACT, in_contact),
            *_tests(world, limits, beams, blocked),
            (Reason.TOO_FAST, too_fast(rate, limits)),
            (Reason.TURNING, turning(rate, limits)),
        ]
    )


def _tests(
    world: World, limits: ReadingLimits, beams: _Beams, blocked: BoolArray
) -> list[tuple[Reason, BoolArray]]:
    """Return the tests that need nothing but where the sensor looks, in their order."""
    reference = np.array([*(e.reference for e in world.edges), True], dtype=bool)[beams.surface]
    return [
        (Reason.NO_SURFACE, beams.surface < 0),
        (Reason.NOT_REFERENCE, ~reference & limits.reference),
        (Reason.OUT_OF_RANGE, out_of_range(beams.range_m, limits)),
        (Reason.INCIDENCE, too_oblique(beams.incidence_rad, limits)),
        (Reason.CORRIDOR, blocked),
    ]
