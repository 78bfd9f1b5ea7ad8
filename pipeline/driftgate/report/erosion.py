"""A comparison with a baseline, as people and programs read it; what was loosened comes first."""

from __future__ import annotations

from collections import Counter
from typing import Any

from driftgate.core.many import and_more, first_of
from driftgate.judge.paired_values import Change, ErrorChange
from driftgate.report.compare_model import CaseChange, Comparison
from driftgate.report.compare_text import (
    error_interval,
    error_unit,
    error_value,
    interval_words,
    strict_words,
)
from driftgate.report.digits import exact, percent
from driftgate.report.findings import render_finding
from driftgate.report.json_text import as_text, plain_object
from driftgate.report.paint import Paint
from driftgate.report.text import markdown, plain

COMPARISON_SCHEMA = "driftgate-comparison/1"
_MOST_LINES = 200
_LEVELS = {"worse": "fail", "no difference seen": "undecided", "better": "pass"}


def render_comparison(found: Comparison, *, colour: bool = False, quiet: bool = False) -> str:
    """Return the comparison as lines of text.

    Parameters
    ----------
    found : Comparison
        What to tell.
    colour : bool
        Whether to colour.
    quiet : bool
        Leave out what did not get worse.
    """
    paint = Paint(colour)
    lines = []
    if found.loosenings:
        lines.append(f"  {paint.level('loosened', 'fail')}:")
        lines += [f"    {text}" for text in first_of([plain(t) for t in loosening_lines(found)], _MOST_LINES)]
    lines += [f"  {paint.level('gone', 'fail')}: {plain(name)}" for name in found.gone]
    if not quiet:
        lines += [f"  new: {plain(name)}" for name in found.new]
    if found.unread:
        lines.append("  the present driftgate cannot read all of the baseline's files:")
        shown = [render_finding(finding, paint) for finding in sorted(found.unread)]
        rest = and_more(len(shown) - _MOST_LINES)
        lines += ["    " + line for finding in shown[:_MOST_LINES] for line in finding]
        lines += [f"    {rest}"] if rest else []
    if not quiet:
        lines += [f"  {plain(text)}" for text in unchanged_lines(found)]
    for case in found.cases:
        lines += _case(case, paint, quiet)
    lines += [f"  the tool judges otherwise than when the baseline was kept: {plain(t)}" for t in found.tool]
    if not quiet or found.eroded:
        lines += [f"  {text}" for text in closing(found)]
    if not lines:
        return ""
    return "\n".join(["", paint(f"against {plain(found.baseline)}", "bold"), *lines]) + "\n"


def loosening_lines(found: Comparison) -> list[str]:
    """Return a line for each loosening: place, what it said, what it says, why it is one."""
    lines = []
    for item in found.loosenings:
        place = f"{item.path}:{item.line}" if item.line else item.path
        lines.append(f"{place} {item.where}: {item.before} -> {item.now} ({item.why})")
    return lines


def unchanged_lines(found: Comparison) -> list[str]:
    """Return which routines have cases that are unchanged; nothing where none has."""
    count = Counter(case.path for case in found.cases if case.unchanged and not case.note)
    if not count:
        return []
    names = ", ".join(
        f"{path} ({number} {'case' if number == 1 else 'cases'})" for path, number in count.items()
    )
    return [f"unchanged, so every trial comes out as it did: {names}"]


def _case(case: CaseChange, paint: Paint, quiet: bool) -> list[str]:
    told = [change for change in case.changes if not quiet or change.word == "worse"]
    notes = case_notes(case) if not quiet or case.broke else []
    if not told and not notes:
        return []
    lines = [f"  {plain(case.path)} on {plain(case.label)}", *(f"    {plain(text)}" for text in notes)]
    width = max((len(plain(change.name)) for change in told), default=0)
    for change in told:
        word = paint.level(change.word, _LEVELS[change.word])
        lines.append(f"    {plain(change.name).ljust(width)}  {word}: {change_words(change)}")
    return lines


def case_notes(case: CaseChange) -> list[str]:
    """Return what there is to say of a case besides its figures."""
    return [
        *([case.note] if case.note else []),
        *([f"it was {case.was_path}"] if case.was_path else []),
        *(f"checkpoint {a} is called {b} now" for a, b in case.renamed),
        *(f"new checkpoint {name}: nothing to compare with" for name in case.new),
        *(f"checkpoint {name} is gone" for name in case.gone),
    ]


def change_words(change: Change) -> str:
    """Return a change in words: what decided it first, and without a difference what would have shown."""
    what = "untouched" if change.name == "contact" else "success"
    success = f"{what} {percent(change.before, digits=2)} -> {percent(change.now, digits=2)}"
    interval = interval_words(change.success, " points", 100, 2)
    lost = "trial" if change.worse == 1 else "trials"
    parts = [f"{success} ({interval}; {change.worse} {lost} lost, {change.better} won)"]
    if change.errors is not None:
        parts.append(_error_words(change.errors))
    if change.decided_by == "margin":
        parts.reverse()
    if change.word == "no difference seen":
        parts.append(visible_words(change))
    return "; ".join(parts)


def _error_words(errors: ErrorChange) -> str:
    axis = errors.axis
    before, now = error_value(errors.error_before, axis), error_value(errors.error_now, axis)
    interval = error_interval(errors.error, axis) or "no interval"
    own = _shares(errors.axis_used_before, errors.axis_used_now)
    together = _shares(errors.used_before, errors.used_now)
    words = f"95 % error on {axis} {before} -> {now} {error_unit(axis)} ({interval}), {own} of its tolerance"
    return words if own == together else f"{words} (all axes together {together})"


def _shares(before: float, now: float) -> str:
    return f"{percent(before, digits=0)} -> {percent(now, digits=0)}"


def visible_words(change: Change) -> str:
    """Return the smallest loss that would have been seen."""
    if change.visible is None:
        words = "no loss would have been seen with so few trials"
    else:
        up = percent(change.visible, digits=2, direction="up")
        words = f"a loss of {up[:-2]} points would have been seen"
    if change.same:
        return f"the same in every trial; {words}"
    if change.errors is None:
        return words
    if change.errors.steady:
        return f"{words}; the margin is the same in every tenth of the trials"
    if change.errors.visible is None:
        return f"{words}, a loss of margin would not"
    return f"{words}, or of {percent(change.errors.visible, digits=2, direction='up')} of the tolerance"


def closing(found: Comparison) -> list[str]:
    """Return what the figures are about, whether they count as erosion, and what could not be seen."""
    lines = []
    if any(case.changes for case in found.cases):
        lines.append(
            f"{found.trials} trials of each side with the same luck, seed {found.seed}; both judged by this "
            f"driftgate and held to the baseline's tolerances; words and intervals hold together at "
            f"{exact(found.confidence, 100)} % over {found.tolerances} comparisons, a loss said to show "
            "would have been seen nine times in ten; a 95 % error is what 95 % of the trials "
            "keep to, whatever the tolerance requires"
        )
    blind = [
        change
        for case in found.cases
        for change in case.changes
        if change.word != "worse" and (change.blind_to is None or change.blind_to > found.allowed)
    ]
    if blind:
        lines.append(
            f"{len(blind)} of {sum(len(case.changes) for case in found.cases)} comparisons could have missed "
            f"a loss of {exact(found.allowed, 100)} %: more --baseline-trials see more"
        )
    lines += strict_words(found.strict)
    lines.append(f"eroded: {', '.join(found.eroded)}" if found.eroded else "not eroded")
    return lines


def comparison_markdown(found: Comparison) -> str:
    """Return the comparison as Markdown; every text from a file is escaped."""
    state = "eroded" if found.eroded else "not eroded"
    lines = [f"### driftgate: {state} against {markdown(found.baseline)}", ""]
    if found.loosenings:
        lines.append("Loosened:")
        lines += ["", *(f"- {markdown(text)}" for text in first_of(loosening_lines(found), _MOST_LINES)), ""]
    lines += [f"- gone: {markdown(name)}" for name in found.gone]
    lines += [f"- new: {markdown(name)}" for name in found.new]
    lines += [f"- unread: {markdown(f.path)} line {f.line}: {markdown(f.message)}" for f in found.unread]
    rows = []
    for case in found.cases:
        where = f"{markdown(case.title)}<br>{markdown(case.label)}"
        lines += [f"- {markdown(case.path)}: {markdown(text)}" for text in case_notes(case)]
        for change in sorted(case.changes, key=lambda c: c.word != "worse"):
            words = markdown(change_words(change)).replace("; ", "<br>")
            rows.append(
                (change.word != "worse", f"| {where} | {markdown(change.name)} | {change.word}<br>{words} |")
            )
    if rows:
        ordered = [row for _, row in sorted(rows, key=lambda row: row[0])]
        lines += ["", "| routine | tolerance | change |", "| --- | --- | --- |", *ordered[:_MOST_LINES]]
    lines += [
        "",
        *(f"- {markdown(text)}" for text in (*unchanged_lines(found), *found.tool, *closing(found))),
    ]
    return "\n".join(lines) + "\n"


def comparison_object(found: Comparison) -> dict[str, Any]:
    """Return the comparison as plain dictionaries and lists, members as in `Comparison`."""
    return {"schema": COMPARISON_SCHEMA, **plain_object(found), "eroded": list(found.eroded)}


def comparison_json(found: Comparison) -> str:
    """Return the comparison as JSON text."""
    return as_text(comparison_object(found))
