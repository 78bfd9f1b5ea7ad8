"""Distributions and tolerances to verdicts."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from driftgate.judge.agree import disagreements
    from driftgate.judge.values import CaseVerdict, ContactVerdict, MomentVerdict
    from driftgate.judge.verdict import judge_case

__all__ = ["CaseVerdict", "ContactVerdict", "MomentVerdict", "disagreements", "judge_case"]

# Loaded at first use, so that reading one name does not import the whole stage.
_HOMES = {
    "CaseVerdict": "values",
    "ContactVerdict": "values",
    "MomentVerdict": "values",
    "disagreements": "agree",
    "judge_case": "verdict",
}


def __getattr__(name: str) -> Any:
    """Load a public name at its first use."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
