"""Runs whose columns cannot all be in the units that they name: found before anything is fitted."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from driftgate.calibrate.chain import LoggedRun
from driftgate.calibrate.dead_reckoning import reckon
from driftgate.core.errors import ModelError
from driftgate.core.pose import wrap_angles
from driftgate.logs.values import Log
from driftgate.schema.robot import Robot
from driftgate.schema.sensor import Sensor

# Driven over real distance: no wheels wear or slip so far off over a whole run (our choice).
_LOW, _HIGH = 0.8, 1.25
# Ways from reference pose to reference pose: as long as this, and at least so many. [m, 1]
_WAY_M: Final = 0.2
_LEAST_WAYS: Final = 3
# Where the turns differ more, it is the heading that is wrong, and its error is another. [rad]
_TURNS_AGREE_RAD: Final = 0.3
# Readings of a run, and the share of them beyond the sensor's reach, that no false returns explain.
_LEAST_READINGS: Final = 10
_BEYOND_SHARE: Final = 0.9


def refuse_unit_slips(runs: Sequence[LoggedRun], logs: Sequence[Log], robot: Robot) -> None:
    """Refuse runs with distances or ranges in another unit than their columns say.

    Parameters
    ----------
    runs, logs
        The runs, each with its log.
    robot : Robot
        Their robot, with the reach of its sensors.

    Raises
    ------
    ModelError
        At the first run in which the driven distance is outside 0.8 to 1.25 of the real one, or nearly all
        readings of a sensor lie beyond its reach. The message names the run's file and the column.
    """
    for run, log in zip(runs, logs, strict=True):
        ratio = _distance_ratio(run)
        if ratio is not None and not _LOW <= ratio <= _HIGH:
            raise ModelError(
                f"{log.path}: between reference poses the odometry drives {ratio:.3g} times as far as the "
                f"robot really came; expected {_LOW} to {_HIGH}; check the units of the columns 'forward' "
                "and 'sideways', and of 'reference x' and 'reference y'"
            )
    for log in logs:
        for sensor in robot.sensors:
            _check_reach(log, sensor)


def _distance_ratio(run: LoggedRun) -> float | None:
    """Return driven over real distance, the median over the ways of a run; None if there are too few.

    Straight lines from pose to pose are compared: they do not depend on where the heading starts.
    """
    track = run.track
    at = np.flatnonzero(np.isfinite(track.reference).all(axis=1))
    if len(at) < 2:
        return None
    driven, real = np.diff(reckon(track, {})[0][at], axis=0), np.diff(track.reference[at], axis=0)
    agree = np.abs(wrap_angles(driven[:, 2] - real[:, 2])) < _TURNS_AGREE_RAD
    far, came = np.hypot(driven[:, 0], driven[:, 1]), np.hypot(real[:, 0], real[:, 1])
    use = agree & (np.maximum(far, came) > _WAY_M)
    if int(use.sum()) < _LEAST_WAYS:
        return None
    return float(np.median(far[use] / np.maximum(came[use], 1e-6)))


def _check_reach(log: Log, sensor: Sensor) -> None:
    column = log.ranges.get(sensor.id)
    if column is None:
        return
    read = column.reading_m[np.isfinite(column.reading_m)]
    beyond = read > 1.05 * sensor.reach.high
    if len(read) < _LEAST_READINGS or beyond.mean() < _BEYOND_SHARE:
        return
    raise ModelError(
        f"{log.path}: {int(beyond.sum())} of {len(read)} readings in the column 'range {sensor.id}' lie "
        f"beyond the sensor's reach of {sensor.reach.high:.4g} m, the median at {np.median(read):.4g} m; "
        "check the unit in the column's title, and the reach in the robot file"
    )
