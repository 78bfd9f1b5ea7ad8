"""Each command as a short list of stages."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from driftgate.run.check import CheckSettings, check_routines
    from driftgate.run.explain import ExplainSettings, explain_routine
    from driftgate.run.validate import validate_files

__all__ = ["CheckSettings", "ExplainSettings", "check_routines", "explain_routine", "validate_files"]

# Loaded at first use, so that reading one name does not import the whole stage.
_HOMES = {
    "CheckSettings": "check",
    "ExplainSettings": "explain",
    "check_routines": "check",
    "explain_routine": "explain",
    "validate_files": "validate",
}


def __getattr__(name: str) -> Any:
    """Load a public name at its first use."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
