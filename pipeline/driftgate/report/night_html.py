"""A night as one page: nothing is fetched, nothing runs, in the style of all pages."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from driftgate.core.many import and_more
from driftgate.judge.night import Counted, Effect, Night, NightCase
from driftgate.report.digits import percent
from driftgate.report.night_figures import cell_margin, margin_words, tolerance_words
from driftgate.report.night_model import Change, NightReport, Series
from driftgate.report.night_plot import trend_plot, trend_words
from driftgate.report.night_words import (
    ALL_HOLD,
    EFFECT_WORDS,
    SAME_INPUTS,
    UNKNOWN_MARGIN,
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
from driftgate.report.page import Row, badge, cautions, page, table, verdict, words_list
from driftgate.report.style import asset, heats_css
from driftgate.report.symbols import SIGNS
from driftgate.report.text import esc

_MOST_PLOTS: Final = 120
_SHOWN_PLOTS: Final = 12
_MOST_LINES: Final = 60
_MOST_ROWS: Final = 1000
_MOST_ROUTINES: Final = 100
# Steps of the heat table's colours: the worst is the first.
_HEATS: Final = 6

_CLASSES: Final[dict[Effect, str]] = {
    "breaks": "fail",
    "open": "undecided",
    "survives": "pass",
    "already fails": "soft",
}
_NEVER: Final = '<td class="heat">-</td>'
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
        body += _as_it_is(night) + _since_last_night(report, night) + _changes(report)
        if night.fault_trials:
            body += _matrix(night) + _ranking(night) + _by_routine(night)
        body += _trend(report)
        again = f"Again: <code>{esc(report.command)}</code>"
        foot.append(f'<p class="soft">{esc(trials_words(night))}. {again}</p>')
    return page(title, head, body, foot, asset("page.css") + heats_css() + asset("night.css"))


def _folded(title: str, *inside: str) -> str:
    return f"<details><summary>{esc(title)}</summary>{''.join(inside)}</details>"


def _more(number: int) -> str:
    rest = and_more(number)
    return f'<p class="soft">{rest}; the JSON report has them all</p>' if rest else ""


def _as_it_is(night: Night) -> list[str]:
    """Return what does not pass, and everything where it is asked for."""
    short, whole = short_of(night), as_it_is(night)
    found = _tolerances(short, _MOST_LINES, "What does not pass") if short else f"<p>{ALL_HOLD}</p>"
    inside = _tolerances(whole, _MOST_ROWS, "Every tolerance as it is")
    return ["<h2>As it is</h2>", found, _folded(f"All {len(whole)} tolerances", inside)]


def _tolerances(items: Sequence[tuple[NightCase, Counted | None]], most: int, caption: str) -> str:
    rows = []
    for case, one in items[:most]:
        name, place = esc(case.title), esc(case.place)
        if one is None:
            rows.append(Row(name, (place, "plan", verdict("infeasible"), "", "")))
        else:
            told = (esc(one.name), verdict(one.status), esc(tolerance_words(case, one)), margin_words(one))
            rows.append(Row(name, (place, *told)))
    header = ("routine", "where", "tolerance", "verdict", "probability", "margin")
    return table(header, rows, caption) + _more(len(items) - most)


def _since_last_night(report: NightReport, night: Night) -> list[str]:
    if report.before is None:
        return []
    inputs = input_changes(report.before, night)
    words = f"Inputs that changed: {', '.join(inputs)}." if inputs else SAME_INPUTS
    verdicts = verdict_changes(report.before, night) or ["No verdict changed."]
    return [f"<h2>Since {esc(report.before.night)}</h2>", f"<p>{esc(words)}</p>", words_list(verdicts)]


def _changes(report: NightReport) -> list[str]:
    if not report.kept:
        return []
    words = [f"{series_words(change)}: {change_words(change)}" for change in report.changes]
    looking = f'<p class="soft">{esc(alarm_words(report))}</p>'
    return ["<h2>Over the nights</h2>", words_list(words or ["No change seen."]), looking]


def _effect(placed: Placed) -> str:
    words = f"{_SIGNS[placed.effect]} {placed.effect}"
    return f'<span class="word {_CLASSES[placed.effect]}">{words}</span>'


def _heat(placed: Placed) -> str:
    """Return a cell of the heat table: its words say all that its colour says."""
    cell, first = placed.cell, placed.breaks_first
    words = (
        f'<span class="word">{_SIGNS[placed.effect]} {placed.effect}</span>',
        f'<span class="whole">{percent(cell.share)}</span>',
        esc(first) if first else f'margin <span class="whole">{cell_margin(cell)}</span>',
    )
    if placed.effect == "already fails":
        # No colour: it tells nothing of the fault.
        return f'<td class="heat">{"<br>".join(words)}</td>'
    heat = min(_HEATS - 1, int(cell.share * _HEATS))
    if placed.effect != "survives":
        heat = min(heat, _HEATS - 3)
    return f'<td class="heat heat{heat}">{"<br>".join(words)}</td>'


def _matrix(night: Night) -> list[str]:
    # What breaks most stands to the left, where a small screen shows it.
    kinds = {of.kind: of.title for of in ranking(night)}
    found = by_routine(night)
    rows = [
        Row(esc(of.title), [_heat(of.worst[kind]) if kind in of.worst else _NEVER for kind in kinds])
        for of in found[:_MOST_ROUTINES]
    ]
    note = (
        "Each routine at its worst field, side and sensor, and how often everything succeeds there, with "
        f"what breaks first or the margin that is left. {EFFECT_WORDS} A dash: the fault cannot happen to it."
    )
    open_ = open_words(night)
    notes = [f"<p>{esc(words)}</p>" for words in (note, f"{open_}." if open_ else "") if words]
    shown = table(("routine", *kinds.values()), rows, "Routines by kinds of fault")
    return ["<h2>Faults</h2>", *notes, shown, _more(len(found) - _MOST_ROUTINES)]


def _ranking(night: Night) -> list[str]:
    rows = [Row(esc(of.title), (of.broken_words, of.share_words, of.margin)) for of in ranking(night)]
    header = ("fault", "routines that break", "success, mean of the worst cases", "least margin")
    shown = table(header, rows, "Kinds of fault", stacked=False)
    note = f"{UNKNOWN_MARGIN[0].upper()}{UNKNOWN_MARGIN[1:]}. {tried_words(night)}."
    return ["<h3>What breaks first</h3>", shown, f'<p class="soft">{esc(note)}</p>']


def _by_routine(night: Night) -> list[str]:
    parts = ["<h3>Faults by routine</h3>"]
    header = ("fault", "verdict", "success", "margin", "breaks first", "worst way", "tried", "worst")
    found = by_routine(night)
    for routine in found[:_MOST_ROUTINES]:
        rows = [
            Row(
                esc(placed.cell.title),
                (
                    _effect(placed),
                    f'<td class="whole">{percent(placed.cell.share)}</td>',
                    f'<td class="whole">{cell_margin(placed.cell)}</td>',
                    esc(placed.breaks_first or "-"),
                    esc(placed.cell.way or "-"),
                    str(placed.cell.tried),
                    esc(placed.case.place),
                ),
            )
            for placed in worst_faults(night, routine.routine)
        ]
        parts.append(_folded(routine.title, table(header, rows, f"Faults of {routine.title}")))
    return [*parts, _more(len(found) - _MOST_ROUTINES)]


def _trend(report: NightReport) -> list[str]:
    """Return plots over the nights: what changed first, then what has least to spare."""
    # One night is no trend.
    plotted = [series for series in report.series if len(series.nights) > 1]
    by_series: dict[Series, list[Change]] = {series: [] for series in plotted}
    for change in report.changes:
        if not change.early and change.series in by_series:
            by_series[change.series].append(change)

    def key(series: Series) -> tuple[bool, float]:
        return not by_series[series], series.successes[-1] / series.trials[-1] - series.required[-1]

    figures = [
        f"<figure><figcaption><b>{esc(series.tolerance)}</b>, {esc(trend_words(series))}<br>"
        f"{esc(series.routine)} {esc(series.place)}</figcaption>"
        f"{trend_plot(series, by_series[series])}</figure>"
        for series in sorted(plotted, key=key)[:_MOST_PLOTS]
    ]
    if not figures:
        return []
    shown, others = figures[:_SHOWN_PLOTS], figures[_SHOWN_PLOTS:]
    folded = _folded(f"{len(others)} more", f'<div class="plots">{"".join(others)}</div>') if others else ""
    note = (
        "Success by night, of plain trials, with its 95 % interval; of contact, how often nothing is "
        "touched. Dashed: what is required; upright: a change."
    )
    return [
        "<h2>Plots</h2>",
        f'<p class="soft">{note} What changed comes first, then what has least to spare.</p>',
        f'<div class="plots">{"".join(shown)}</div>',
        folded,
        _more(len(plotted) - _MOST_PLOTS),
    ]
