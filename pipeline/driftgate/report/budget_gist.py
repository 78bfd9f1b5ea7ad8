"""What an error budget comes to, in a sentence: which tolerance is closest to failing, and what from."""

from __future__ import annotations

from typing import Final

from driftgate.judge.budget import AxisBudget, SourceRow
from driftgate.report.budget_model import BudgetReport
from driftgate.report.digits import used_words
from driftgate.report.model import tightest

# So many sources are named, and none that makes less than this share of the variance (our choice).
_NAMED: Final = 3
_LEAST: Final = 0.05


def gist_words(report: BudgetReport) -> str:
    """Return what to mend first; empty where no tolerance has a budget. Names are as they are, unescaped."""
    case = report.case
    if case is None or case.verdict is None:
        return ""
    moment = tightest(case.verdict)
    found = [
        axis
        for budget in report.moments
        for axis in budget.axes
        if budget.name == moment.name and axis.limit.axis == moment.binding
    ]
    named = ", ".join(_named(found[0])) if found else ""
    if not named:
        return ""
    where = f"{moment.name}, {moment.binding}, {used_words(moment)}"
    words = f"closest to failing: {where}; its spread comes most from {named}"
    return words if report.improvements is not None else f"{words}. What mending each would buy: --improve"


def _named(axis: AxisBudget) -> list[str]:
    rows = sorted(axis.rows, key=_share, reverse=True)[:_NAMED]
    whole = (" of the variance", *("",) * _NAMED)
    return [
        f"{row.source.title} ({100.0 * _share(row):.0f} %{of})"
        for row, of in zip(rows, whole, strict=False)
        if _share(row) >= _LEAST
    ]


def _share(row: SourceRow) -> float:
    """Return the share of the variance: by covariance, by trials for what only these see."""
    if row.covariance_share:
        return row.covariance_share
    return 0.0 if row.trials is None else row.trials.first.value
