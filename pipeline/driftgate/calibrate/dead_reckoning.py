"""The dead-reckoning error model on windows of logged runs: errors, their prediction.

What is fitted is what predicts: the true increment of each step follows from the measured one by
`driftgate.predict.increments`, with the same constants. The error of a window is the true end pose in the
frame of the predicted one, both from the same start::

    error = J delta + noise        delta: the constants less those assumed

J follows from the derivatives of the increments and the lever arms from each step to the window's end
(A. Kelly, "Linearized error propagation in odometry", Int. J. Robot. Res. 23(2) (2004) 179-218). The noise
is that of the walks, which grow with the window, and a jitter at its two ends, which does not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from driftgate.calibrate.windows import Track, Windows
from driftgate.core.pose import FloatArray, compose, inverse, wrap_angles
from driftgate.predict.increments import (
    DRIFT_KEYS,
    DriftConstants,
    chord,
    drift_constants,
    increment_columns,
    true_increment,
)

NOISES = (
    "distance_walk",
    "lateral_walk",
    "heading_walk:metre",
    "heading_walk:second",
    "heading_walk:radian",
    "jitter:position",
    "jitter:heading",
)


@dataclass(frozen=True)
class Segments:
    """The errors of windows, and how they depend on constants and noise.

    Attributes
    ----------
    windows : Windows
        The windows, k of them.
    error : ndarray, shape (k, 3)
        True end pose in the frame of the predicted one: along, left, heading. [m, m, rad]
    columns : dict
        For each constant the derivative of the error by it, shape (k, 3).
    noise : dict
        For each noise the covariance of the error at unit variance, shape (k, 3, 3).
    travelled_m : ndarray, shape (k,)
        Distance travelled in each window. [m]
    """

    windows: Windows
    error: FloatArray
    columns: dict[str, FloatArray]
    noise: dict[str, FloatArray]
    travelled_m: FloatArray

    def __len__(self) -> int:
        return len(self.error)


def reckon(track: Track, constants: Mapping[str, float]) -> tuple[FloatArray, FloatArray, DriftConstants]:
    """Return the predicted path from the origin and the predicted increments.

    Parameters
    ----------
    track : Track
        The measured run.
    constants : mapping
        Values of the constants by their key in `DRIFT_KEYS`; one left out is zero.

    Returns
    -------
    path : ndarray, shape (n, 3)
        Poses at the rows.
    twist : ndarray, shape (n - 1, 3)
        Predicted increments.
    values : DriftConstants
        The constants as the model takes them.
    """
    values = drift_constants(lambda key: np.asarray(constants[key]) if key in constants else None)
    ds, dl, dth = track.twist.T
    zero = np.zeros_like(ds)
    ahead, left, turn = true_increment(ds, dl, dth, track.duration_s, values, (zero, zero, zero))
    go = track.travelling
    twist = np.stack([np.where(go, ahead, 0.0), np.where(go, left, 0.0), turn], axis=-1)
    heading = np.concatenate([[0.0], np.cumsum(twist[:, 2])])
    step = _to_field(heading[:-1], chord(twist)[0])
    path = np.concatenate([np.zeros((1, 2)), np.cumsum(step, axis=0)])
    return np.column_stack([path, heading]), twist, values


def segments(track: Track, windows: Windows, constants: Mapping[str, float]) -> Segments:
    """Return the errors of the windows of a track under assumed constants.

    Parameters
    ----------
    track : Track
        The run.
    windows : Windows
        Its windows.
    constants : mapping
        The assumed constants, by key.
    """
    path, twist, values = reckon(track, constants)
    start, end = windows.start, windows.end
    predicted = compose(inverse(path[start]), path[end])
    true = compose(inverse(track.reference[start]), track.reference[end])
    error = compose(inverse(predicted), true)
    error[:, 2] = wrap_angles(error[:, 2])
    by_constant = increment_columns(track.twist, track.duration_s, values, track.travelling)
    jacobian = chord(twist)[1]
    if "sideways_scale" not in constants:
        # Sideways distance has the scale of forward distance unless it has its own.
        by_constant["distance_scale"] = by_constant["distance_scale"] + by_constant["sideways_scale"]
    columns = {
        key: _constant_column(path, jacobian, body, windows)
        for key, body in by_constant.items()
        if np.any(body)
    }
    travelled = track.distance_m[end] - track.distance_m[start]
    return Segments(
        windows, error, columns, _noise(track, path, twist, windows, float(values.crab_angle)), travelled
    )


def _to_field(heading: FloatArray, vector: FloatArray) -> FloatArray:
    c, s = np.cos(heading), np.sin(heading)
    return np.stack([c * vector[:, 0] - s * vector[:, 1], s * vector[:, 0] + c * vector[:, 1]], axis=-1)


def _sums(values: FloatArray, windows: Windows) -> FloatArray:
    """Return the sum over each window of values by step."""
    total = np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0)])
    return np.asarray(total[windows.end] - total[windows.start])


def _constant_column(
    path: FloatArray, jacobian: FloatArray, body: FloatArray, windows: Windows
) -> FloatArray:
    """Return how the end pose changes with a constant, in the end's frame, shape (k, 3).

    A step's change of turn moves the end by its lever arm from the step's own end.
    """
    step = _to_field(path[:-1, 2], np.einsum("kij,kj->ki", jacobian, body))
    turn = body[:, 2]
    own = np.stack(
        [step[:, 0] + path[1:, 1] * turn, step[:, 1] - path[1:, 0] * turn],
        axis=-1,
    )
    moved, turned = _sums(own, windows), _sums(turn, windows)
    at = path[windows.end]
    field = np.stack([moved[:, 0] - at[:, 1] * turned, moved[:, 1] + at[:, 0] * turned], axis=-1)
    return np.column_stack([_to_field(-at[:, 2], field), turned])


def _noise(
    track: Track, path: FloatArray, twist: FloatArray, windows: Windows, crab_rad: float
) -> dict[str, FloatArray]:
    """Return the covariance of each noise at unit variance, in the frame of the window's end."""
    step = np.diff(path[:, :2], axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    # Ahead is where the forward wheel leads, not where the robot goes: in a sidestep that wheel walks along
    # its own axis, as it does in a prediction.
    ahead = path[:-1, 2] + 0.5 * twist[:, 2] + crab_rad
    ux, uy = np.cos(ahead), np.sin(ahead)
    middle = 0.5 * (path[:-1, :2] + path[1:, :2])
    walks = {
        "distance_walk": _steps(length, ux, uy, windows),
        "lateral_walk": _steps(length, -uy, ux, windows),
        "heading_walk:metre": _turns(length, middle, path, windows),
        "heading_walk:second": _turns(track.duration_s, middle, path, windows),
        "heading_walk:radian": _turns(np.abs(twist[:, 2]), middle, path, windows),
    }
    found = {key: _in_end_frame(cov, path[windows.end, 2]) for key, cov in walks.items()}
    count = len(windows)
    both = np.zeros((count, 3, 3))
    both[:, 0, 0] = both[:, 1, 1] = 2.0
    found["jitter:position"] = both
    # A wrong heading at the start swings the whole window round; one at the end turns the end alone.
    at, since = path[windows.end], path[windows.start]
    lever = _to_field(-at[:, 2], np.stack([since[:, 1] - at[:, 1], at[:, 0] - since[:, 0]], axis=-1))
    arm = np.column_stack([lever, np.ones(count)])
    heading = arm[:, :, None] * arm[:, None, :]
    heading[:, 2, 2] += 1.0
    found["jitter:heading"] = heading
    return found


def _steps(variance: FloatArray, ux: FloatArray, uy: FloatArray, windows: Windows) -> FloatArray:
    cov = np.zeros((len(windows), 3, 3))
    sums = _sums(np.stack([variance * ux * ux, variance * ux * uy, variance * uy * uy], axis=-1), windows)
    cov[:, 0, 0], cov[:, 0, 1], cov[:, 1, 0], cov[:, 1, 1] = sums[:, 0], sums[:, 1], sums[:, 1], sums[:, 2]
    return cov


def _turns(variance: FloatArray, middle: FloatArray, path: FloatArray, windows: Windows) -> FloatArray:
    """Return the covariance of independent turns of such variance in each step, at the window's end."""
    # Counted from the middle of the track, so that the differences of large sums lose little.
    origin = middle.mean(axis=0) if len(middle) else np.zeros(2)
    m, at = middle - origin, path[windows.end, :2] - origin
    rows = np.stack([np.ones(len(m)), m[:, 0], m[:, 1], m[:, 0] ** 2, m[:, 0] * m[:, 1], m[:, 1] ** 2], -1)
    s1, sx, sy, sxx, sxy, syy = _sums(variance[:, None] * rows, windows).T
    # Moments of the lever arms at - m, then turned by 90 deg.
    x, y = at.T
    lx, ly = x * s1 - sx, y * s1 - sy
    lxx = x * x * s1 - 2.0 * x * sx + sxx
    lxy = x * y * s1 - x * sy - y * sx + sxy
    lyy = y * y * s1 - 2.0 * y * sy + syy
    cov = np.empty((len(windows), 3, 3))
    cov[:, 0, 0], cov[:, 1, 1], cov[:, 2, 2] = lyy, lxx, s1
    cov[:, 0, 1] = cov[:, 1, 0] = -lxy
    cov[:, 0, 2] = cov[:, 2, 0] = -ly
    cov[:, 1, 2] = cov[:, 2, 1] = lx
    return cov


def _in_end_frame(cov: FloatArray, heading: FloatArray) -> FloatArray:
    c, s = np.cos(heading), np.sin(heading)
    turn = np.zeros_like(cov)
    turn[:, 0, 0] = turn[:, 1, 1] = c
    turn[:, 0, 1], turn[:, 1, 0] = s, -s
    turn[:, 2, 2] = 1.0
    return np.asarray(turn @ cov @ turn.transpose(0, 2, 1))


__all__ = ["DRIFT_KEYS", "NOISES", "Segments", "reckon", "segments"]
