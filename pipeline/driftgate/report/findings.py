"""Findings as people read them: place, code, message, the line with a caret, a suggestion."""

from __future__ import annotations

import unicodedata

from driftgate.core.findings import Finding
from driftgate.report.paint import Paint
from driftgate.report.text import plain

_WIDEST = 160


def render_findings(findings: tuple[Finding, ...], paint: Paint) -> list[str]:
    """Return the lines of all findings, in order of file and place."""
    lines: list[str] = []
    for finding in sorted(findings):
        lines += render_finding(finding, paint)
    return lines


def render_finding(finding: Finding, paint: Paint) -> list[str]:
    """Return the lines of one finding."""
    place = plain(finding.path)
    if finding.line:
        place += f":{finding.line}:{max(1, finding.column)}"
    level = paint.level(finding.level, finding.level)
    lines = [f"{place}: {level} {finding.code}: {plain(finding.message)}"]
    if finding.excerpt:
        lines += _excerpt(finding)
    if finding.suggestion:
        lines.append(f"    = {plain(finding.suggestion)}")
    return lines


def _excerpt(finding: Finding) -> list[str]:
    column = max(1, finding.column) - 1
    # A window onto long lines, so that the caret stays in sight.
    begin = max(0, column - _WIDEST // 2) if column > _WIDEST - 20 else 0
    text = finding.excerpt[begin : begin + _WIDEST].replace("\t", " ")
    before = plain(text[: column - begin])
    return [f"    | {plain(text)}", f"    | {' ' * _cells(before)}^"]


def _cells(text: str) -> int:
    """Return how many terminal cells a text takes; wide characters take two, combining ones none."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text
    )
