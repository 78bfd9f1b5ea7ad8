"""What really happens when the odometry measures an increment: the dead-reckoning error model.

With the measured body increment (ds ahead, dl left, dth turn) over dt, and the constants of the run
(scale a, sideways scale a_l, heading bias b, heading scale g, wheel offset o, crab angle c, heading
latency L, slip k1 per radian turned and k2 per speed times turn rate), the true increment is

    dth' = (dth - b dt + w_th) / (1 + g)
    ds'  = (ds + w_s) / (1 + a) + o dth'          dl' = dl / (1 + a_l)
    (ds', dl') turned by c
    dl'  += L w ds - k1 dth' sign(ds) - k2 w ds + w_l          with w = dth'/dt, travelling only

True = measured / (1 + scale), a positive bias reads too much, walks are added to the measured path
before the scale, slip is outward, crab keeps its angle when backing. A tick without travel (a turn on
the spot) leaves the truth where it is: there the wheel offset moves the belief by -o dth'.
At rest the gyro's bias and walk enter the belief and not the truth.

The growth laws that follow are those of A. Kelly, "Linearized error propagation in odometry", Int. J.
Robot. Res. 23(2) (2004) 179-218.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray

# The constants of the run that the model knows, in the order of the columns below.
DRIFT_KEYS = (
    "distance_scale",
    "sideways_scale",
    "heading_bias",
    "heading_scale",
    "wheel_offset",
    "crab_angle",
    "heading_latency",
    "lateral_slip:turn",
    "lateral_slip:speed",
)


@dataclass(frozen=True)
class DriftConstants:
    """Values of the drift constants: floats (the means), or arrays over trials."""

    distance_scale: FloatArray
    sideways_scale: FloatArray
    heading_bias: FloatArray
    heading_scale: FloatArray
    wheel_offset: FloatArray
    crab_angle: FloatArray
    heading_latency: FloatArray
    slip_turn: FloatArray
    slip_speed: FloatArray
    crab_cos: FloatArray
    crab_sin: FloatArray
    slips: bool = True  # some of the three terms that lead sideways in a turn may be other than zero
    crabs: bool = True


def drift_constants(value: Callable[[str], FloatArray | None]) -> DriftConstants:
    """Return the constants from `value(key)`, which gives None for one that does not act.

    Sideways distance has the scale of forward distance unless it has its own.
    """
    zero = np.zeros(())
    found = [value(key) for key in DRIFT_KEYS]
    if found[1] is None:
        found[1] = found[0]
    values = [zero if v is None else np.asarray(v) for v in found]
    scale, sideways, bias, heading_scale, offset, crab, latency, slip_turn, slip_speed = values
    return DriftConstants(
        distance_scale=scale,
        sideways_scale=sideways,
        heading_bias=bias,
        heading_scale=heading_scale,
        wheel_offset=offset,
        crab_angle=crab,
        heading_latency=latency,
        slip_turn=slip_turn,
        slip_speed=slip_speed,
        crab_cos=np.cos(crab),
        crab_sin=np.sin(crab),
        slips=any(bool(np.any(v)) for v in (latency, slip_turn, slip_speed)),
        crabs=bool(np.any(crab)),
    )


def true_increment(
    ds: FloatArray,
    dl: FloatArray,
    dth: FloatArray,
    dt: FloatArray,
    c: DriftConstants,
    walk: tuple[FloatArray, FloatArray, FloatArray],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the true body increment of a travelling tick; everything broadcasts.

    Parameters
    ----------
    ds, dl, dth : ndarray
        Measured increments. [m, m, rad]
    dt : ndarray
        Duration on the trial's own clock. [s]
    c : DriftConstants
        Constants of the run.
    walk : tuple of ndarray
        Random walk in this tick: distance, lateral, heading. [m, m, rad]
    """
    turn = (dth - c.heading_bias * dt + walk[2]) / (1.0 + c.heading_scale)
    ahead = (ds + walk[0]) / (1.0 + c.distance_scale) + c.wheel_offset * turn
    left = dl / (1.0 + c.sideways_scale)
    if c.crabs:
        cos, sin = c.crab_cos, c.crab_sin
        ahead, left = cos * ahead - sin * left, sin * ahead + cos * left
    if c.slips:
        lag = c.heading_latency - c.slip_speed
        left = left + (lag * (turn / dt) * ds - c.slip_turn * turn * np.sign(ds))
    return ahead, left + walk[1], turn


def increment_columns(
    twist: FloatArray, dt: FloatArray, c: DriftConstants, travelling: np.ndarray
) -> dict[str, FloatArray]:
    """Return the derivatives of the true increment by each constant, at the means; shape (K, 3) each.

    Ticks without travel get zeros for everything but the heading terms.
    """
    ds, dl, dth = twist.T
    go = travelling.astype(float)
    turn = (dth - c.heading_bias * dt) / (1.0 + c.heading_scale)
    rate = turn / dt
    cos, sin = c.crab_cos, c.crab_sin
    zero = np.zeros_like(ds)
    lag = c.heading_latency - c.slip_speed

    def body(ahead: FloatArray, left: FloatArray, heading: FloatArray) -> FloatArray:
        return np.stack([cos * ahead - sin * left, sin * ahead + cos * left, heading], axis=-1)

    def heading(by: FloatArray) -> FloatArray:
        column = body(go * c.wheel_offset * by, zero, by)
        column[:, 1] += go * (lag * by / dt * ds - c.slip_turn * by * np.sign(ds))
        return column

    ahead_scale = -ds / (1.0 + c.distance_scale) ** 2
    left_scale = -dl / (1.0 + c.sideways_scale) ** 2
    ahead = ds / (1.0 + c.distance_scale) + c.wheel_offset * turn
    left = dl / (1.0 + c.sideways_scale)
    sideways = np.stack([zero, go, zero], axis=-1)
    return {
        "distance_scale": body(go * ahead_scale, zero, zero),
        "sideways_scale": body(zero, go * left_scale, zero),
        "heading_bias": heading(-dt / (1.0 + c.heading_scale)),
        "heading_scale": heading(-turn / (1.0 + c.heading_scale)),
        "wheel_offset": body(go * turn, zero, zero),
        "crab_angle": np.stack(
            [go * (-sin * ahead - cos * left), go * (cos * ahead - sin * left), zero], axis=-1
        ),
        "heading_latency": sideways * (rate * ds)[:, None],
        "lateral_slip:turn": sideways * (-turn * np.sign(ds))[:, None],
        "lateral_slip:speed": sideways * (-rate * ds)[:, None],
    }


def chord(twist: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the displacement of a body twist and its derivatives.

    Parameters
    ----------
    twist : ndarray, shape (K, 3)
        Body twists (ahead, left, turn).

    Returns
    -------
    displacement : ndarray, shape (K, 2)
        V(turn) (ahead, left), in the frame at the start.
    jacobian : ndarray, shape (K, 2, 3)
        Its derivatives by ahead, left and turn.

    Notes
    -----
    V(t) = [[a, -b], [b, a]] with a = sin t / t and b = (1 - cos t) / t (Sola et al. 2018).
    """
    t = twist[:, 2]
    small = np.abs(t) < 1e-2
    safe = np.where(small, 1.0, t)
    a = np.where(small, 1.0 - t**2 / 6.0 + t**4 / 120.0, np.sin(safe) / safe)
    b = np.where(small, t / 2.0 - t**3 / 24.0 + t**5 / 720.0, (1.0 - np.cos(safe)) / safe)
    da = np.where(small, -t / 3.0 + t**3 / 30.0 - t**5 / 840.0, (np.cos(safe) - a) / safe)
    db = np.where(small, 0.5 - t**2 / 8.0 + t**4 / 144.0, (np.sin(safe) - b) / safe)
    ds, dl = twist[:, 0], twist[:, 1]
    displacement = np.stack([a * ds - b * dl, b * ds + a * dl], axis=-1)
    jacobian = np.empty((len(t), 2, 3))
    jacobian[:, 0, 0], jacobian[:, 0, 1], jacobian[:, 0, 2] = a, -b, da * ds - db * dl
    jacobian[:, 1, 0], jacobian[:, 1, 1], jacobian[:, 1, 2] = b, a, db * ds + da * dl
    return displacement, jacobian
