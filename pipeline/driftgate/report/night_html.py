"""A night as one page: nothing is fetched, nothing runs, and it follows the reader's light or dark."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Final

from driftgate.judge.night import Effect, Night
from driftgate.report.caution import FULL
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
from driftgate.report.text import plain

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
# Whatever a text of a stranger might do, the page fetches nothing and runs nothing.
_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'"
_STYLE: Final = """
:root { color-scheme: light dark; --ink: #1d2226; --soft: #5b656d; --paper: #fff; --line: #d5dade;
  --bad: #b3261e; --open: #8a5a00; --good: #1b6e3c; --path: #1f5fa8;
  --heat0: #f4b6ad; --heat1: #f8cdb4; --heat2: #fae3b8; --heat3: #f3f0c4;
  --heat4: #dcefc9; --heat5: #c6e8cf; }
@media (prefers-color-scheme: dark) { :root {
  --ink: #e4e8eb; --soft: #9aa5ad; --paper: #15191c; --line: #3a4248;
  --bad: #ff9a8f; --open: #f0c060; --good: #7fd6a0; --path: #7db4f0;
  --heat0: #6b211b; --heat1: #69371b; --heat2: #5f4a16; --heat3: #4a4e1c;
  --heat4: #2f4d26; --heat5: #1c4a2f; } }
body { font: 15px/1.45 system-ui, sans-serif; color: var(--ink); background: var(--paper); margin: 0 auto;
  max-width: 76rem; padding: 1rem; }
h1 { font-size: 1.4rem; } h2 { font-size: 1.15rem; margin-top: 2rem; } h3 { font-size: 1rem; }
.pass { color: var(--good); } .fail { color: var(--bad); } .undecided { color: var(--open); }
.scroll { overflow-x: auto; } table { border-collapse: collapse; margin: .5rem 0; }
th, td { border: 1px solid var(--line); padding: .25rem .5rem; text-align: left; vertical-align: top; }
th { font-weight: 600; } td.heat { min-width: 6.5rem; }
td.heat0 { background: var(--heat0); } td.heat1 { background: var(--heat1); }
td.heat2 { background: var(--heat2); }
td.heat3 { background: var(--heat3); }
td.heat4 { background: var(--heat4); } td.heat5 { background: var(--heat5); }
.plots { display: flex; flex-wrap: wrap; gap: .75rem; } figure { margin: 0; border: 1px solid var(--line);
  padding: .4rem; width: 300px; } figcaption { font-size: .8rem; overflow-wrap: anywhere; }
svg text { font: 10px system-ui, sans-serif; fill: var(--soft); }
svg .axis { stroke: var(--line); fill: none; }
svg .need { stroke: var(--bad); stroke-dasharray: 4 3; } svg .bar { stroke: var(--path); opacity: .45; }
svg .path { stroke: var(--path); fill: none; } svg .dot { fill: var(--path); }
svg .worse { stroke: var(--bad); } svg .better { stroke: var(--good); }
.soft { color: var(--soft); font-size: .9rem; } summary { cursor: pointer; }
"""


def render_night_html(report: NightReport) -> str:
    """Return the report as a page of its own; every text from a file is escaped."""
    night = report.night
    title = "driftgate nightly" if night is None else f"driftgate night {night.night}"
    word = "pass" if report.status == 0 else "fail"
    parts = [f'<h1>{_text(title)}: <span class="{word}">{word}</span></h1>', f"<p>{_text(report.why)}</p>"]
    findings = [f"{f.level} {f.code} at {f.path}: {f.message}" for f in report.findings]
    parts += [_list(findings)] if findings else []
    if night is not None:
        parts += _since_last_night(report, night)
        if night.fault_trials:
            parts += _matrix(night) + _ranking(night)
        parts += _trend(report)
        parts += _as_it_is(night)
        if night.fault_trials:
            parts += _by_routine(night)
        parts.append(
            f'<p class="soft">{_text(trials_words(night))}. Again: <code>{_text(report.command)}</code></p>'
        )
    parts.append(_list(FULL))
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_text(title)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n"
        + "\n".join(parts)
        + "\n</body>\n</html>\n"
    )


def _text(text: str) -> str:
    return escape(plain(text), quote=True)


def _list(lines: Sequence[str]) -> str:
    shown = [
        *lines[:_MOST_LINES],
        *([f"and {len(lines) - _MOST_LINES} more"] if len(lines) > _MOST_LINES else []),
    ]
    return "<ul>" + "".join(f"<li>{_text(line)}</li>" for line in shown) + "</ul>"


def _table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return a table of cells that are escaped already; a cell may bring its own td."""
    head = "".join(f'<th scope="col">{_text(cell)}</th>' for cell in header)

    def row_of(row: Sequence[str]) -> str:
        cells = "".join(cell if cell.startswith("<td") else f"<td>{cell}</td>" for cell in row[1:])
        return f'<tr><th scope="row">{row[0]}</th>{cells}</tr>'

    body = "".join(row_of(row) for row in rows)
    return f'<div class="scroll"><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'


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
    return [f"<h2>Since {_text(report.before.night)}</h2>", f"<p>{_text(words)}</p>", _list(verdicts)]


def _heat(placed: Placed) -> str:
    """Return a cell of the heat table: its words say all that its colour says."""
    cell, first = placed.cell, placed.breaks_first
    words = f'<span class="{_CLASSES[placed.effect]}">{placed.effect}</span> {percent(cell.share)}'
    below = f"<br>{_text(first)}" if first else f"<br>margin {cell_margin(cell)}"
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
        [_text(row.title), *(_heat(row.worst[name]) if name in row.worst else "-" for name in routines)]
        for row in matrix(night)
    ]
    note = (
        "Each routine at its worst field, side and sensor, and how often everything succeeds there, with "
        f"what breaks first or the margin that is left. {EFFECT_WORDS}"
    )
    open_ = open_words(night)
    notes = [f"<p>{_text(words)}</p>" for words in (note, f"{open_}." if open_ else "") if words]
    return ["<h2>Faults</h2>", *notes, _table(("fault", *routines.values()), rows)]


def _ranking(night: Night) -> list[str]:
    rows = [(_text(row.title), row.broken_words, row.share_words, row.margin) for row in ranking(night)]
    header = ("fault", "routines that break", "success, mean of the worst cases", "least margin")
    return ["<h3>What breaks first</h3>", _table(header, rows), f'<p class="soft">{tried_words(night)}.</p>']


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
        f"<figcaption>{_text(series.routine)} {_text(series.place)}, <b>{_text(series.tolerance)}</b>"
        "</figcaption></figure>"
        for series in sorted(report.series, key=key)[:_MOST_PLOTS]
    ]
    words = [f"{series_words(change)}: {change_words(change)}" for change in report.changes] or [
        "No change seen."
    ]
    looking = [f'<p class="soft">{_text(alarm_words(report))}</p>', _list(words)] if report.kept else []
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
        name, place = _text(case.title), _text(case.place)
        cell = case.as_it_is
        if cell is None:
            rows.append((name, place, "plan", '<td class="fail">infeasible</td>', "", ""))
            continue
        rows += [
            (
                name,
                place,
                _text(one.name),
                f'<td class="{one.status}">{one.status}</td>',
                _text(bound_words(one)),
                margin_words(one),
            )
            for one in cell.tolerances
        ]
    header = ("routine", "where", "tolerance", "verdict", "probability", "margin")
    return ["<h2>As it is</h2>", _table(header, rows)]


def _by_routine(night: Night) -> list[str]:
    parts = ["<h2>Faults by routine</h2>"]
    header = ("fault", "verdict", "success", "margin", "breaks first", "worst way", "tried", "worst")
    for routine, title in routines_of(night).items():
        rows = [
            (
                _text(placed.cell.title),
                f'<td class="{_CLASSES[placed.effect]}">{placed.effect}</td>',
                percent(placed.cell.share),
                cell_margin(placed.cell),
                _text(placed.breaks_first or "-"),
                _text(placed.cell.way or "-"),
                str(placed.cell.tried),
                _text(placed.case.place),
            )
            for placed in worst_faults(night, routine)
        ]
        if rows:
            parts.append(f"<details><summary>{_text(title)}</summary>{_table(header, rows)}</details>")
    return parts
