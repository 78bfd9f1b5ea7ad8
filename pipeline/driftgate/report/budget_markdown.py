"""The error budget for a pull request or a wiki: the tables of the terminal in Markdown."""

from __future__ import annotations

from collections.abc import Sequence

from driftgate.report.budget import HEADER, NOTES, axis_notes, axis_title, axis_words, closing, table_rows
from driftgate.report.budget_gist import gist_words
from driftgate.report.budget_model import BudgetReport
from driftgate.report.budget_more import (
    GROWTH_HEADER,
    GROWTH_TITLE,
    IMPROVE_TITLE,
    growth_notes,
    growth_rows,
    improvement_lines,
    improvement_notes,
)
from driftgate.report.caution import FULL
from driftgate.report.text import markdown


def render_budget_markdown(report: BudgetReport) -> str:
    """Return the budget of one case as Markdown; every text from a file is escaped."""
    lines = ["### driftgate: error budget", "", markdown(report.why), ""]
    case = report.case
    if case is not None:
        lines += [f"{markdown(case.title)}, {markdown(case.path)} on {markdown(case.label)}", ""]
        gist = gist_words(report)
        lines += [markdown(gist[0].upper() + gist[1:]), ""] if gist else []
        for moment in report.moments:
            for axis in moment.axes:
                lines += [f"**{markdown(axis_title(case, moment, axis))}**", ""]
                lines += [markdown(axis_words(moment, axis)), ""]
                lines += [*_table(HEADER, [row.cells for row in table_rows(moment, axis)]), ""]
                lines += [f"- {markdown(note)}" for note in axis_notes(axis, report.redraws)] + [""]
    if report.growths is not None:
        lines += [f"**{GROWTH_TITLE}**", "", *_table(GROWTH_HEADER, growth_rows(report.growths)), ""]
        lines += [f"- {markdown(note)}" for note in growth_notes(report)] + [""]
    if report.improvements is not None:
        lines += [f"**{IMPROVE_TITLE}**", ""]
        lines += [f"1. {markdown(text)}" for text in improvement_lines(report.improvements)] + [""]
        lines += [*(markdown(note) for note in improvement_notes(report)), ""]
    lines += [*(f"- {markdown(note)}" for note in NOTES), "", *(f"{markdown(t)}  " for t in closing(report))]
    return "\n".join([*lines, "", *(f"- {text}" for text in FULL)]) + "\n"


def _table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    lines = [f"| {' | '.join(header)} |", f"|{' --- |' * len(header)}"]
    return lines + [f"| {' | '.join(markdown(cell) for cell in row)} |" for row in rows]
