"""Robots with known errors that drive squares, by exact kinematics."""

from __future__ import annotations

import math

import numpy as np

from driftgate.core.pose import FloatArray, compose, exp
from driftgate.predict.increments import drift_constants, true_increment


def wheel_end(ratio: float, track_ratio: float, side_m: float, track_m: float, left: bool) -> FloatArray:
    """Return where a robot with wrong wheels ends that believes to be back on the mark, shape (2,).

    `ratio` is right over left diameter, `track_ratio` true over believed track: the wheels really roll c_L
    and c_R times what is counted, with c_L = 2 / (E_d + 1), c_R = 2 / (1/E_d + 1).
    """
    factors = np.array([2.0 / (ratio + 1.0), 2.0 / (1.0 / ratio + 1.0)])
    quarter = 0.25 * math.pi * track_m * (1.0 if left else -1.0)
    pose = np.zeros(3)
    for _ in range(4):
        for rolled in (np.full(2, side_m), np.array([-quarter, quarter])):
            wheels = rolled * factors
            twist = np.array([wheels.mean(), 0.0, (wheels[1] - wheels[0]) / (track_ratio * track_m)])
            pose = compose(pose, exp(twist))
    return pose[:2]


def gyro_end(
    scale: float,
    bias: float,
    side_m: float,
    leg_s: float,
    turn_s: float,
    left: bool,
    walk: tuple[float, np.random.Generator] | None = None,
) -> FloatArray:
    """Return where a robot with a wrong gyro ends that believes to be back on the mark, shape (2,).

    `walk` adds a heading walk of so many radians per root second.
    """
    constants = drift_constants(
        lambda key: np.asarray({"heading_scale": scale, "heading_bias": bias}.get(key, 0.0))
    )
    pose, pieces = np.zeros(3), 40
    for _ in range(4):
        for ahead, turn, time in (
            (side_m, 0.0, leg_s),
            (0.0, 0.5 * math.pi if left else -0.5 * math.pi, turn_s),
        ):
            dt = np.full(pieces, time / pieces)
            drawn = (
                np.zeros(pieces) if walk is None else walk[0] * np.sqrt(dt) * walk[1].standard_normal(pieces)
            )
            nothing = np.zeros(pieces)
            ds, dl, dth = true_increment(
                np.full(pieces, ahead / pieces),
                nothing,
                np.full(pieces, turn / pieces),
                dt,
                constants,
                (nothing, nothing, drawn),
            )
            for piece in np.column_stack([ds, dl, dth]):
                pose = compose(pose, exp(piece))
    return pose[:2]
