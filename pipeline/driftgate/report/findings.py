"""Findings as people read them in reports: `core.render` does it, here it meets the report's colours."""

from __future__ import annotations

from driftgate.core import render
from driftgate.core.findings import Finding
from driftgate.report.paint import Paint


def render_findings(findings: tuple[Finding, ...], paint: Paint) -> list[str]:
    """Return the lines of all findings, in order of file and place."""
    lines: list[str] = []
    for finding in sorted(findings):
        lines += render_finding(finding, paint)
    return lines


def render_finding(finding: Finding, paint: Paint) -> list[str]:
    """Return the lines of one finding."""
    return render.render_finding(finding, paint.on).split("\n")
