"""Which trials succeed at each moment, what they depend on included."""

from __future__ import annotations

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.predict.tolerance import (
    AXES,
    CLOCK_ROUNDING_S,
    AxisLimit,
    AxisShare,
    MomentShares,
    error_on,
    limits_of,
    share_used,
    shares_of,
)
from driftgate.predict.values import BoolArray, Moment

# The judge's own modules find the whole reckoning of tolerances here.
__all__ = [
    "AXES",
    "CLOCK_ROUNDING_S",
    "AxisLimit",
    "AxisShare",
    "MomentShares",
    "error_on",
    "event_share",
    "limits_of",
    "share_used",
    "shares_of",
    "with_dependencies",
    "worst_trials",
]

_WORST_NAMED = 3


def event_share(joint: FloatArray, success: BoolArray) -> FloatArray:
    """Return the share of the tolerance that the joint event uses in each trial.

    At most 1 exactly where the trial succeeds. A trial that fails for a reason that is no distance
    (contact, time, an earlier checkpoint) uses more than any tolerance.
    """
    return np.where(success, joint, np.where(joint > 1.0, joint, np.inf))


def with_dependencies(moments: tuple[Moment, ...], shares: tuple[MomentShares, ...]) -> tuple[BoolArray, ...]:
    """Return which trials succeed at each moment: its own event, and success of what it comes after.

    Where a repetition returns to a checkpoint, what depends on it depends on its latest occurrence
    before.
    """
    success: list[BoolArray] = []
    latest: dict[str, BoolArray] = {}
    for moment, share in zip(moments, shares, strict=True):
        ok = share.own.copy()
        for name in moment.after:
            before = latest.get(name)
            if before is None:
                # The loader refuses this; never let an unmet dependency count as met.
                ok[:] = False
            else:
                ok &= before
        success.append(ok)
        if not moment.final:
            latest[moment.name] = latest[moment.name.split("#", 1)[0]] = ok
    return tuple(success)


def worst_trials(shares: MomentShares, success: BoolArray) -> tuple[int, ...]:
    """Return the numbers of a few worst trials: failing ones first, then by share used, then by number."""
    order = np.lexsort((np.arange(len(shares.joint)), -shares.joint, success))
    return tuple(order[:_WORST_NAMED].tolist())
