"""What the robot expects of its range sensors when a log is replayed: walls, by belief and carried map.

Association and validity are those of `driftgate.sight`; speed and turn rate, which the robot takes from its
plan, are here those of the log's odometry.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.calibrate.replay import Expecting, Pose
from driftgate.calibrate.windows import IntArray, Track
from driftgate.core.pose import FloatArray
from driftgate.predict.constants import Pair
from driftgate.predict.trial_update import Expectation
from driftgate.predict.values import Outcome
from driftgate.schema.robot import Robot
from driftgate.sight.expect import seen_from
from driftgate.sight.validity import reading_limits, too_fast, turning
from driftgate.world.beam import PoseModel
from driftgate.world.values import World


@dataclass(frozen=True)
class WallExpectation:
    """What each seed expects of a range to a wall; see `driftgate.predict.trial_update.Expectation`."""

    surface: IntArray
    model: PoseModel
    axis: Pair
    robot: Pair
    sure: int = -1


def wall_expecting(robot: Robot, world: World, track: Track) -> Expecting:
    """Return what is expected of the robot's sensors, in the order of the robot file.

    Parameters
    ----------
    robot : Robot
        Its sensors, and the validity tests of its correction.
    world : World
        The map that it carries.
    track : Track
        The log's odometry, for speed and turn rate; its first row is taken as the start of the routine.
    """
    limits = [reading_limits(sensor, robot.correction.validity) for sensor in robot.sensors]
    rates = track.twist / track.duration_s[:, None]
    begin = float(track.time_s[0])

    def expecting(source: int, time_s: float, pose: Pose) -> tuple[Expectation, IntArray | Outcome]:
        count = len(pose[0])
        place = np.stack(np.broadcast_arrays(*pose), axis=-1)
        seen = seen_from(world, robot.sensors[source], limits[source], place, np.full(count, time_s - begin))
        reason = seen.reason.astype(np.intp)
        rate = rates[min(max(int(np.searchsorted(track.time_s, time_s)) - 1, 0), len(rates) - 1)]
        for failed, name in ((turning, Outcome.TURNING), (too_fast, Outcome.TOO_FAST)):
            if bool(failed(rate, limits[source])):
                # These two are made last: an earlier test keeps its word.
                reason = np.where((reason == int(Outcome.ACCEPTED)) | (reason > int(name)), int(name), reason)
        model = seen.model
        safe = _safe(model.range_m, model.incidence_rad, model)
        looks = np.asarray(pose[2] + robot.sensors[source].mount.heading)
        axis = np.cos(looks), np.sin(looks)
        return WallExpectation(seen.surface, safe, axis, (pose[0], pose[1])), reason

    return expecting


def _safe(range_m: FloatArray, incidence_rad: FloatArray, model: object) -> PoseModel:
    """Return the model with harmless numbers where the beam runs along the surface."""
    names = "d_x", "d_y", "d_heading", "d_mount_angle"
    parts = (range_m, np.cos(incidence_rad), *(getattr(model, name) for name in names))
    return PoseModel(*(np.where(np.isfinite(part), part, 0.0) for part in parts))
