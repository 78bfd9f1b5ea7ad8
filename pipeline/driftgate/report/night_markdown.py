"""A night as Markdown: what changed first, then what holds, then what breaks it."""

from __future__ import annotations

from collections.abc import Sequence

from driftgate.core.many import and_more, first_of, named_of
from driftgate.judge.night import Counted, Night, NightCase
from driftgate.report.as_markdown import fitted
from driftgate.report.caution import FULL
from driftgate.report.digits import percent
from driftgate.report.night_figures import cell_margin, margin_words, tolerance_words
from driftgate.report.night_model import NightReport
from driftgate.report.night_words import (
    ALL_HOLD,
    EFFECT_WORDS,
    SAME_INPUTS,
    Placed,
    alarm_words,
    as_it_is,
    by_routine,
    change_words,
    input_changes,
    open_words,
    ranking,
    series_words,
    short_of,
    trials_words,
    tried_words,
    verdict_changes,
    worst_faults,
)
from driftgate.report.text import markdown

_MOST_LINES = 40
_MOST_ROWS = 400


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
        lines += _as_it_is(night) + _since_last_night(report, night) + _trend(report)
        if night.fault_trials:
            lines += _matrix(night) + _ranking(night)
        lines += _folded("Every tolerance as it is", _tolerances(as_it_is(night), _MOST_ROWS))
        if night.fault_trials:
            lines += _by_routine(night)
        lines += [f"{markdown(trials_words(night))}.", ""]
    return fitted("\n".join([*lines, *(f"- {text}" for text in FULL)]) + "\n")


def _folded(title: str, lines: Sequence[str]) -> list[str]:
    """Return lines that show when their title is asked for; blank lines let Markdown be read inside."""
    return [f"<details><summary>{markdown(title)}</summary>", "", *lines, "</details>", ""]


def _table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return a table; its cells are escaped here and nowhere else."""
    lines = ["| " + " | ".join(header) + " |", "|" + " --- |" * len(header)]
    lines += ["| " + " | ".join(markdown(cell) for cell in row) + " |" for row in rows]
    return [*lines, ""]


def _first(lines: list[str]) -> list[str]:
    return first_of(lines, _MOST_LINES, "- {}")


def _since_last_night(report: NightReport, night: Night) -> list[str]:
    if report.before is None:
        return []
    inputs = input_changes(report.before, night)
    verdicts = verdict_changes(report.before, night)
    lines = [f"#### Since {report.before.night}", ""]
    if inputs:
        lines += [f"Inputs that changed: {named_of([markdown(text) for text in inputs], _MOST_LINES)}."]
    else:
        lines += [SAME_INPUTS]
    return [
        *lines,
        "",
        *_first([f"- {markdown(text)}" for text in verdicts] or ["- No verdict changed."]),
        "",
    ]


def _trend(report: NightReport) -> list[str]:
    if not report.kept:
        return []
    rows = [f"- {markdown(series_words(c))}: {markdown(change_words(c))}" for c in report.changes]
    return [
        "#### Over the nights",
        "",
        markdown(alarm_words(report)),
        "",
        *_first(rows or ["- No change seen."]),
        "",
    ]


def _as_it_is(night: Night) -> list[str]:
    short = short_of(night)
    return ["#### As it is", "", *(_tolerances(short, _MOST_LINES) if short else [ALL_HOLD, ""])]


def _tolerances(items: Sequence[tuple[NightCase, Counted | None]], most: int) -> list[str]:
    rows = [
        (case.title, case.place, "plan", "infeasible", "", "")
        if one is None
        else (case.title, case.place, one.name, one.status, tolerance_words(case, one), margin_words(one))
        for case, one in items[:most]
    ]
    header = ("routine", "where", "tolerance", "verdict", "probability", "margin")
    return [*_table(header, rows), *_more(len(items) - most)]


def _more(number: int) -> list[str]:
    rest = and_more(number)
    return [f"{rest}; the JSON report has them all", ""] if rest else []


def _matrix(night: Night) -> list[str]:
    """Return the fault matrix: routines by kinds of fault, each at its worst field, side and sensor."""
    kinds = {row.kind: row.title for row in ranking(night)}
    found = by_routine(night)
    rows = [
        (row.title, *(_matrix_cell(row.worst[kind]) if kind in row.worst else "-" for kind in kinds))
        for row in found[:_MOST_LINES]
    ]
    return [
        "#### Faults",
        "",
        "Each routine at its worst field, side and sensor: how often everything succeeds there, and what "
        f"breaks first. {EFFECT_WORDS} A dash: the fault cannot happen to it.",
        *_open_note(night),
        "",
        *_table(("routine", *kinds.values()), rows),
        *_more(len(found) - _MOST_LINES),
    ]


def _open_note(night: Night) -> list[str]:
    words = open_words(night)
    return ["", f"{words}."] if words else []


def _matrix_cell(placed: Placed) -> str:
    first = f": {placed.breaks_first}" if placed.breaks_first else ""
    return f"{placed.effect} {percent(placed.cell.share)}{first}"


def _ranking(night: Night) -> list[str]:
    rows = [(row.title, row.broken_words, row.share_words, row.margin) for row in ranking(night)]
    header = ("fault", "routines that break", "success, mean of the worst cases", "least margin")
    return ["What breaks first:", "", *_table(header, rows)]


def _by_routine(night: Night) -> list[str]:
    lines = []
    header = ("fault", "verdict", "success", "margin", "breaks first", "worst way", "worst")
    found = by_routine(night)
    for routine in found[:_MOST_LINES]:
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
            for placed in worst_faults(night, routine.routine)
        ]
        lines += _folded(f"Faults of {routine.title}", _table(header, rows))
    return [*lines, *_more(len(found) - _MOST_LINES), f"{tried_words(night)}.", ""]
