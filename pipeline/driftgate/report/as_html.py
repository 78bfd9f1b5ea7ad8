"""The report as one page: works offline, prints, and says everything without its script too."""

from __future__ import annotations

from collections.abc import Sequence

from driftgate.report.compare_model import Comparison
from driftgate.report.digits import together_words, trials_words, used_words
from driftgate.report.erosion import change_words, loosening_lines
from driftgate.report.html_case import case_html, finding_words
from driftgate.report.model import CaseReport, RunReport, tightest
from driftgate.report.page import Row, badge, cautions, page, table, verdict, words_list
from driftgate.report.picture import CasePicture
from driftgate.report.style import asset
from driftgate.report.svg import defs
from driftgate.report.text import esc


def render_html(
    report: RunReport, pictures: Sequence[CasePicture | None], found: Comparison | None = None
) -> str:
    """Return the report as a page of its own; every text from a file is escaped.

    Parameters
    ----------
    report : RunReport
        The run.
    pictures : sequence of CasePicture or None
        What the pictures of each case show, in the order of the cases.
    found : Comparison, optional
        What has become of it since a baseline.
    """
    status = report.verdict
    titles = list(dict.fromkeys(case.title for case in report.cases))
    name = titles[0] if len(titles) == 1 else f"{len(titles)} routines" if titles else "no routine"
    head = [
        f"<h1>{badge(status) if status else ''} driftgate check: {esc(name)}</h1>",
        f"<p>{esc(report.why)}.</p>",
        cautions(),
    ]
    body = [defs()]
    if report.findings:
        body.append("<h2>Findings</h2>")
        body.append(words_list([finding_words(finding) for finding in sorted(report.findings)]))
    body += [_overview(report), *_changes(found)]
    body += [
        case_html(case, picture, number, report.seed)
        for number, (case, picture) in enumerate(zip(report.cases, pictures, strict=True), start=1)
    ]
    foot = [
        "<h2>How this was made</h2>",
        f"<p>{esc(trials_words(report))}; driftgate {esc(report.version)}. The confidence covers sampling, "
        "not the model.</p>",
        f"<p>Again: <code>{esc(report.command)}</code></p>",
    ]
    style = asset("page.css") + asset("picture.css")
    script = asset("page.js") if any(picture is not None for picture in pictures) else ""
    return page(f"driftgate: {name}", head, body, foot, style, script)


def _overview(report: RunReport) -> str:
    if not report.cases:
        return ""
    rows = [_overview_row(number, case) for number, case in enumerate(report.cases, start=1)]
    header = ("routine", "where", "verdict", "tightest tolerance", "everything together")
    return "<h2>At a glance</h2>" + table(header, rows, "Every routine on every field and side")


def _overview_row(number: int, case: CaseReport) -> Row:
    link = f'<a href="#case-{number}">{esc(case.title)}</a>'
    where = f"{esc(case.true_title)}{', mirrored' if case.side == 'mirrored' else ''}"
    if case.verdict is None:
        return Row(link, (where, verdict("infeasible"), "the plan is infeasible", ""))
    moment = tightest(case.verdict)
    words = f"{moment.name}, {moment.binding}: {used_words(moment)}"
    return Row(link, (where, verdict(case.status), esc(words), esc(together_words(case.verdict))))


def _changes(found: Comparison | None) -> list[str]:
    if found is None:
        return []
    why = f"Eroded: {', '.join(found.eroded)}." if found.eroded else "Nothing has eroded."
    lines = [*loosening_lines(found), *(f"gone: {g}" for g in found.gone)]
    lines += [
        f"{case.path} on {case.label}, {change.name}: {change.word}: {change_words(change)}"
        for case in found.cases
        for change in case.changes
    ]
    return [f"<h2>Against {esc(found.baseline)}</h2>", f"<p>{esc(why)}</p>", words_list(lines)]
