"""A night as Markdown: what changed first, then what holds, then what breaks it."""

from __future__ import annotations

from collections.abc import Sequence

from driftgate.judge.night import Night
from driftgate.report.caution import FULL
from driftgate.report.digits import percent
from driftgate.report.night_model import NightReport
from driftgate.report.night_words import (
    EFFECT_WORDS,
    Placed,
    alarm_words,
    bound_words,
    cell_margin,
    change_words,
    input_changes,
    margin_words,
    matrix,
    open_words,
    ranking,
    routines_of,
    series_words,
    trials_words,
    tried_words,
    verdict_changes,
    worst_faults,
)
from driftgate.report.text import markdown

_MOST_LINES = 40


def render_night_markdown(report: NightReport) -> str:
    """Return the report as Markdown; every text from a file is escaped."""
    night = report.night
    title = f"night {night.night}" if night is not None else "nightly"
    lines = [
        f"### driftgate {markdown(title)}: {'pass' if report.status == 0 else 'fail'}",
        "",
        markdown(report.why),
        "",
    ]
    if night is None:
        lines[0] = f"### driftgate nightly: status {report.status}"
    lines += [
        f"- {f.level} {markdown(f.code)} at {markdown(f.path)}: {markdown(f.message)}"
        for f in report.findings
    ]
    lines += [""] if report.findings else []
    if night is not None:
        lines += _since_last_night(report, night) + _trend(report)
        lines += _as_it_is(night)
        if night.fault_trials:
            lines += _matrix(night) + _ranking(night) + _by_routine(night)
        lines += [f"{markdown(trials_words(night))}.", ""]
    lines += [f"- {text}" for text in FULL]
    return "\n".join(lines) + "\n"


def _table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return a table; its cells are escaped here and nowhere else."""
    lines = ["| " + " | ".join(header) + " |", "|" + " --- |" * len(header)]
    lines += ["| " + " | ".join(markdown(cell) for cell in row) + " |" for row in rows]
    return [*lines, ""]


def _cut(lines: list[str]) -> list[str]:
    more = len(lines) - _MOST_LINES
    return lines if more <= 0 else [*lines[:_MOST_LINES], f"- and {more} more"]


def _since_last_night(report: NightReport, night: Night) -> list[str]:
    if report.before is None:
        return []
    inputs = input_changes(report.before, night)
    verdicts = verdict_changes(report.before, night)
    lines = [f"#### Since {report.before.night}", ""]
    if inputs:
        lines += [f"Inputs that changed: {', '.join(markdown(text) for text in inputs[:_MOST_LINES])}."]
    else:
        lines += ["No input changed: the same model, other luck."]
    return [*lines, "", *_cut([f"- {markdown(text)}" for text in verdicts] or ["- No verdict changed."]), ""]


def _trend(report: NightReport) -> list[str]:
    if not report.kept:
        return []
    rows = [f"- {markdown(series_words(c))}: {markdown(change_words(c))}" for c in report.changes]
    return [
        "#### Over the nights",
        "",
        markdown(alarm_words(report)),
        "",
        *_cut(rows or ["- No change seen."]),
        "",
    ]


def _as_it_is(night: Night) -> list[str]:
    rows = []
    for case in night.cases:
        cell = case.as_it_is
        if cell is None:
            rows.append((case.title, case.place, "plan", "infeasible", "", ""))
            continue
        rows += [
            (case.title, case.place, one.name, one.status, bound_words(one), margin_words(one))
            for one in cell.tolerances
        ]
    header = ("routine", "where", "tolerance", "verdict", "probability", "margin")
    return ["#### As it is", "", *_table(header, rows)]


def _matrix(night: Night) -> list[str]:
    """Return the fault matrix: kinds of fault by routine, each at its worst field, side and sensor."""
    routines = routines_of(night)
    rows = []
    for row in matrix(night):
        cells = [_matrix_cell(row.worst[name]) if name in row.worst else "-" for name in routines]
        rows.append((row.title, *cells))
    header = ("fault", *(markdown(title) for title in routines.values()))
    return [
        "#### Faults",
        "",
        "Each routine at its worst field, side and sensor, and how often everything succeeds there, with the "
        f"margin that is left. {EFFECT_WORDS}",
        *_open_note(night),
        "",
        *_table(header, rows),
    ]


def _open_note(night: Night) -> list[str]:
    words = open_words(night)
    return ["", f"{words}."] if words else []


def _matrix_cell(placed: Placed) -> str:
    return f"{placed.effect} {percent(placed.cell.share)}, {cell_margin(placed.cell)}"


def _ranking(night: Night) -> list[str]:
    rows = [(row.title, row.broken_words, row.share_words) for row in ranking(night)]
    return ["What breaks first:", "", *_table(("fault", "routines that break", "success, mean"), rows)]


def _by_routine(night: Night) -> list[str]:
    lines = []
    for routine, title in routines_of(night).items():
        found = worst_faults(night, routine)
        if not found:
            continue
        rows = [
            (
                placed.cell.title,
                placed.effect,
                percent(placed.cell.share),
                cell_margin(placed.cell),
                placed.breaks_first or "-",
                placed.cell.way or "-",
                placed.case.place,
            )
            for placed in found
        ]
        header = ("fault", "verdict", "success", "margin", "breaks first", "worst way", "worst")
        lines += [f"##### {markdown(title)}", "", *_table(header, rows)]
    return [*lines, f"{tried_words(night)}.", ""]
