"""The tick's linear algebra: how small deviations of belief and truth travel from knot to knot.

The state of a deviation is (bx, by, bh, xx, xy, xh): belief minus plan and truth minus plan, position
in field axes. For each tick there is a matrix A (6, 6), a column per constant of the run, a column for
what is known beforehand (the means), and the white noise of each source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import Law, Plan, PlannedStep
from driftgate.predict.increments import (
    DriftConstants,
    chord,
    drift_constants,
    increment_columns,
    true_increment,
)
from driftgate.predict.sources import SourceTable
from driftgate.predict.values import BoolArray
from driftgate.schema.robot import Controller

WHITE = ("distance_walk", "lateral_walk", "heading_walk", "bump", "rare_slip")
# Gauss-Legendre, three points on (0, 1): exact to the fifth power.
_NODES = (0.5 - np.sqrt(0.15), 0.5, 0.5 + np.sqrt(0.15))
_WEIGHTS = (5.0 / 18.0, 8.0 / 18.0, 5.0 / 18.0)


@dataclass(frozen=True)
class TickModel:
    """All ticks of a plan, to first order.

    Attributes
    ----------
    transition : ndarray, shape (K, 6, 6)
        A of each tick.
    columns : ndarray, shape (K, 6, m + 1)
        Input of each constant of the run, per unit of its deviation from its mean; last the known part.
    white : ndarray, shape (K, len(WHITE), 6, 6)
        Covariance that each white source adds.
    stretch : ndarray, shape (K, 6)
        Effect of a unit stretch of the tick's duration.
    """

    transition: FloatArray
    columns: FloatArray
    white: FloatArray
    stretch: FloatArray


def travelling_ticks(plan: Plan) -> BoolArray:
    """Return for each tick whether its step moves the robot from its place; turns on the spot do not."""
    twist, first = plan.timeline.twist, plan.timeline.first_tick
    found = np.zeros(len(twist), dtype=bool)
    for step in plan.steps:
        ticks = slice(first[step.index], first[step.index + 1])
        found[ticks] = step.motion is not None and bool(np.any(np.abs(twist[ticks, :2]) > 1e-12))
    return found & plan.timeline.moving


def decay(dt: FloatArray, tau_s: float) -> tuple[FloatArray, FloatArray]:
    """Return what is left of a difference after dt, and the share closed on average during dt."""
    if tau_s <= 0.0:
        return np.zeros_like(dt), np.ones_like(dt)
    left = np.exp(-dt / tau_s)
    return left, 1.0 - (1.0 - left) * tau_s / dt


def distance_tau(controller: Controller) -> float:
    """Return the time constant with which the distance left is closed. [s]"""
    given = controller.distance_time_constant
    return controller.time_constant if given is None else given


def tick_model(plan: Plan, controller: Controller, table: SourceTable, bumps_per_m: FloatArray) -> TickModel:
    """Return the linear model of every tick.

    Parameters
    ----------
    plan : Plan
        The plan.
    controller : Controller
        The robot's controller.
    table : SourceTable
        Error sources as numbers.
    bumps_per_m : ndarray, shape (K,)
        Bumps per metre at the nominal place of each tick. [1/m]
    """
    timeline = plan.timeline
    dt = np.diff(timeline.time_s)
    index = table.index()
    means = {c.key: c.mean for c in table.constants}
    constants = drift_constants(lambda key: np.asarray(means[key]) if key in means else None)
    clock = 1.0 + means.get("step_timing", 0.0)
    travelling = travelling_ticks(plan)
    heading = timeline.pose[:-1, 2]
    rotation = _rotations(heading)
    displacement, jacobian = chord(timeline.twist)
    field_jacobian = np.einsum("kij,kjl->kil", rotation, jacobian)

    columns = np.zeros((len(dt), 6, len(table.constants) + 1))
    _drift_columns(columns, plan, constants, index, dt * clock, travelling, field_jacobian, rotation)
    transition = _transitions(plan, controller, constants, rotation, displacement, dt)
    stretch = _stretch(plan, constants, travelling, field_jacobian, dt, clock)
    if "step_timing" in index:
        columns[:, :, index["step_timing"]] += stretch
    for position, constant in enumerate(table.constants):
        if constant.of:
            columns[:, :, position] = columns[:, :, index[constant.of]]
            for key, times in constant.also:
                columns[:, :, position] += times * columns[:, :, index[key]]
    white = _white(plan, table, bumps_per_m, travelling, constants, dt * clock)
    return TickModel(transition, columns, white, stretch)


def _rotations(heading: FloatArray) -> FloatArray:
    c, s = np.cos(heading), np.sin(heading)
    return np.stack([np.stack([c, -s], -1), np.stack([s, c], -1)], axis=-2)


def _drift_columns(
    columns: FloatArray,
    plan: Plan,
    constants: DriftConstants,
    index: dict[str, int],
    dt: FloatArray,
    travelling: BoolArray,
    field_jacobian: FloatArray,
    rotation: FloatArray,
) -> None:
    twist, moving = plan.timeline.twist, plan.timeline.moving
    by_constant = increment_columns(twist, dt, constants, travelling)
    follows = "sideways_scale" not in index
    for key, body in by_constant.items():
        target = "distance_scale" if key == "sideways_scale" and follows else key
        position = index.get(target)
        if position is None:
            continue
        body = np.where(moving[:, None], body, 0.0)
        columns[:, 3:5, position] += np.einsum("kij,kj->ki", field_jacobian, body)
        columns[:, 5, position] += body[:, 2]
    if "heading_bias" in index:
        # At rest the belief turns and the truth does not.
        columns[~moving, 2, index["heading_bias"]] += dt[~moving]
    spot = moving & ~travelling
    turned = (twist[:, 2] - constants.heading_bias * dt) / (1.0 + constants.heading_scale)
    if "wheel_offset" in index:
        for axis in (0, 1):
            columns[spot, axis, index["wheel_offset"]] -= (field_jacobian[:, axis, 0] * turned)[spot]
    known = _known_increment(twist, dt, constants, travelling) - twist
    # The displacement is linearised about the measured twist; the rest is of second order in the means.
    known = np.where(moving[:, None], known, 0.0)
    exact = chord(twist + known)[0] - chord(twist)[0]
    columns[:, 3:5, -1] += np.einsum("kij,kj->ki", rotation, exact)
    columns[:, 5, -1] += known[:, 2]
    columns[~moving, 2, -1] += (constants.heading_bias * dt)[~moving]
    for axis in (0, 1):
        columns[spot, axis, -1] -= (constants.wheel_offset * field_jacobian[:, axis, 0] * turned)[spot]


def _known_increment(
    twist: FloatArray, dt: FloatArray, constants: DriftConstants, travelling: BoolArray
) -> FloatArray:
    nothing = np.zeros(len(twist))
    ds, dl, dth = twist.T
    ahead, left, turn = true_increment(ds, dl, dth, dt, constants, (nothing, nothing, nothing))
    return np.stack([np.where(travelling, ahead, 0.0), np.where(travelling, left, 0.0), turn], axis=-1)


def _stretch(
    plan: Plan,
    constants: DriftConstants,
    travelling: BoolArray,
    field_jacobian: FloatArray,
    dt: FloatArray,
    clock: float,
) -> FloatArray:
    """Return the effect of a unit stretch: more time for the bias to act in, and slower turning."""
    c, moving = constants, plan.timeline.moving
    ds, _, dth = plan.timeline.twist.T
    acting = dt * clock
    turn = (dth - c.heading_bias * acting) / (1.0 + c.heading_scale)
    turn_by = -c.heading_bias * dt / (1.0 + c.heading_scale)
    rate_by = (turn_by - turn / clock) / acting
    ahead = c.wheel_offset * turn_by
    slip = (c.heading_latency - c.slip_speed) * rate_by * ds - c.slip_turn * turn_by * np.sign(ds)
    go = travelling.astype(float)
    body = np.stack([go * c.crab_cos * ahead, go * (c.crab_sin * ahead + slip), turn_by], axis=-1)
    stretch = np.zeros((len(dt), 6))
    stretch[moving, 3:5] = np.einsum("kij,kj->ki", field_jacobian, body)[moving]
    stretch[moving, 5] = turn_by[moving]
    stretch[~moving, 2] = (c.heading_bias * dt)[~moving]
    return stretch


def _transitions(
    plan: Plan,
    controller: Controller,
    constants: DriftConstants,
    rotation: FloatArray,
    displacement: FloatArray,
    dt: FloatArray,
) -> FloatArray:
    ticks = len(dt)
    moved = np.einsum("kij,kj->ki", rotation, displacement)
    lever = np.stack([-moved[:, 1], moved[:, 0]], axis=-1)
    matrix = np.tile(np.eye(6), (ticks, 1, 1))
    matrix[:, 0:2, 2] = lever
    matrix[:, 3:5, 5] = lever
    first = plan.timeline.first_tick
    for step in plan.steps:
        span = slice(int(first[step.index]), int(first[step.index + 1]))
        if span.start == span.stop:
            continue
        _steer(matrix[span], plan, step, span, controller, constants, rotation[span], lever[span], dt[span])
    return matrix


def _steer(
    matrix: FloatArray,
    plan: Plan,
    step: PlannedStep,
    span: slice,
    controller: Controller,
    constants: DriftConstants,
    rotation: FloatArray,
    lever: FloatArray,
    dt: FloatArray,
) -> None:
    """Add the controller of an absolute step: what it does enters belief and truth alike."""
    heading_row, distance_row, ahead = steering_rows(plan, step, span, controller)
    if heading_row is None:
        return
    left, closed = decay(dt, controller.time_constant)
    distance_left, _ = decay(dt, distance_tau(controller))
    turn = -(1.0 - left)[:, None] * heading_row
    average = -closed[:, None] * heading_row
    gain = 1.0 / (1.0 + constants.heading_scale)
    if step.law is Law.GLIDE:
        # A holonomic drive follows the line in field axes: position closes as such, and a heading
        # difference does not turn the believed path, only the true one through e.
        scales = np.stack([1.0 / (1.0 + constants.distance_scale), 1.0 / (1.0 + constants.sideways_scale)])
        close = -(1.0 - distance_left)[:, None, None] * np.eye(2)
        matrix[:, 0:2, 0:2] += close
        matrix[:, 0:2, 2] = 0.0
        matrix[:, 3:5, 0:2] += np.einsum("kij,j,klj,klm->kim", rotation, scales, rotation, close)
        matrix[:, 3:5, 2] = -lever
    else:
        move = -(1.0 - distance_left)[:, None] * distance_row
        scale = 1.0 / (1.0 + constants.distance_scale)
        for rows, heading_gain, scale_gain in ((slice(0, 2), 1.0, 1.0), (slice(3, 5), gain, scale)):
            matrix[:, rows, 0:3] += heading_gain * lever[:, :, None] * average[:, None, :]
            matrix[:, rows, 0:3] += scale_gain * ahead[:, :, None] * move[:, None, :]
    matrix[:, 2, 0:3] += turn
    matrix[:, 5, 0:3] += gain * turn


def steering_rows(
    plan: Plan, step: PlannedStep, span: slice, controller: Controller
) -> tuple[FloatArray | None, FloatArray, FloatArray]:
    """Return what an absolute step steers on, linear in the belief's deviation (bx, by, bh).

    Returns
    -------
    heading_row : ndarray, shape (k, 3), or None
        Believed heading minus the wanted one; zero where steering has stopped. None: nothing is closed.
    distance_row : ndarray, shape (k, 3)
        Believed deviation ahead.
    ahead : ndarray, shape (k, 2)
        Unit vector of travel, field axes.
    """
    pose = plan.timeline.pose[span]
    count = len(pose)
    course = pose[:, 2] + (np.pi if step.backwards else 0.0)
    ahead = np.stack([np.cos(course), np.sin(course)], axis=-1)
    left = np.stack([-ahead[:, 1], ahead[:, 0]], axis=-1)
    row, along = np.zeros((count, 3)), np.zeros((count, 3))
    if step.law in (Law.DRIVE, Law.CURVE):
        remaining = remaining_distance(plan, step, span)
        steering = remaining >= max(controller.stop_steering, 1e-9)
        reach = remaining if step.law is Law.DRIVE else np.full(count, look_ahead(controller))
        reach = np.where(steering, reach, 1.0)
        row[:, :2] = left / reach[:, None]
        row[:, 2] = 1.0
        row[~steering] = 0.0
        along[:, :2] = ahead
    elif step.law is Law.GLIDE or step.law is Law.TURN:
        row[:, 2] = 1.0
    elif step.law is Law.FACE and step.target is not None:
        arm = np.array(step.target) - pose[:, :2]
        distance = np.hypot(arm[:, 0], arm[:, 1])
        row[:, 0] = -arm[:, 1] / distance**2
        row[:, 1] = arm[:, 0] / distance**2
        row[:, 2] = 1.0
    else:
        return None, along, ahead
    return row, along, ahead


def look_ahead(controller: Controller) -> float:
    """Return the look-ahead of a curve: where steering stops, at least 50 mm. [m]"""
    return max(controller.stop_steering, 0.05)


def remaining_distance(plan: Plan, step: PlannedStep, span: slice) -> FloatArray:
    """Return the plan's distance left at the start of each tick of a step. [m]"""
    travel = np.hypot(plan.timeline.twist[span, 0], plan.timeline.twist[span, 1])
    if step.law is Law.DRIVE and step.target is not None:
        arm = np.array(step.target) - plan.timeline.pose[span, :2]
        return np.hypot(arm[:, 0], arm[:, 1])
    return np.cumsum(travel[::-1])[::-1]


def _white(
    plan: Plan,
    table: SourceTable,
    bumps_per_m: FloatArray,
    travelling: BoolArray,
    constants: DriftConstants,
    dt: FloatArray,
) -> FloatArray:
    """Return the covariance of the white sources in each tick, integrated along its arc."""
    noise, timeline = table.noise, plan.timeline
    twist, moving = timeline.twist, timeline.moving
    length, turn = np.hypot(twist[:, 0], twist[:, 1]), np.abs(twist[:, 2])
    gain = 1.0 / (1.0 + constants.heading_scale)
    heading_var = (
        noise.heading_per_root_m**2 * length
        + noise.heading_per_root_s**2 * dt
        + noise.heading_per_root_rad**2 * turn
    )
    per_bump = bumps_per_m * length
    white = np.zeros((len(dt), len(WHITE), 6, 6))
    white[~moving, 2, 2, 2] = heading_var[~moving]
    ending = _positions(timeline.pose[:-1], twist, np.ones(len(dt)))
    for node, weight in zip(_NODES, _WEIGHTS, strict=True):
        at = _positions(timeline.pose[:-1], twist, np.full(len(dt), node))
        arm = ending[:, :2] - at[:, :2]
        turning = np.zeros((len(dt), 6))
        turning[:, 3], turning[:, 4], turning[:, 5] = -arm[:, 1], arm[:, 0], 1.0
        course = at[:, 2]
        ahead, left = np.zeros((len(dt), 6)), np.zeros((len(dt), 6))
        ahead[:, 3], ahead[:, 4] = np.cos(course), np.sin(course)
        left[:, 3], left[:, 4] = -np.sin(course), np.cos(course)
        scale = 1.0 / (1.0 + constants.distance_scale)
        intensities = (
            (0, ahead, noise.distance_per_root_m**2 * length * travelling * scale**2),
            (1, left, noise.lateral_per_root_m**2 * length * travelling),
            (2, turning, heading_var * moving * gain**2),
            (3, ahead, noise.bump_along_m**2 * per_bump * travelling),
            (3, turning, noise.bump_heading_rad**2 * per_bump * travelling),
            (4, ahead, noise.slip_per_root_m**2 * length * travelling * scale**2),
        )
        for source, direction, variance in intensities:
            white[:, source] += (weight * variance)[:, None, None] * (
                direction[:, :, None] * direction[:, None, :]
            )
    return white


def _positions(start: FloatArray, twist: FloatArray, share: FloatArray) -> FloatArray:
    moved = chord(twist * share[:, None])[0]
    offset = np.einsum("kij,kj->ki", _rotations(start[:, 2]), moved)
    return np.column_stack([start[:, :2] + offset, start[:, 2] + share * twist[:, 2]])
