"""A night as one page: nothing is fetched, nothing runs, in the style of all pages."""

from __future__ import annotations

from typing import Final

from driftgate.judge.night import Effect, Night
from driftgate.report.digits import percent
from driftgate.report.night_model import Change, NightReport, Series
from driftgate.report.night_plot import trend_plot
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
from driftgate.report.page import badge, cautions, esc, page, row, table, verdict, words_list
from driftgate.report.style import asset, heats_css
from driftgate.report.symbols import SIGNS

_MOST_PLOTS: Final = 120
_MOST_LINES: Final = 60
# Steps of the heat table's colours: the worst is the first.
_HEATS: Final = 6

_CLASSES: Final[dict[Effect, str]] = {
    "breaks": "fail",
    "open": "undecided",
    "survives": "pass",
    "already fails": "soft",
}
# What stands for an effect without colour.
_SIGNS: Final[dict[Effect, str]] = {
    "breaks": SIGNS["fail"],
    "open": SIGNS["undecided"],
    "survives": SIGNS["pass"],
    "already fails": "\u2013",
}


def render_night_html(report: NightReport) -> str:
    """Return the report as a page of its own; every text from a file is escaped."""
    night = report.night
    title = "driftgate nightly" if night is None else f"driftgate night {night.night}"
    word = "pass" if report.status == 0 else "fail"
    findings = [f"{f.level} {f.code} at {f.path}: {f.message}" for f in report.findings]
    head = [
        f"<h1>{badge(word)} {esc(title)}</h1>",
        f"<p>{esc(report.why)}</p>",
        words_list(findings, _MOST_LINES),
        cautions(),
    ]
    body: list[str] = []
    foot: list[str] = []
    if night is not None:
        body += _since_last_night(report, night)
        if night.fault_trials:
            body += _matrix(night) + _ranking(night)
        body += _trend(report)
        body += _as_it_is(night)
        if night.fault_trials:
            body += _by_routine(night)
        again = f"Again: <code>{esc(report.command)}</code>"
        foot.append(f'<p class="soft">{esc(trials_words(night))}. {again}</p>')
    return page(title, head, body, foot, asset("page.css") + heats_css() + asset("night.css"))


def _since_last_night(report: NightReport, night: Night) -> list[str]:
    if report.before is None:
        return []
    inputs = input_changes(report.before, night)
    words = (
        f"Inputs that changed: {', '.join(inputs)}."
        if inputs
        else "No input changed: the same model, other luck."
    )
    verdicts = verdict_changes(report.before, night) or ["No verdict changed."]
    return [f"<h2>Since {esc(report.before.night)}</h2>", f"<p>{esc(words)}</p>", words_list(verdicts)]


def _effect(placed: Placed) -> str:
    words = f"{_SIGNS[placed.effect]} {placed.effect}"
    return f'<span class="word {_CLASSES[placed.effect]}">{words}</span>'


def _heat(placed: Placed) -> str:
    """Return a cell of the heat table: its words say all that its colour says."""
    cell, first = placed.cell, placed.breaks_first
    words = f'<span class="word">{_SIGNS[placed.effect]} {placed.effect}</span> {percent(cell.share)}'
    below = f"<br>{esc(first)}" if first else f"<br>margin {cell_margin(cell)}"
    if placed.effect == "already fails":
        # No colour: it tells nothing of the fault.
        return f'<td class="heat">{words}{below}</td>'
    heat = min(_HEATS - 1, int(cell.share * _HEATS))
    if placed.effect != "survives":
        heat = min(heat, _HEATS - 3)
    return f'<td class="heat heat{heat}">{words}{below}</td>'


def _matrix(night: Night) -> list[str]:
    routines = routines_of(night)
    rows = [
        row(esc(of.title), [_heat(of.worst[name]) if name in of.worst else "-" for name in routines])
        for of in matrix(night)
    ]
    note = (
        "Each routine at its worst field, side and sensor, and how often everything succeeds there, with "
        f"what breaks first or the margin that is left. {EFFECT_WORDS}"
    )
    open_ = open_words(night)
    notes = [f"<p>{esc(words)}</p>" for words in (note, f"{open_}." if open_ else "") if words]
    return ["<h2>Faults</h2>", *notes, table(("fault", *routines.values()), rows, "Faults")]


def _ranking(night: Night) -> list[str]:
    rows = [row(esc(of.title), (of.broken_words, of.share_words, of.margin)) for of in ranking(night)]
    header = ("fault", "routines that break", "success, mean of the worst cases", "least margin")
    shown = table(header, rows, "What breaks first")
    return ["<h3>What breaks first</h3>", shown, f'<p class="soft">{tried_words(night)}.</p>']


def _trend(report: NightReport) -> list[str]:
    by_series: dict[Series, list[Change]] = {series: [] for series in report.series}
    for change in report.changes:
        if not change.early:
            by_series[change.series].append(change)

    def key(series: Series) -> tuple[bool, float]:
        # What changed first, then what has least to spare.
        return not by_series[series], series.successes[-1] / series.trials[-1] - series.required[-1]

    figures = [
        f"<figure>{trend_plot(series, by_series[series])}"
        f"<figcaption>{esc(series.routine)} {esc(series.place)}, <b>{esc(series.tolerance)}</b>"
        "</figcaption></figure>"
        for series in sorted(report.series, key=key)[:_MOST_PLOTS]
    ]
    words = [f"{series_words(change)}: {change_words(change)}" for change in report.changes] or [
        "No change seen."
    ]
    looking = [f'<p class="soft">{esc(alarm_words(report))}</p>', words_list(words)] if report.kept else []
    note = "Success by night with its 95 % interval; dashed: what is required; upright: a change."
    return [
        "<h2>Over the nights</h2>",
        *looking,
        f'<p class="soft">{note}</p>',
        f'<div class="plots">{"".join(figures)}</div>',
    ]


def _as_it_is(night: Night) -> list[str]:
    rows = []
    for case in night.cases:
        name, place = esc(case.title), esc(case.place)
        cell = case.as_it_is
        if cell is None:
            rows.append(row(name, (place, "plan", verdict("infeasible"), "", "")))
            continue
        rows += [
            row(
                name,
                (place, esc(one.name), verdict(one.status), esc(bound_words(one)), margin_words(one)),
            )
            for one in cell.tolerances
        ]
    header = ("routine", "where", "tolerance", "verdict", "probability", "margin")
    return ["<h2>As it is</h2>", table(header, rows, "Every tolerance as it is")]


def _by_routine(night: Night) -> list[str]:
    parts = ["<h2>Faults by routine</h2>"]
    header = ("fault", "verdict", "success", "margin", "breaks first", "worst way", "tried", "worst")
    for routine, title in routines_of(night).items():
        rows = [
            row(
                esc(placed.cell.title),
                (
                    _effect(placed),
                    percent(placed.cell.share),
                    cell_margin(placed.cell),
                    esc(placed.breaks_first or "-"),
                    esc(placed.cell.way or "-"),
                    str(placed.cell.tried),
                    esc(placed.case.place),
                ),
            )
            for placed in worst_faults(night, routine)
        ]
        if rows:
            inner = table(header, rows, f"Faults of {title}")
            parts.append(f"<details><summary>{esc(title)}</summary>{inner}</details>")
    return parts
