"""Workload W as one would write it down first: a Python loop over trials, casting with shapely.

The peer of the benchmark. It shares the plan's nominal poses and the drawn numbers with the engine and
no code: motion, casts, filter and gate are written out here in plain floats. It does what W asks for
and nothing else (no contact test, no counts by stage, no persistence).
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import Any

import numpy as np
from shapely import LineString, Point, Polygon, STRtree

from driftgate.plan.values import Law
from driftgate.predict import Prepared
from driftgate.predict.sources import source_table
from driftgate.predict.streams import Streams
from driftgate.predict.walk import Walker, walk_plan

Pose = tuple[float, float, float]


@dataclass(frozen=True)
class Luck:
    """The numbers that the trials draw, by trial; the same as the engine's but for strays' places."""

    constants: dict[str, list[float]]
    walk: list[tuple[list[float], ...]]  # by tick: distance, lateral, heading
    noise: list[list[float]]  # by reading


def draw(prepared: Prepared, trials: int, seed: int) -> Luck:
    """Return the luck of the first trials."""
    streams = Streams(seed, 0, trials)
    case, timeline = prepared.case, prepared.plan.timeline
    keys = ["start_placement:x", "start_placement:y", "start_placement:heading"]
    keys += ["distance_scale", "heading_bias"]
    keys += [f"mount_angle:{s.id}" for s in case.robot.sensors]
    keys += [f"wall_build:{w.id}:offset" for w in case.true.walls]
    keys += [f"element_placement:{e.id}:{axis}" for e in case.true.elements for axis in "xy"]
    constants = {key: streams.normals(key, "run", 0).tolist() for key in keys}
    for e in case.true.elements:
        constants[f"stray:{e.id}"] = streams.uniforms(f"element_stray:{e.id}", "run", 0)[0].tolist()
    walker = Walker(walk_plan(prepared), source_table(case).noise, streams)
    walk = []
    for k, number in enumerate(timeline.step.tolist()):
        drawn = walker.tick(prepared.plan.steps[number], k, np.ones(trials))
        walk.append(tuple(np.broadcast_to(w, trials).tolist() for w in drawn))
    readings, noise = timeline.readings, []
    for r, s in enumerate(readings.sensor.tolist()):
        place = prepared.plan.steps[int(readings.step[r])].place
        key = f"range_noise:{case.robot.sensors[s].id}"
        noise.append(streams.normals(key, place, int(readings.ordinal[r])).tolist())
    return Luck(constants, walk, noise)


class Surfaces:
    """Surfaces in a search tree."""

    def __init__(self, shapes: list[Any]) -> None:
        self.shapes = shapes
        self.tree = STRtree(shapes)

    def cast(self, x: float, y: float, ux: float, uy: float, reach: float) -> tuple[float, int]:
        """Return the range of the first surface that the beam meets, and which it is; inf and -1 for none."""
        start = Point(x, y)
        beam = LineString([(x, y), (x + reach * ux, y + reach * uy)])
        nearest, which = math.inf, -1
        for i in self.tree.query(beam, predicate="intersects"):
            away = start.distance(beam.intersection(self.shapes[i]))
            if away < nearest:
                nearest, which = away, int(i)
        return nearest, which


class PlainLoop:
    """Workload W, trial by trial.

    Parameters
    ----------
    prepared : Prepared
        The case: its documents and its plan's poses are read, once.
    luck : Luck
        The numbers to draw.
    eager : bool
        Cast from the truth for every reading, as W says; else only for those that the belief may use.
    """

    def __init__(self, prepared: Prepared, luck: Luck, eager: bool = True) -> None:
        case, timeline = prepared.case, prepared.plan.timeline
        self.robot, self.field, self.start = case.robot, case.true, case.routine.start
        self.luck, self.eager = luck, eager
        self.pose = timeline.pose.tolist()
        self.twist = timeline.twist.tolist()
        self.dt = np.diff(timeline.time_s).tolist()
        self.steps = [prepared.plan.steps[s] for s in timeline.step.tolist()]
        self.readings: list[list[tuple[int, int]]] = [[] for _ in self.pose]
        for r, (knot, sensor) in enumerate(
            zip(timeline.readings.knot, timeline.readings.sensor, strict=True)
        ):
            self.readings[int(knot)].append((r, int(sensor)))
        ends = {s.index: s.end_pose for s in self.steps}
        self.turning = [
            math.hypot(ends[s.index][0] - s.start_pose[0], ends[s.index][1] - s.start_pose[1]) < 1e-9
            for s in self.steps
        ]
        corners = [w.corner for w in self.field.walls]
        self.walls = list(zip(corners, corners[1:] + corners[:1], strict=True))
        self.pillars = []
        for s in self.field.structures:
            ring = [(s.at.x + x, s.at.y + y) for x, y in s.shape.polygon.corners]
            self.pillars += [LineString(side) for side in zip(ring, ring[1:] + ring[:1], strict=True)]
        self.map = Surfaces([LineString(wall) for wall in self.walls] + self.pillars)
        self.hall = Polygon(corners)

    def run(self, trial: int) -> Pose:
        """Return the true pose minus the plan at the end of one trial."""
        c = {key: values[trial] for key, values in self.luck.constants.items()}
        spread, errors = self.start.spread, self.robot.errors
        scale = errors.distance_scale.spread * c["distance_scale"]
        bias = errors.heading_bias.spread * c["heading_bias"]
        mounts = [s.errors.mount_angle.spread * c[f"mount_angle:{s.id}"] for s in self.robot.sensors]
        world = self.true_field(c, trial)
        x, y, h = self.pose[0]
        belief = (x, y, h)
        truth = (
            x + spread.x * c["start_placement:x"],
            y + spread.y * c["start_placement:y"],
            h + spread.heading * c["start_placement:heading"],
        )
        cov = [spread.x**2, 0.0, 0.0, spread.y**2, 0.0, spread.heading**2]
        belief, cov = self.read(0, trial, belief, truth, cov, world, mounts)
        for k in range(len(self.twist)):
            belief, truth, cov = self.move(k, trial, belief, truth, cov, scale, bias)
            belief, cov = self.read(k + 1, trial, belief, truth, cov, world, mounts)
        x, y, h = self.pose[-1]
        return truth[0] - x, truth[1] - y, truth[2] - h

    def true_field(self, c: dict[str, float], trial: int) -> Surfaces:
        """Return the field of one trial: walls offset inwards, pots scattered, some strayed."""
        lines = []
        for (a, b), wall in zip(self.walls, self.field.walls, strict=True):
            offset = self.field.build.offset * c[f"wall_build:{wall.id}:offset"]
            length = math.dist(a, b)
            nx, ny = -(b[1] - a[1]) / length, (b[0] - a[0]) / length
            # Far enough beyond both ends to meet the neighbours.
            ex, ey = 0.1 * ny, -0.1 * nx
            lines.append(
                LineString(
                    [
                        (a[0] + offset * nx - ex, a[1] + offset * ny - ey),
                        (b[0] + offset * nx + ex, b[1] + offset * ny + ey),
                    ]
                )
            )
        pots = []
        for e in self.field.elements:
            radius = e.shape.circle.radius
            x = e.at.x + e.scatter.x * c[f"element_placement:{e.id}:x"]
            y = e.at.y + e.scatter.y * c[f"element_placement:{e.id}:y"]
            if c[f"stray:{e.id}"] < e.stray.probability:
                x, y = self.stray(radius, random.Random(f"{trial} {e.id}"))
            pots.append(Point(x, y).buffer(radius, quad_segs=32))
        return Surfaces(lines + self.pillars + pots)

    def stray(self, radius: float, rng: random.Random) -> tuple[float, float]:
        """Return a place inside the walls and clear of the start."""
        half = 0.5 * math.hypot(self.robot.footprint.length, self.robot.footprint.width)
        low_x, low_y, high_x, high_y = self.hall.bounds
        while True:
            x, y = rng.uniform(low_x + radius, high_x - radius), rng.uniform(low_y + radius, high_y - radius)
            if math.hypot(x - self.pose[0][0], y - self.pose[0][1]) > half + radius:
                return x, y

    def move(
        self,
        k: int,
        trial: int,
        belief: Pose,
        truth: Pose,
        cov: list[float],
        scale: float,
        bias: float,
    ) -> tuple[Pose, Pose, list[float]]:
        """Return belief, truth and covariance one tick later."""
        (ds, dl, dth), dt = self.twist[k], self.dt[k]
        walk_ahead, walk_left, walk_turn = (values[trial] for values in self.luck.walk[k])
        length = math.hypot(ds, dl)
        ahead, turn, before = self.steer(k, belief)
        true_turn = dth + turn - bias * dt + walk_turn
        if not self.turning[k]:
            true_ahead, true_left = (ahead + walk_ahead) / (1.0 + scale), dl + walk_left
            rest = true_turn - turn
            angle = truth[2] + before + 0.5 * rest
            chord = math.sin(0.5 * rest) / (0.5 * rest) if abs(rest) > 1e-9 else 1.0
            co, si = chord * math.cos(angle), chord * math.sin(angle)
            x, y = truth[0] + co * true_ahead - si * true_left, truth[1] + si * true_ahead + co * true_left
        else:
            x, y = truth[0], truth[1]
        truth = (x, y, truth[2] + true_turn)
        angle = belief[2] + before + 0.5 * dth
        chord = math.sin(0.5 * dth) / (0.5 * dth) if abs(dth) > 1e-9 else 1.0
        co, si = chord * math.cos(angle), chord * math.sin(angle)
        dx, dy = co * ahead - si * dl, si * ahead + co * dl
        belief = (belief[0] + dx, belief[1] + dy, belief[2] + dth + turn)
        return belief, truth, self.grow(k, dx, dy, length, cov)

    def steer(self, k: int, belief: Pose) -> tuple[float, float, float]:
        """Return the way ahead, the controller's own turn, and its mean before the way."""
        step, (ds, _, _), dt = self.steps[k], self.twist[k], self.dt[k]
        tau = self.robot.controller.time_constant
        left = math.exp(-dt / tau)
        closed = 1.0 - (1.0 - left) * tau / dt
        if step.law is Law.TURN:
            off = belief[2] - self.pose[k][2]
            return ds, (left - 1.0) * off, -closed * off
        if step.law is not Law.DRIVE:
            return ds, 0.0, 0.0
        tx, ty = step.target
        rx, ry = tx - belief[0], ty - belief[1]
        co, si = math.cos(belief[2]), math.sin(belief[2])
        ahead = co * rx + si * ry
        off = 0.0
        if ahead >= max(self.robot.controller.stop_steering, 1e-9):
            off = math.atan2(rx * si - ry * co, ahead)
        turn, before = (left - 1.0) * off, -closed * off
        co, si = math.cos(belief[2] + before), math.sin(belief[2] + before)
        ahead = co * rx + si * ry
        remaining = math.dist(step.target, self.pose[k][:2])
        same_step = k + 1 < len(self.steps) and self.steps[k + 1] is step
        after = math.dist(step.target, self.pose[k + 1][:2]) if same_step else 0.0
        return ahead - after - left * (ahead - remaining), turn, before

    def grow(self, k: int, dx: float, dy: float, length: float, cov: list[float]) -> list[float]:
        """Return the filter's covariance one tick later."""
        xx, xy, xh, yy, yh, hh = cov
        (ds, dl, dth), dt, own = self.twist[k], self.dt[k], self.robot.correction.filter
        along, across = own.along**2 * length, own.across**2 * length
        course = self.pose[k][2] + (math.atan2(dl, ds) if length > 0.0 else 0.0)
        c, s = math.cos(course), math.sin(course)
        turn = (
            own.heading_per_root_metre**2 * length
            + own.heading_per_root_second**2 * dt
            + own.heading_per_root_radian**2 * abs(dth)
        )
        return [
            xx - 2.0 * dy * xh + dy * dy * hh + c * c * along + s * s * across,
            xy - dy * yh + dx * xh - dx * dy * hh + c * s * (along - across),
            xh - dy * hh,
            yy + 2.0 * dx * yh + dx * dx * hh + s * s * along + c * c * across,
            yh + dx * hh,
            hh + turn,
        ]

    def read(
        self,
        knot: int,
        trial: int,
        belief: Pose,
        truth: Pose,
        cov: list[float],
        world: Surfaces,
        mounts: list[float],
    ) -> tuple[Pose, list[float]]:
        """Return belief and covariance after the readings of one instant."""
        limits, gate = self.robot.correction.validity, self.robot.correction.gate.sigmas
        for r, number in self.readings[knot]:
            sensor = self.robot.sensors[number]
            x, y, ux, uy = beam(belief, sensor.mount, 0.0)
            expected, surface = self.map.cast(x, y, ux, uy, 10.0)
            got = math.inf
            if self.eager:
                got = self.echo(r, sensor, mounts[number], trial, truth, world)
            if not 0 <= surface < len(self.walls):
                continue  # not a wall
            (ax, ay), (bx, by) = self.walls[surface]
            size = math.hypot(bx - ax, by - ay)
            nx, ny = -(by - ay) / size, (bx - ax) / size
            closing = nx * ux + ny * uy
            if expected > limits.range.high or math.acos(min(abs(closing), 1.0)) > limits.incidence:
                continue
            if not self.eager:
                got = self.echo(r, sensor, mounts[number], trial, truth, world)
            if math.isinf(got):
                continue
            # How the range changes with the pose: along the beam to the wall's line.
            turned = expected * (nx * uy - ny * ux) / closing
            swung = (nx * (y - belief[1]) - ny * (x - belief[0])) / closing
            h = (-nx / closing, -ny / closing, turned + swung)
            xx, xy, xh, yy, yh, hh = cov
            px = xx * h[0] + xy * h[1] + xh * h[2]
            py = xy * h[0] + yy * h[1] + yh * h[2]
            ph = xh * h[0] + yh * h[1] + hh * h[2]
            own = self.robot.correction.filter
            variance = own.range_at_zero**2 + own.wall**2
            s = h[0] * px + h[1] * py + h[2] * ph + variance
            innovation = got - expected
            if innovation**2 > gate**2 * s:
                continue
            kx, ky, kh = px / s, py / s, ph / s
            belief = (
                belief[0] + kx * innovation,
                belief[1] + ky * innovation,
                belief[2] + kh * innovation,
            )
            cov = [xx - kx * px, xy - kx * py, xh - kx * ph, yy - ky * py, yh - ky * ph, hh - kh * ph]
        return belief, cov

    def echo(self, r: int, sensor: Any, angle: float, trial: int, truth: Pose, world: Surfaces) -> float:
        """Return what the sensor reads, inf for nothing."""
        x, y, ux, uy = beam(truth, sensor.mount, angle)
        range_m, _ = world.cast(x, y, ux, uy, sensor.reach.high)
        reading = range_m + sensor.errors.noise.at_zero * self.luck.noise[r][trial]
        return reading if sensor.reach.low <= reading <= sensor.reach.high else math.inf


def beam(pose: Pose, mount: Any, angle: float) -> tuple[float, float, float, float]:
    """Return start and direction of a sensor's beam."""
    co, si = math.cos(pose[2]), math.sin(pose[2])
    aim = pose[2] + mount.heading + angle
    return (
        pose[0] + co * mount.x - si * mount.y,
        pose[1] + si * mount.x + co * mount.y,
        math.cos(aim),
        math.sin(aim),
    )
