"""Each command as a short list of stages."""

from __future__ import annotations

from typing import TYPE_CHECKING

from driftgate.core.lazy import lazy_names

if TYPE_CHECKING:
    from driftgate.run.check import CheckSettings, check_routines
    from driftgate.run.explain import ExplainSettings, explain_routine
    from driftgate.run.validate import validate_files

__all__ = ["CheckSettings", "ExplainSettings", "check_routines", "explain_routine", "validate_files"]

__getattr__ = lazy_names(
    __name__,
    {
        "CheckSettings": "check",
        "ExplainSettings": "explain",
        "check_routines": "check",
        "explain_routine": "explain",
        "validate_files": "validate",
    },
)
