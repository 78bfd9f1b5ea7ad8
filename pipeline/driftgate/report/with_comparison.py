"""The reports of a run, with the comparison with a baseline where there is one."""

from __future__ import annotations

from driftgate.report.as_json import report_object
from driftgate.report.as_junit import render_junit
from driftgate.report.as_markdown import render_markdown
from driftgate.report.as_sarif import render_sarif
from driftgate.report.compare_model import Comparison
from driftgate.report.erosion import change_words, comparison_object, loosening_lines
from driftgate.report.json_text import as_text
from driftgate.report.model import RunReport


def with_comparison(form: str, report: RunReport, found: Comparison | None) -> str:
    """Return a report of a run in a format, the comparison with it if there is one.

    JSON has it as the member `comparison`, Markdown as a section, SARIF as results; in JUnit the erosion of a
    run is a test case of its own.
    """
    if form == "json":
        whole = report_object(report)
        if found is not None:
            whole["comparison"] = comparison_object(found)
        return as_text(whole)
    if form == "markdown":
        return render_markdown(report, found)
    if form == "sarif":
        return render_sarif(report, found)
    if found is None:
        return render_junit(report)
    why = f"eroded: {', '.join(found.eroded)}" if found.eroded else "not eroded"
    lines = [f"{why}, against {found.baseline}", *loosening_lines(found), *(f"gone: {g}" for g in found.gone)]
    lines += [
        f"{case.path} on {case.label}, {change.name}: {change.word}: {change_words(change)}"
        for case in found.cases
        for change in case.changes
    ]
    return render_junit(report, (bool(found.eroded) and found.policy == "fail", lines))
