"""A short summary for a pull request: what fails or was lost first, narrow enough for a phone."""

from __future__ import annotations

from typing import Final

from driftgate.core.findings import Finding
from driftgate.core.many import and_more, first_of
from driftgate.report.causes import group_words, tell_command, worst_moment
from driftgate.report.causes import trials_words as trials_of
from driftgate.report.caution import FULL
from driftgate.report.compare_model import Comparison
from driftgate.report.digits import bound_words, lost_words, percent, together_words, trials_words, used_words
from driftgate.report.erosion import comparison_markdown
from driftgate.report.model import CaseReport, RunReport, tightest, worst_first
from driftgate.report.terminal import contact_words, disagreement_words, status_words
from driftgate.report.text import markdown, markdown_code

# Build servers drop a summary of more than 1024 kB whole, and several commands may write into one.
MOST_BYTES: Final = 900_000
# Nobody reads further.
_MOST_ROWS = 60
_MOST_FINDINGS = 50
_MOST_GROUPS = 6


def render_markdown(report: RunReport, found: Comparison | None = None) -> str:
    """Return the report as Markdown; every text from a file is escaped.

    Parameters
    ----------
    report : RunReport
        The run.
    found : Comparison, optional
        What has become of it since a baseline: a section before what passes if anything was lost, else
        after it.

    Returns
    -------
    str
        At most `MOST_BYTES`; what is cut is said at the end.
    """
    changed = [] if found is None else [comparison_markdown(found)]
    lost = bool(found is not None and found.eroded)
    lines = [f"### driftgate: {_headline(report)}", "", markdown(report.why), ""]
    lines += _findings(report)
    lines += _broken(report)
    lines += changed if lost else []
    lines += _accepted(report)
    lines += _overview(report)
    lines += [] if lost else changed
    lines += _differences(report)
    lines += [
        f"{trials_words(report)}.",
        "",
        f"Again: {markdown_code(report.command)}",
        "",
        *(f"- {text}" for text in FULL),
    ]
    return fitted("\n".join(lines) + "\n")


def fitted(text: str) -> str:
    """Return a text cut at the end of a line, with a word about it, if it is too long."""
    whole = text.encode("utf-8", "surrogatepass")
    if len(whole) <= MOST_BYTES:
        return text
    end = whole.rfind(b"\n", 0, MOST_BYTES - 200)
    left_out = whole.count(b"\n", end + 1)
    shown = whole[:end].decode("utf-8", "surrogatepass")
    return f"{shown}\n\nCut here, {left_out} lines are left out: the JSON report has everything.\n"


def _headline(report: RunReport) -> str:
    return report.verdict or f"status {report.status}"


def _findings(report: RunReport) -> list[str]:
    found = sorted([*report.findings, *(f for case in report.cases for f in case.findings)])
    found.sort(key=lambda f: ("error", "warning", "note").index(f.level))
    lines = [_finding(f) for f in dict.fromkeys(found)]
    return [*first_of(lines, _MOST_FINDINGS, "- {}"), ""] if lines else []


def _finding(finding: Finding) -> str:
    place = f"{finding.path}:{finding.line}" if finding.line else finding.path
    return f"- {finding.level} {finding.code} at {markdown_code(place)}: {markdown(finding.message)}"


def _accepted(report: RunReport) -> list[str]:
    found = sorted(
        ((a.finding, a.until, a.reason) for case in report.cases for a in case.accepted),
    )
    lines = [f"{_finding(f)}<br>until {markdown(until)}: {markdown(reason)}" for f, until, reason in found]
    lines = list(dict.fromkeys(lines))
    return ["Accepted:", "", *first_of(lines, _MOST_FINDINGS, "- {}"), ""] if lines else []


def _where(case: CaseReport) -> str:
    return f"{markdown_code(case.path)}<br>{markdown(case.title)}<br>on {_label(case)}"


def _inline(case: CaseReport) -> str:
    return f"{markdown_code(case.path)} on {_label(case)}"


def _label(case: CaseReport) -> str:
    return markdown_code(case.true_map) + ("" if case.side == "as written" else f", {case.side}")


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
            line = case.places[index][0]
            name = markdown(moment.name) + (f"<br>line {line}" if line else "")
            verdict = f"{status_words(moment)}<br>{markdown(bound_words(moment))}<br>{used}"
            rows.append(f"| {_where(case)} | {name} | {verdict} |")
            words = " ".join(text for text in (moment.note, moment.reason) if text)
            if words:
                reasons.append(f"- {_inline(case)}, {markdown(moment.name)}: {markdown(words)}")
        contact = case.verdict.contact
        if contact.status != "pass":
            words = markdown(contact_words(contact))
            place = f"<br>line {case.contact_place[0]}" if case.contact_place[0] else ""
            rows.append(f"| {_where(case)} | contact{place} | {status_words(contact)}<br>{words} |")
            if contact.reason:
                reasons.append(f"- {_inline(case)}, contact: {markdown(contact.reason)}")
        if case.verdict.status != "pass":
            reasons.append(f"- {_inline(case)}, together: {together_words(case.verdict)}")
            if case.verdict.lost:
                words = lost_words(case.verdict)
                reasons.append(f"- {_inline(case)}, lost: the robot says that it is, {words}")
            reasons += _failures(case, report.seed)
    if not rows:
        return []
    table = ["| routine | what | verdict |", "| --- | --- | --- |", *first_of(rows, _MOST_ROWS, "| | | {} |")]
    return [*table, "", *first_of(reasons, _MOST_ROWS, "- {}"), ""]


def _failures(case: CaseReport, seed: int) -> list[str]:
    lines = []
    causes = None if case.verdict is None else case.verdict.causes
    if causes is not None:
        groups = "<br>".join(markdown(text) for text in group_words(causes, _MOST_GROUPS))
        lines.append(f"- {_inline(case)}, of {trials_of(causes)}:<br>{groups}")
    moment = worst_moment(case)
    if moment is None:
        return lines
    others = ", ".join(str(number) for number in moment.worst[1:])
    more = f" (then {others})" if others else ""
    command = markdown_code(tell_command(case, moment.worst[0], seed))
    return [*lines, f"- {_inline(case)}, worst at {markdown(moment.name)}: {command}{more}"]


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
        words += f"<br>says that it is lost {lost_words(case.verdict)}" if case.verdict.lost else ""
        lines.append(f"| {_where(case)} | {words} |")
    rest = and_more(len(good) - _MOST_ROWS)
    return [*lines, *([f"| | {rest} |"] if rest else []), ""]


def _differences(report: RunReport) -> list[str]:
    lines = [
        f"- {_inline(case)}, {markdown(disagreement_words(found))}"
        for case in report.cases
        if case.verdict is not None
        for found in case.verdict.disagreements
    ]
    return ["The engines differ:", "", *first_of(lines, _MOST_ROWS, "- {}"), ""] if lines else []
