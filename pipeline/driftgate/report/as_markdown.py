"""A short summary for a pull request: what does not hold first, tables narrow enough for a phone."""

from __future__ import annotations

from driftgate.report.causes import group_words, worst_words
from driftgate.report.causes import trials_words as trials_of
from driftgate.report.caution import FULL
from driftgate.report.digits import bound_words, percent, together_words, trials_words, used_words
from driftgate.report.model import CaseReport, RunReport, tightest, worst_first
from driftgate.report.terminal import contact_words, disagreement_words, status_words
from driftgate.report.text import markdown

# Build servers cut or drop summaries past a megabyte; nobody reads that far either.
_MOST_ROWS = 60
_MOST_FINDINGS = 50
_MOST_GROUPS = 6


def render_markdown(report: RunReport) -> str:
    """Return the report as Markdown; every text from a file is escaped."""
    lines = [f"### driftgate: {_headline(report)}", "", markdown(report.why), ""]
    lines += _findings(report)
    lines += _broken(report)
    lines += _accepted(report)
    lines += _overview(report)
    lines += _differences(report)
    lines += [
        f"{trials_words(report)}.",
        "",
        *(f"- {text}" for text in FULL),
    ]
    return "\n".join(lines) + "\n"


def _headline(report: RunReport) -> str:
    return report.verdict or f"status {report.status}"


def _findings(report: RunReport) -> list[str]:
    found = sorted([*report.findings, *(f for case in report.cases for f in case.findings)])
    lines = [
        f"- {f.level} {markdown(f.code)} at {markdown(f.path)} line {f.line}: {markdown(f.message)}"
        for f in dict.fromkeys(found)
    ]
    return [*_cut(lines, _MOST_FINDINGS), ""] if lines else []


def _accepted(report: RunReport) -> list[str]:
    found = sorted(
        ((a.finding, a.until, a.reason) for case in report.cases for a in case.accepted),
    )
    lines = [
        f"- {f.level} {markdown(f.code)} at {markdown(f.path)} line {f.line}: {markdown(f.message)}"
        f"<br>until {markdown(until)}: {markdown(reason)}"
        for f, until, reason in found
    ]
    lines = list(dict.fromkeys(lines))
    return ["Accepted:", "", *_cut(lines, _MOST_FINDINGS), ""] if lines else []


def _cut(lines: list[str], most: int) -> list[str]:
    more = len(lines) - most
    return lines if more <= 0 else [*lines[:most], f"- and {more} more"]


def _where(case: CaseReport) -> str:
    return f"{markdown(case.title)}<br>{markdown(case.label)}"


def _inline(case: CaseReport) -> str:
    return f"{markdown(case.title)} on {markdown(case.label)}"


def _broken(report: RunReport) -> list[str]:
    rows, reasons = [], []
    for case in report.cases:
        if case.verdict is None:
            rows.append(f"| {_where(case)} | plan | infeasible |")
            continue
        for index, moment in worst_first(case.verdict):
            if moment.status == "pass":
                continue
            used = f"{moment.binding}: {used_words(moment)}"
            if moment.variance is not None:
                used += f"<br>{percent(moment.variance.guessed, digits=0)} guessed"
            name = f"{markdown(moment.name)}<br>line {case.places[index][0]}"
            verdict = f"{status_words(moment)}<br>{markdown(bound_words(moment))}<br>{used}"
            rows.append(f"| {_where(case)} | {name} | {verdict} |")
            words = " ".join(text for text in (moment.note, moment.reason) if text)
            if words:
                reasons.append(f"- {_inline(case)}, {markdown(moment.name)}: {markdown(words)}")
        contact = case.verdict.contact
        if contact.status != "pass":
            words = markdown(contact_words(contact))
            rows.append(f"| {_where(case)} | contact | {status_words(contact)}<br>{words} |")
            if contact.reason:
                reasons.append(f"- {_inline(case)}, contact: {markdown(contact.reason)}")
        if case.verdict.status != "pass":
            reasons.append(f"- {_inline(case)}, together: {together_words(case.verdict)}")
            reasons += _failures(case, report.seed)
    if not rows:
        return []
    more = len(rows) - _MOST_ROWS
    table = ["| routine | what | verdict |", "| --- | --- | --- |", *rows[:_MOST_ROWS]]
    if more > 0:
        table.append(f"| | | and {more} more |")
    return [*table, "", *_cut(reasons, _MOST_ROWS), ""]


def _failures(case: CaseReport, seed: int) -> list[str]:
    lines = []
    causes = None if case.verdict is None else case.verdict.causes
    if causes is not None:
        groups = "<br>".join(markdown(text) for text in group_words(causes, _MOST_GROUPS))
        lines.append(f"- {_inline(case)}, of {trials_of(causes)}:<br>{groups}")
    worst = worst_words(case, seed)
    return [*lines, f"- {_inline(case)}, {markdown(worst)}"] if worst else lines


def _overview(report: RunReport) -> list[str]:
    good = [case for case in report.cases if case.status == "pass"]
    if not good:
        return []
    lines = ["| passing | tightest |", "| --- | --- |"]
    for case in good[:_MOST_ROWS]:
        if case.verdict is None:
            continue
        moment = tightest(case.verdict)
        words = f"{markdown(moment.name)}, {moment.binding}: {used_words(moment)}"
        words += f"<br>together {together_words(case.verdict)}"
        lines.append(f"| {_where(case)} | {words} |")
    if len(good) > _MOST_ROWS:
        lines.append(f"| | and {len(good) - _MOST_ROWS} more |")
    return [*lines, ""]


def _differences(report: RunReport) -> list[str]:
    lines = [
        f"- {_inline(case)}, {markdown(disagreement_words(found))}"
        for case in report.cases
        if case.verdict is not None
        for found in case.verdict.disagreements
    ]
    return ["The engines differ:", "", *_cut(lines, _MOST_ROWS), ""] if lines else []
