"""Made-up drives for the tests: measured increments, and what really happened, by the product's own model."""

from __future__ import annotations

import numpy as np

from driftgate.calibrate.windows import Track
from driftgate.core.pose import compose, exp
from driftgate.predict.increments import drift_constants, true_increment


def integrate(twist: np.ndarray) -> np.ndarray:
    """Return the poses from the origin, one exact arc at a time: no shared code with the windows."""
    poses = [np.zeros(3)]
    for step in twist:
        poses.append(compose(poses[-1], exp(step)))
    return np.array(poses)


def drive(
    twist: np.ndarray,
    dt: float = 0.1,
    constants: dict[str, float] | None = None,
    walks: tuple[float, float, float] = (0.0, 0.0, 0.0),
    jitter: tuple[float, float] = (0.0, 0.0),
    seed: int = 1,
    name: str = "made up",
) -> Track:
    """Return a run: `twist` is measured; truth has the constants, walks per root metre and jitter of pose."""
    rng = np.random.default_rng(seed)
    values = drift_constants(lambda key: np.asarray((constants or {}).get(key, 0.0)))
    root = np.sqrt(np.hypot(twist[:, 0], twist[:, 1]))
    walk = tuple(sd * root * rng.normal(size=len(twist)) for sd in walks)
    true = np.stack(true_increment(*twist.T, np.full(len(twist), dt), values, walk), axis=-1)
    reference = integrate(true)
    reference[:, :2] += jitter[0] * rng.normal(size=reference[:, :2].shape)
    reference[:, 2] += jitter[1] * rng.normal(size=len(reference))
    return Track(name, dt * np.arange(len(twist) + 1), twist, reference)


def weaving(count: int, seed: int = 1, step_m: float = 0.1) -> np.ndarray:
    """Return increments of a drive that turns now this way, now that, at changing speed."""
    rng = np.random.default_rng(seed)
    turn = np.repeat(rng.uniform(-0.15, 0.15, count // 20 + 1), 20)[:count]
    ahead = step_m * np.repeat(rng.uniform(0.5, 1.5, count // 30 + 1), 30)[:count]
    return np.stack([ahead, np.zeros(count), turn], axis=-1)
