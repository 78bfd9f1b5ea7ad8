"""Findings as people read them in reports: `core.render` does it, here it meets the report's colours."""

from __future__ import annotations

from driftgate.core import render
from driftgate.core.findings import Finding
from driftgate.report.model import AcceptedFinding
from driftgate.report.paint import Paint
from driftgate.report.text import plain


def render_findings(findings: tuple[Finding, ...], paint: Paint) -> list[str]:
    """Return the lines of all findings, in order of file and place."""
    lines: list[str] = []
    for finding in sorted(findings):
        lines += render_finding(finding, paint)
    return lines


def render_accepted(accepted: tuple[AcceptedFinding, ...], paint: Paint) -> list[str]:
    """Return the lines of what the routine accepts, each finding under its last day and reason."""
    lines: list[str] = []
    for found in sorted(accepted, key=lambda a: a.finding):
        lines.append(accepted_words(found))
        lines += ["  " + line for line in render_finding(found.finding, paint)]
    return lines


def accepted_words(found: AcceptedFinding) -> str:
    """Return until when a finding is accepted and why: "accepted until 2026-12-01: soft foam"."""
    return f"accepted until {found.until}: {plain(found.reason)}"


def render_finding(finding: Finding, paint: Paint) -> list[str]:
    """Return the lines of one finding."""
    return render.render_finding(finding, paint.on).split("\n")
