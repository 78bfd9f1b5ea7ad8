"""A night for a terminal: short."""

from __future__ import annotations

from driftgate.core.many import and_more
from driftgate.judge.night import CONTACT, Counted, Night, NightCase
from driftgate.report.caution import SHORT
from driftgate.report.digits import percent
from driftgate.report.findings import render_findings
from driftgate.report.night_figures import cell_margin, margin_words, tolerance_words
from driftgate.report.night_model import NightReport
from driftgate.report.night_words import (
    EFFECT_WORDS,
    UNKNOWN_MARGIN,
    alarm_words,
    by_routine,
    change_words,
    input_changes,
    open_words,
    ranking,
    routines_of,
    series_words,
    short_of,
    trials_words,
    tried_words,
    verdict_changes,
    worst_faults,
)
from driftgate.report.paint import Paint
from driftgate.report.text import plain, table

_MOST_CHANGES = 12
_WORST_SHOWN = 5
_MOST_ROUTINES = 40


def render_night(report: NightReport, colour: bool = False) -> str:
    """Return the report as text."""
    paint = Paint(colour)
    lines = render_findings(report.findings, paint)
    night = report.night
    if night is None:
        return "".join(f"{line}\n" for line in lines)
    titles = routines_of(night)
    for routine in _chosen(night, list(titles)):
        title = titles[routine]
        lines += [""] if lines else []
        lines.append(paint(f"{plain(routine)}  {plain(title)}", "bold"))
        lines += _as_it_is(night, routine, paint)
        lines += _faults(night, routine)
    if len(titles) > _MOST_ROUTINES:
        lines += ["", f"the {_MOST_ROUTINES} worst of {len(titles)} routines; --report has them all"]
    lines += ["", *_first(night)] if night.fault_trials else [""]
    lines += _back(report, night)
    lines += [plain(trials_words(night)), f"again: {plain(report.command)}", SHORT]
    return "".join(f"{line}\n" for line in lines)


def _chosen(night: Night, routines: list[str]) -> list[str]:
    """Return the routines to show: all in order; of very many those that fail, then those that break."""
    if len(routines) <= _MOST_ROUTINES:
        return routines
    worst = [case.routine for case, _ in short_of(night)] + [row.routine for row in by_routine(night)]
    return list(dict.fromkeys([*worst, *routines]))[:_MOST_ROUTINES]


def _as_it_is(night: Night, routine: str, paint: Paint) -> list[str]:
    cases = [case for case in night.cases if case.routine == routine]
    cells = [(case, cell) for case in cases if (cell := case.as_it_is) is not None]
    rows = {case.key: [_columns(case, one) for one in cell.tolerances] for case, cell in cells}
    widths = [max(len(row[i]) for of in rows.values() for row in of) for i in range(4)] if rows else []
    lines = []
    for case in cases:
        cell = case.as_it_is
        if cell is None:
            lines.append(f"  {paint.level('infeasible', 'error')} {plain(case.place)}")
            continue
        lines.append(
            f"  {paint.level(cell.status.ljust(9), cell.status)} {plain(case.place)}, "
            f"together {percent(cell.share)}"
        )
        for one, row in zip(cell.tolerances, rows[case.key], strict=True):
            padded = [text.ljust(width) for text, width in zip(row, widths, strict=False)]
            padded[3] = paint.level(padded[3], one.status)
            lines.append("      " + "  ".join([*padded, row[4]]))
    return lines


def _columns(case: NightCase, one: Counted) -> tuple[str, str, str, str, str]:
    """Return what is said of a tolerance, in the order of a check's columns."""
    margin = "" if one.name == CONTACT else f"margin {margin_words(one)}"
    return plain(one.name), one.axis, margin, one.status, tolerance_words(case, one)


def _faults(night: Night, routine: str) -> list[str]:
    found = worst_faults(night, routine)
    rows = [
        (
            plain(placed.cell.title),
            placed.effect,
            percent(placed.cell.share),
            cell_margin(placed.cell),
            plain(placed.breaks_first or "-"),
            plain(", ".join(filter(None, (placed.cell.way, placed.case.place)))),
        )
        for placed in found[:_WORST_SHOWN]
    ]
    header = (
        f"worst {len(rows)} of {len(found)} faults",
        "verdict",
        "success",
        "margin",
        "breaks first",
        "at its worst",
    )
    return table(header, rows, "    ")


def _first(night: Night) -> list[str]:
    rows = [(plain(row.title), row.broken_words, row.share_words, row.margin) for row in ranking(night)]
    header = ("fault", "routines that break", "success, mean of the worst cases", "least margin")
    unknown = [UNKNOWN_MARGIN] if any(row.margin == "-" and row.sound for row in ranking(night)) else []
    open_ = open_words(night)
    notes = [
        EFFECT_WORDS[0].lower() + EFFECT_WORDS[1:-1],
        *([open_] if open_ else []),
        *unknown,
        tried_words(night),
    ]
    return ["What breaks first", *table(header, rows), *(f"  {words}" for words in notes), ""]


def _back(report: NightReport, night: Night) -> list[str]:
    if not report.kept:
        return []
    lines = []
    if report.before is not None:
        inputs = ", ".join(input_changes(report.before, night)) or "none"
        verdicts = verdict_changes(report.before, night)
        lines += [f"Since {report.before.night}", f"  inputs that changed: {plain(inputs)}"]
        lines += [f"  {plain(text)}" for text in verdicts[:_MOST_CHANGES]] or ["  no verdict changed"]
        rest = and_more(len(verdicts) - _MOST_CHANGES, "verdict")
        lines += [f"  {rest}"] if rest else []
        lines.append("")
    lines += ["Over the nights"]
    shown = [f"  {plain(series_words(c))}: {change_words(c)}" for c in report.changes[:_MOST_CHANGES]]
    return [*lines, *(shown or ["  no change seen"]), f"  {alarm_words(report)}", ""]
