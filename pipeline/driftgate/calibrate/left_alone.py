"""Constants that a fit does not find: they stay at what the robot file has, and predictions are wide there.

What nothing shows is left so by `driftgate calibrate` and in the model for a backtest alike. Of constants
that act alike in what was driven something is known all the same: `driftgate.calibrate.known_together`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from driftgate.calibrate.backtest import WindowPlan
from driftgate.calibrate.dead_reckoning import segments
from driftgate.calibrate.fit import Fit
from driftgate.calibrate.usual import CONSTANTS, SIDEWAYS, UsualConstant
from driftgate.calibrate.windows import Track
from driftgate.schema.drift import ErrorSources


def value_left(usual: UsualConstant, errors: ErrorSources) -> float:
    """Return what the robot file has for the mean of a constant, zero if nothing. [SI]

    Heading latency and slip with speed show as their difference alone, which is fitted as latency.
    """
    source, slip = getattr(errors, usual.field), errors.lateral_slip
    own = 0.0 if source is None else float(getattr(source, usual.names[0]))
    if usual.key == "heading_latency" and slip is not None:
        own -= slip.with_speed
    return own


def values_left(keys: Sequence[str], found: Mapping[str, float], errors: ErrorSources) -> dict[str, float]:
    """Return what the robot file has for the means of some constants, `found` being the values of all."""
    left = {usual.key: value_left(usual, errors) for usual in CONSTANTS if usual.key in keys}
    if SIDEWAYS in left and errors.sideways_scale is None:
        # A robot file without it has the scale of forward distance for it.
        left[SIDEWAYS] = left.get("distance_scale", found["distance_scale"])
    return left


def leaving(model: Fit, keys: Sequence[str], errors: ErrorSources) -> Fit:
    """Return a fit with some of its constants left at what the robot file has.

    Their errors are the mean square distance from there, by what the fit knows: as wide as before where the
    constants were not shown, and wider by what speaks against the values left.

    Parameters
    ----------
    model : Fit
        The fit.
    keys : sequence of str
        Constants that were not found.
    errors : ErrorSources
        Of the robot file.
    """
    left = values_left(keys, model.constants, errors)
    if not left:
        return model
    off = np.array([model.constants[name] - left[name] if name in left else 0.0 for name in model.names])
    more = np.outer(off, off)
    return replace(
        model,
        constants={**model.constants, **left},
        covariance=model.covariance + more,
        common=None if model.common is None else model.common + more,
        left=tuple(left),
    )


def position_rms(tracks: Sequence[Track], models: Sequence[Fit], plan: WindowPlan) -> float:
    """Return the root mean square position error at the ends of all windows of runs; nan without any. [m]"""
    errors = [
        segments(track, windows, model.constants).error[:, :2]
        for track, model in zip(tracks, models, strict=True)
        if len(windows := plan.of(track))
    ]
    return (
        float(np.sqrt(np.mean(np.sum(np.square(np.concatenate(errors)), axis=1)))) if errors else float("nan")
    )
