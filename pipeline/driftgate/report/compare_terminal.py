"""Variants side by side, for a terminal or a build log."""

from __future__ import annotations

from driftgate.report.caution import SHORT
from driftgate.report.compare_model import SideBySide
from driftgate.report.compare_text import (
    gist_words,
    legend,
    moment_tables,
    overview_tables,
    same_words,
    strict_words,
)
from driftgate.report.findings import render_findings
from driftgate.report.paint import Paint
from driftgate.report.text import plain, table


def render_side_by_side(report: SideBySide, *, colour: bool = False) -> str:
    """Return the table as lines of text."""
    paint = Paint(colour)
    lines = render_findings(report.findings, paint)
    if not report.variants:
        return "\n".join(lines) + "\n" if lines else ""
    if lines:
        lines.append("")
    side = "" if report.side == "as written" else f", {report.side}"
    lines.append(paint(f"{plain(report.path)}  {plain(report.title)}{side}", "bold"))
    for variant in report.variants:
        if variant.changes:
            lines.append(f"  {plain(variant.name)}: {plain(variant.changes)}")
    for variant in report.variants:
        if variant.findings:
            lines.append(f"  {plain(variant.name)}:")
            lines += ["    " + line for line in render_findings(variant.findings, paint)]
    for header, outcomes in overview_tables(report):
        lines += ["", *table(header, [(plain(row[0]), *row[1:]) for row in outcomes])]
    for name, header, cells in moment_tables(report):
        named = [(plain(row[0]), *row[1:]) for row in cells]
        lines += ["", *table((plain(name), *header), named)]
    lines += ["", *(plain(words) for words in (*gist_words(report), *same_words(report)))]
    lines += [
        "",
        *legend(report),
        *strict_words(report.strict),
        f"seed {report.seed}; again: {plain(report.command)}",
        SHORT,
    ]
    return "\n".join(lines) + "\n"
