"""A routine on a robot on a field to a nominal timeline."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from driftgate.plan.build import plan_case
    from driftgate.plan.contact_rules import touch_exemptions
    from driftgate.plan.mirror import mirror_routine

__all__ = ["mirror_routine", "plan_case", "touch_exemptions"]

# Loaded at first use: the value types of this package are read by every later stage, and those
# must not pay for the planner.
_HOMES = {"plan_case": "build", "touch_exemptions": "contact_rules", "mirror_routine": "mirror"}


def __getattr__(name: str) -> Any:
    """Load a public function at its first use."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
