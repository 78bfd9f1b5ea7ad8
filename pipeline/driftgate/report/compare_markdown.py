"""Variants side by side, for a pull request."""

from __future__ import annotations

from driftgate.report.caution import FULL
from driftgate.report.compare_model import SideBySide
from driftgate.report.compare_text import (
    gist_words,
    legend,
    moment_tables,
    overview_tables,
    same_words,
    strict_words,
)
from driftgate.report.text import markdown


def render_side_by_side_markdown(report: SideBySide) -> str:
    """Return the table as Markdown; every text from a file or the command line is escaped."""
    lines = [
        f"### driftgate: variants of {markdown(report.title or report.path)}",
        "",
        markdown(report.why),
        "",
    ]
    found = [*report.findings, *(f for variant in report.variants for f in variant.findings)]
    for finding in sorted(dict.fromkeys(found)):
        place = f"{markdown(finding.path)} line {finding.line}"
        lines.append(f"- {finding.level} {markdown(finding.code)} at {place}: {markdown(finding.message)}")
    if found:
        lines.append("")
    if report.variants:
        lines += [f"- {markdown(v.name)}: {markdown(v.changes)}" for v in report.variants if v.changes]
        told = [f"- {markdown(words)}" for words in (*gist_words(report), *same_words(report))]
        lines += ["", *told] if told else []
        lines.append("")
        for header, outcomes in overview_tables(report):
            lines += _table(header, [(markdown(row[0]), *row[1:]) for row in outcomes])
        for name, header, cells in moment_tables(report):
            named = [(markdown(row[0]), *row[1:]) for row in cells]
            lines += _table((markdown(name), *header), named)
        lines += [" ".join([*legend(report), *strict_words(report.strict), f"Seed {report.seed}."]), ""]
    lines += [f"- {text}" for text in FULL]
    return "\n".join(lines) + "\n"


def _table(header: tuple[str, ...], rows: list[tuple[str, ...]]) -> list[str]:
    lines = ["| " + " | ".join(header) + " |", "|" + " --- |" * len(header)]
    lines += ["| " + " | ".join(row) + " |" for row in rows]
    return [*lines, ""]
