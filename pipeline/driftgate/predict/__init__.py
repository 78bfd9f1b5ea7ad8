"""The physics of error, in two engines that check each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

from driftgate.core.lazy import lazy_names

if TYPE_CHECKING:
    from driftgate.predict.covariance_engine import covariance
    from driftgate.predict.prepared import Prepared, prepare
    from driftgate.predict.trials_engine import merge_trials, run_trials

__all__ = ["Prepared", "covariance", "merge_trials", "prepare", "run_trials"]

__getattr__ = lazy_names(
    __name__,
    {
        "Prepared": "prepared",
        "covariance": "covariance_engine",
        "merge_trials": "trials_engine",
        "prepare": "prepared",
        "run_trials": "trials_engine",
    },
)
