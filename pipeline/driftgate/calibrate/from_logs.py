"""Logged runs to all error sources that they show."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.calibrate.chain import logged_run
from driftgate.calibrate.drift_fit import DriftFit, fit_drift
from driftgate.calibrate.driven_steps import DrivenSteps, Wanted, driven_steps, step_sources
from driftgate.calibrate.found import FoundSource
from driftgate.calibrate.range_data import joined, range_data
from driftgate.calibrate.range_fit import RangeFit, fit_ranges
from driftgate.calibrate.range_sources import range_sources
from driftgate.calibrate.tracks import track_of
from driftgate.calibrate.true_path import NEAR_M, NEAR_RAD
from driftgate.calibrate.usual import DRIVE_OF, SIDEWAYS, in_words
from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray
from driftgate.logs.values import Log
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.robot import Robot
from driftgate.world.build import build_world
from driftgate.world.values import Edge, World

# Of a reference pose whose log does not say how good it is: a tape, an eye and a square. [m, m, rad]
USUAL_POSE = (0.003, 0.003, math.radians(0.5))
# A random walk that is surely so many times the usual one is a slip in the logs (our choice).
_BEYOND = 30.0
_NO_SIDEWAYS = f"{in_words(SIDEWAYS)}: no run moves sideways; {DRIVE_OF[SIDEWAYS]}, logged as 'sideways [m]'"
# Constants of which a run's own value shows as a share of the way. [1, rad]
_PER_METRE = ("distance_scale", SIDEWAYS, "crab_angle")


@dataclass(frozen=True)
class LogsFit:
    """What logged runs show.

    Attributes
    ----------
    drift : DriftFit
        Dead reckoning.
    ranges : dict
        By sensor; None where there are too few readings. Empty without a field map.
    steps : DrivenSteps
        What the steps did; nothing without a plan.
    sources : tuple of FoundSource
        For the robot file.
    missing : tuple of str
        What the runs cannot tell, and which drive would.
    """

    drift: DriftFit
    ranges: dict[str, RangeFit | None]
    steps: DrivenSteps
    sources: tuple[FoundSource, ...]
    missing: tuple[str, ...]


def fit_logs(
    logs: Sequence[Log],
    robot: Robot,
    fields: Sequence[FieldMap | None],
    wanted: Mapping[str, Wanted],
    confidence: float,
    no_field: str = "",
) -> LogsFit:
    """Fit everything that the logs show.

    Parameters
    ----------
    logs : sequence of Log
        Runs of one robot.
    robot : Robot
        Its file: what is constant over what, and its sensors.
    fields : sequence of FieldMap or None
        The field of each log as it really was; of a log without one the ranges are left out.
    wanted : mapping
        What the plan has for each step, by name; may be empty.
    confidence : float
        Of the intervals.
    no_field : str
        Which logs have no field though they name one, and why; empty without any.

    Raises
    ------
    ModelError
        If no run says where the robot really was, one has no odometry, or the two have nothing to do with
        each other. `driftgate.calibrate.log_checks.check_logs` says most of it before, each at its place.
    """
    runs = [logged_run(track_of(log), log.reference_spread) for log in logs]
    holonomic = robot.drive.type == "holonomic"
    drift = fit_drift(runs, robot.errors, confidence, holonomic=holonomic)
    _plausible(drift)
    sources, missing = list(drift.sources), list(drift.missing)
    if holonomic and all(constant.usual.key != SIDEWAYS for constant in drift.constants):
        missing.append(_NO_SIDEWAYS)
    steps = driven_steps(logs, wanted)
    found, more = step_sources(steps, confidence)
    sources += found
    missing += more
    ranges: dict[str, RangeFit | None] = {}
    if drift.headings < drift.poses:
        missing.insert(0, _no_headings(drift))
    known = list({id(field): field for field in fields if field is not None}.values())
    if robot.sensors and no_field:
        missing.insert(0, f"range sensors of {no_field}")
    elif robot.sensors and not known:
        missing.append("range sensors: name the map of the field as it really was (--field)")
    if known:
        worlds = [build_world(field) for field in known]
        off = np.concatenate([surface_spread(*each) for each in zip(known, worlds, strict=True)])
        at = {constant.usual.key: constant.mean.value for constant in drift.constants}
        spread = _pose_spread(logs, drift)
        of = [[i for i, its in enumerate(fields) if its is field] for field in known]
        for sensor in robot.sensors if drift.headings else ():
            parts = [
                range_data(sensor, [runs[i] for i in own], [logs[i] for i in own], at, world)
                for own, world in zip(of, worlds, strict=True)
            ]
            edges = [len(world.edges) for world in worlds]
            data = joined(list(zip(parts, edges, strict=True)))
            ranges[sensor.id] = fit_ranges(sensor, data, off, spread)
            found, more = range_sources(sensor, ranges[sensor.id], confidence)
            sources += found
            missing += more
    return LogsFit(drift, ranges, steps, tuple(sources), tuple(missing))


def _no_headings(drift: DriftFit) -> str:
    many = "no reference has a heading" if not drift.headings else ""
    many = many or f"{drift.poses - drift.headings} of {drift.poses} references have no heading"
    needs = "crab angle and range sensors are not found without" if not drift.headings else ""
    needs = needs or "crab angle and range sensors go by the others"
    return (
        f"{many}: {needs}; by tape, measure the places of two marks on the robot's middle line, front and "
        "back, as far apart as they go: the heading is the direction from back to front"
    )


def _plausible(drift: DriftFit) -> None:
    """Raise if the odometry wanders as no robot's does: a unit or a sign is wrong, and no number holds."""
    for noise in drift.noises:
        if noise.usual.field and noise.known and noise.size.low > _BEYOND * noise.usual.size:
            raise ModelError(
                "odometry and reference poses do not agree: errors are more than "
                f"{_BEYOND:.0f} times as large as is usual; check the unit of heading and reference heading, "
                "that both count counter-clockwise, and the axes of the reference"
            )


def _pose_spread(logs: Sequence[Log], drift: DriftFit) -> tuple[float, float, float]:
    """Return how far the place of a reading may be off: the reference pose, and the way from there."""
    stated = [log.reference_spread for log in logs if log.reference_spread is not None]
    reference = np.max(np.array(stated or [USUAL_POSE]), axis=0)
    walk = {noise.usual.key: noise.size.sd for noise in drift.noises}
    scale = max((c.spread.sd for c in drift.constants if c.spread and c.usual.key in _PER_METRE), default=0.0)
    way, turn = 0.5 * NEAR_M, 0.5 * NEAR_RAD
    moved = math.hypot(
        max(walk.get("distance_walk", 0.0), walk.get("lateral_walk", 0.0)) * math.sqrt(way), scale * way
    )
    turned = math.hypot(
        walk.get("heading_walk:metre", 0.0) * math.sqrt(way),
        walk.get("heading_walk:radian", 0.0) * math.sqrt(turn),
    )
    x, y, heading = np.hypot(reference, [moved, moved, turned]).tolist()
    return x, y, heading


def surface_spread(field: FieldMap, world: World) -> FloatArray:
    """Return how far each surface may be off the map where it is met, in the order of `World.edges`. [m]

    A tilt moves the surface by its arm; a quarter of the length is a usual one.
    """
    walls = {wall.id: wall.build or field.build for wall in field.walls}
    structures = {structure.id: structure.build for structure in field.structures}

    def of(edge: Edge) -> float:
        arm = 0.25 * math.hypot(edge.b[0] - edge.a[0], edge.b[1] - edge.a[1])
        carrier = walls.get(edge.id if edge.kind == "wall" else edge.carrier or "")
        carried = 0.0 if carrier is None else math.hypot(carrier.offset, carrier.tilt * arm)
        own = structures.get(edge.owner)
        placed = 0.0 if own is None else math.hypot(max(own.x, own.y), own.heading * arm)
        return math.hypot(carried, placed)

    return np.array([of(edge) for edge in world.edges])
