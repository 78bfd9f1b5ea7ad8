"""Which surface each beam meets along the plan, and why a fix is possible or not."""

from __future__ import annotations

from typing import TYPE_CHECKING

from driftgate.core.lazy import lazy_names

if TYPE_CHECKING:
    from driftgate.sight.dark import dark_intervals, fix_opportunities
    from driftgate.sight.expect import look_along
    from driftgate.sight.values import DarkInterval, Reason, Sight

__all__ = ["DarkInterval", "Reason", "Sight", "dark_intervals", "fix_opportunities", "look_along"]

__getattr__ = lazy_names(
    __name__,
    {
        "DarkInterval": "values",
        "Reason": "values",
        "Sight": "values",
        "dark_intervals": "dark",
        "fix_opportunities": "dark",
        "look_along": "expect",
    },
)
