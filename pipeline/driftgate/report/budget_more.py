"""How far sources may grow, and what single changes buy, in words."""

from __future__ import annotations

import math

from driftgate.judge.growth import MOST, Growth
from driftgate.judge.improve import Improvement
from driftgate.report.budget_model import BudgetReport
from driftgate.report.compare_text import interval_words
from driftgate.report.digits import allowed_words, exact, percent, shown
from driftgate.report.text import plain

GROWTH_TITLE = "How much each source may grow, alone, before a tolerance breaks"
GROWTH_HEADER = ("source", "by covariance", "holds in trials", "breaks in trials", "there")
IMPROVE_TITLE = "What single changes would buy, the most margin first"
_BEYOND = f"> {MOST:g}x"


def growth_rows(growths: tuple[Growth, ...]) -> list[tuple[str, ...]]:
    """Return a line for each source that may not grow without end."""
    return [
        (
            row.title,
            _BEYOND if row.predicted is None else _factor(row.predicted),
            _factor(row.holds),
            _BEYOND if row.breaks is None else _factor(row.breaks),
            _there(row),
        )
        for row in growths
        if row.breaks is not None or row.predicted is not None
    ]


def _factor(value: float) -> str:
    return f"{value:.2f}x"


def _there(row: Growth) -> str:
    if row.breaks is None:
        return ""
    if row.moment == "contact":
        touched = percent(row.success, row.required, digits=1)
        return f"contact in {touched} of the trials ({allowed_words(row.required)})"
    succeeded = percent(row.success, row.required, digits=1)
    return f"{plain(row.moment)}: {succeeded} succeed (need {exact(row.required, 100)} %)"


def growth_notes(report: BudgetReport) -> list[str]:
    """Return what the table of growth leaves out, and how it is to be read."""
    notes = []
    if report.broken:
        names = ", ".join(plain(name) for name in report.broken)
        notes.append(f"Broken as it is, and not looked at here: {names}.")
    growths = report.growths or ()
    free = [row.title for row in growths if row.breaks is None and row.predicted is None]
    if free:
        notes.append(f"More than {MOST:g} times without breaking anything: {', '.join(free)}.")
    if growths:
        notes.append(
            "Factors on the spread or probability of the truth alone, the robot and its filter as they are; "
            f"{report.redraws} trials each, the same luck; by the share of the trials, which is an estimate."
        )
    return notes


def improvement_lines(improvements: tuple[Improvement, ...]) -> list[str]:
    """Return a line for each single change, in plain words with numbers."""
    return [_improvement(one) for one in improvements]


def _improvement(one: Improvement) -> str:
    words = f"{plain(one.change)}: margin of '{plain(one.moment)}' {_change_of_margin(one)}"
    success = interval_words(one.success, "", 100, 1)
    words += f", success {percent(one.success_before)} -> {percent(one.success_now)} ({success} points)"
    if one.tightest_now != one.moment:
        words += f"; then '{plain(one.tightest_now)}' is the tightest, margin {_margin(one.tightest_margin)}"
    return words


def _change_of_margin(one: Improvement) -> str:
    words = f"{_margin(one.margin_before)} -> {_margin(one.margin_now)}"
    if one.gain is None:
        return words
    if one.gain.low is not None and one.gain.high is not None and one.gain.low <= 0.0 <= one.gain.high:
        return f"{words} (no difference seen: {interval_words(one.gain, '', 100, 0)} points)"
    return f"{words} ({interval_words(one.gain, '', 100, 0)} points)"


def _margin(value: float) -> str:
    if math.isinf(value):
        return "none (failures that are no distance)"
    return f"{shown(value, 0.0, factor=100, direction='down')} %"


def improvement_notes(report: BudgetReport) -> list[str]:
    """Return how the list of single changes is to be read."""
    return [
        f"Each changed case is planned again and run: {report.trials} trials, the same luck; intervals at "
        f"{exact(report.confidence, 100)} % for each line by itself. Changes whose plan is infeasible are "
        "left out."
    ]
