"""The physics of error, in two engines that check each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from driftgate.predict.covariance_engine import covariance
    from driftgate.predict.prepared import Prepared, prepare
    from driftgate.predict.trials_engine import merge_trials, run_trials

__all__ = ["Prepared", "covariance", "merge_trials", "prepare", "run_trials"]

_HOME = {
    "Prepared": "prepared",
    "covariance": "covariance_engine",
    "merge_trials": "trials_engine",
    "prepare": "prepared",
    "run_trials": "trials_engine",
}


def __getattr__(name: str) -> object:
    """Import a public name when it is first asked for."""
    from importlib import import_module

    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
    globals()[name] = value
    return value
