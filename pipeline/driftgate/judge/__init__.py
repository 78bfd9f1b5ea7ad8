"""Distributions and tolerances to verdicts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from driftgate.core.lazy import lazy_names

if TYPE_CHECKING:
    from driftgate.judge.agree import disagreements
    from driftgate.judge.values import CaseVerdict, ContactVerdict, MomentVerdict
    from driftgate.judge.verdict import judge_case

__all__ = ["CaseVerdict", "ContactVerdict", "MomentVerdict", "disagreements", "judge_case"]

__getattr__ = lazy_names(
    __name__,
    {
        "CaseVerdict": "values",
        "ContactVerdict": "values",
        "MomentVerdict": "values",
        "disagreements": "agree",
        "judge_case": "verdict",
    },
)
