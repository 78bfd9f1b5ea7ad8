"""A routine on a robot on a field to a nominal timeline."""

from __future__ import annotations

from typing import TYPE_CHECKING

from driftgate.core.lazy import lazy_names

if TYPE_CHECKING:
    from driftgate.plan.build import plan_case
    from driftgate.plan.contact_rules import touch_exemptions
    from driftgate.plan.mirror import mirror_routine

__all__ = ["mirror_routine", "plan_case", "touch_exemptions"]

__getattr__ = lazy_names(
    __name__,
    {
        "mirror_routine": "mirror",
        "plan_case": "build",
        "touch_exemptions": "contact_rules",
    },
)
