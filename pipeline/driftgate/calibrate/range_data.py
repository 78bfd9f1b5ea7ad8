"""Range readings of logged runs beside what the sensor should have read from where the robot really was."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np

from driftgate.calibrate.chain import LoggedRun
from driftgate.calibrate.true_path import true_path
from driftgate.calibrate.windows import BoolArray, IntArray
from driftgate.core.pose import FloatArray
from driftgate.logs.values import Log
from driftgate.schema.sensor import Sensor
from driftgate.sight.expect import model_of
from driftgate.world.beam import sensor_beam
from driftgate.world.carry import edge_middle
from driftgate.world.cone import Axis, nearest_edge_in_cone
from driftgate.world.distance import point_to_segment
from driftgate.world.rays import EdgeArrays, edge_arrays
from driftgate.world.values import World

# A beam turned by so much must meet the same surface: near an end the map does not say what is met. [rad]
_EDGE_RAD = 0.05
# Room to either side of a beam in which a loose element may stand. [m]
_ROOM_M = 0.1
# Incidence beyond which a sensor's echo is getting doubtful, and far ends of its reach. [rad, share]
_INCIDENCE_SLACK_RAD, _REACH_SLACK = 0.15, 0.05
# Readings that are off by more count as off by so much, where a misfit is told. [m]
MOST_OFF_M = 0.3
# A reading is close to the map within so much, and so much of the range. [m, 1]
_CLOSE_M, _CLOSE = 0.05, 0.05


@dataclass(frozen=True)
class RangeData:
    """Readings of one sensor, n of them, in all runs.

    Attributes
    ----------
    reading_m : ndarray, shape (n,)
        nan where nothing came back. [m]
    expected_m : ndarray, shape (n,)
        From the reference poses, on the true map. [m]
    incidence_rad : ndarray, shape (n,)
        Of the beam.
    by_angle, by_offset : ndarray, shape (n,)
        Derivatives of the expected range by the mounting angle and by the surface's offset.
    by_pose : ndarray, shape (n, 3)
        Derivatives by the robot's pose.
    surface : ndarray of int, shape (n,)
        Which edge of the map.
    pose : ndarray of int, shape (n,)
        Which reference pose of all runs the place rests on.
    run : ndarray of int, shape (n,)
        Of which run.
    row : ndarray of int, shape (n,)
        Of which row of its log.
    """

    reading_m: FloatArray
    expected_m: FloatArray
    incidence_rad: FloatArray
    by_angle: FloatArray
    by_offset: FloatArray
    by_pose: FloatArray
    surface: IntArray
    pose: IntArray
    run: IntArray
    row: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.intp))

    def __len__(self) -> int:
        return len(self.reading_m)

    @property
    def close_m(self) -> FloatArray:
        """How near to what the map says is close: what bias, scale and mount angle come to. [m]"""
        return np.asarray(_CLOSE_M + _CLOSE * self.expected_m)

    @property
    def fits(self) -> BoolArray:
        """Which readings are close to what the map says; none where nothing came back."""
        return np.asarray(np.abs(self.reading_m - self.expected_m) < self.close_m)


def range_data(
    sensor: Sensor,
    runs: Sequence[LoggedRun],
    logs: Sequence[Log],
    constants: Mapping[str, float],
    world: World,
) -> RangeData:
    """Return the readings of a sensor that the map and the reference poses say something of.

    Left out are readings far from any reference pose, near the end of a surface or past it, at the ends of
    the sensor's reach, and with a loose element near the beam.

    Parameters
    ----------
    sensor : Sensor
        The sensor, as the robot file has it.
    runs, logs
        The runs, each with its log.
    constants : mapping
        The constants of the odometry.
    world : World
        Geometry of the field as it really was.
    """
    parts, first = [], 0
    for number, (run, log) in enumerate(zip(runs, logs, strict=True)):
        column = log.ranges.get(sensor.id)
        if column is not None and run.headings > 0 and column.fired.any():
            rows = np.flatnonzero(column.fired)
            path = true_path(run.seen, constants, log.time_s[rows] - sensor.latency)
            found = _of_run(sensor, column.reading_m[rows], path.pose, world)
            keep = np.flatnonzero(found[1] & path.near)
            whole = (*found[0], path.nearest + first, np.full(len(rows), number, dtype=np.intp), rows)
            parts.append(tuple(values[keep] for values in whole))
        first += run.headings
    if not parts:
        none, empty = np.zeros(0, dtype=np.intp), np.zeros(0)
        return RangeData(empty, empty, empty, empty, empty, np.zeros((0, 3)), none, none, none, none)
    return RangeData(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def misfit_m(known: Sequence[RangeData]) -> float:
    """Return how far readings are off the map on average, each counted up to `MOST_OFF_M`. [m]"""
    off = np.concatenate([np.abs(data.reading_m - data.expected_m) for data in known])
    return float(np.mean(np.minimum(off[np.isfinite(off)], MOST_OFF_M)))


def joined(parts: Sequence[tuple[RangeData, int]]) -> RangeData:
    """Return readings of runs on several fields together.

    Parameters
    ----------
    parts : sequence of RangeData with int
        Those on each field, and how many surfaces it has: they are counted on from field to field.
    """
    whole, surfaces, poses, runs = [], 0, 0, 0
    for part, edges in parts:
        whole.append(
            replace(part, surface=part.surface + surfaces, pose=part.pose + poses, run=part.run + runs)
        )
        surfaces += edges
        poses += int(part.pose.max(initial=-1)) + 1
        runs += int(part.run.max(initial=-1)) + 1
    return RangeData(
        *(np.concatenate([getattr(part, column.name) for part in whole]) for column in fields(RangeData))
    )


@dataclass(frozen=True, eq=False)
class Sighted:
    """Logs of one robot on one field, with what its sensors read near reference poses.

    Attributes
    ----------
    runs : sequence of Log with LoggedRun
        The logs, and what `reckoned` of `driftgate.calibrate.log_checks` made of them.
    world : World
        The field.
    readings : sequence of dict of str to RangeData
        By sensor, of each log; nothing of one without measured headings.
    """

    runs: Sequence[tuple[Log, LoggedRun | None]]
    world: World
    readings: Sequence[Mapping[str, RangeData]]

    def but(self, paths: Collection[str]) -> Sighted:
        """Return the same without some logs, by their paths."""
        keep = [i for i, (log, _) in enumerate(self.runs) if log.path not in paths]
        return Sighted([self.runs[i] for i in keep], self.world, [self.readings[i] for i in keep])


def sighted(runs: Sequence[tuple[Log, LoggedRun | None]], sensors: Sequence[Sensor], world: World) -> Sighted:
    """Return logs of one field with what sensors read near reference poses."""
    return Sighted(runs, world, [_of_log(log, run, sensors, world) for log, run in runs])


def _of_log(log: Log, run: LoggedRun | None, sensors: Sequence[Sensor], world: World) -> dict[str, RangeData]:
    if run is None or not run.headings:
        return {}
    return {s.id: range_data(s, [run], [log], {}, world) for s in sensors if s.id in log.ranges}


_Rows = tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, IntArray]


def _of_run(sensor: Sensor, reading_m: FloatArray, pose: FloatArray, world: World) -> tuple[_Rows, BoolArray]:
    mount = sensor.mount
    tall = [e for e in world.edges if e.low_m <= mount.height <= e.high_m]
    edges = edge_arrays(tall)
    middles = np.array([edge_middle(e) for e in tall]).reshape(-1, 2)
    beam = sensor_beam(pose[:, 0], pose[:, 1], pose[:, 2], mount.x, mount.y, mount.heading)
    _, met = nearest_edge_in_cone(
        Axis(*beam, 0.5 * sensor.beam_width), edges.ax, edges.ay, edges.bx, edges.by
    )
    safe = np.maximum(met, 0)
    ends = (edges.ax[safe], edges.ay[safe], edges.bx[safe], edges.by[safe])
    model = model_of(sensor, pose, (edges.nx[safe], edges.ny[safe]), tuple(middles[safe].T), ends)
    reach = sensor.reach
    good = (met >= 0) & np.isfinite(model.range_m) & np.isfinite(model.d_mount_angle)
    good &= model.incidence_rad <= sensor.echo_limit - _INCIDENCE_SLACK_RAD
    good &= (model.range_m >= (1.0 + _REACH_SLACK) * reach.low) & (
        model.range_m <= (1.0 - _REACH_SLACK) * reach.high
    )
    for turn in (-_EDGE_RAD, _EDGE_RAD):
        good &= _meets_the_same(sensor, pose, turn, edges, met)
    good &= ~_element_near(world, sensor.mount.height, beam, model.range_m)
    by_pose = np.stack([model.d_x, model.d_y, model.d_heading], axis=-1)
    index = {id(e): i for i, e in enumerate(world.edges)}
    surface = np.array([index[id(e)] for e in tall], dtype=np.intp)[safe]
    rows = (
        reading_m,
        model.range_m,
        model.incidence_rad,
        model.d_mount_angle,
        model.d_offset,
        by_pose,
        surface,
    )
    return rows, np.asarray(good)


def _meets_the_same(
    sensor: Sensor, pose: FloatArray, turn_rad: float, edges: EdgeArrays, met: IntArray
) -> BoolArray:
    mount = sensor.mount
    beam = sensor_beam(pose[:, 0], pose[:, 1], pose[:, 2], mount.x, mount.y, mount.heading + turn_rad)
    axis = Axis(*beam, 0.5 * sensor.beam_width)
    return np.asarray(nearest_edge_in_cone(axis, edges.ax, edges.ay, edges.bx, edges.by)[1] == met)


def _element_near(
    world: World, height_m: float, beam: tuple[FloatArray, ...], range_m: FloatArray
) -> BoolArray:
    px, py, ux, uy = beam
    far = np.where(np.isfinite(range_m), range_m, 0.0)
    near = np.zeros(len(px), dtype=bool)
    for element in world.elements:
        if not element.source.height.low <= height_m <= element.source.height.high:
            continue
        scatter = element.source.scatter
        room = element.outline.reach_m + _ROOM_M + 3.0 * max(scatter.x, scatter.y)
        near |= (
            point_to_segment(
                np.asarray(element.pose[0]), np.asarray(element.pose[1]), px, py, px + far * ux, py + far * uy
            )
            < room
        )
    return near
